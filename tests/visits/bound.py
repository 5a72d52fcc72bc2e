"""How much could be right with every check read: `python -m tests.visits.bound --help`.

The bench's own frequencies of each outcome under each fault, counted on ovens of their own, with
the checks taken as independent (naive Bayes); and the rule set's tables on the same readings. Each
check is read once, on the oven as it was at the door, so that no reading changes the next.
"""

from __future__ import annotations

import argparse
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from concurrent.futures import ProcessPoolExecutor
from copy import deepcopy
from dataclasses import dataclass
from functools import partial
from math import exp, log
from typing import Any

import numpy as np

from tests.visits.play import under_conditions, visit_of
from tests.visits.population import true_nameplate
from tests.visits.remedies import CURES
from tests.visits.report import oven_reasoner
from tests.visits.technician import CHECKS, PROFILES

SMOOTHING = 0.5
"""Added to each count."""


@dataclass(frozen=True)
class Read:
    """One oven with every check read."""

    symptom: str
    faults: tuple[str, ...]
    outcomes: Mapping[str, str]
    by_tables: str
    """The remedy that the rule set's tables make the most probable."""


def read(seed: int, profile: str) -> Read:
    """Every check of the visit of a seed."""
    visit, technician, rng = visit_of(seed, profile=profile)
    readings: list[dict[str, Any]] = []
    for check in CHECKS:
        taken = under_conditions(deepcopy(technician).answer(check, deepcopy(visit.oven), rng))
        if taken is not None:
            readings.append(taken)
    answer = oven_reasoner().assess(
        {
            "symptom": visit.symptom,
            "nameplate": true_nameplate(visit.oven.build),
            "instrument": technician.instrument,
            "readings": readings,
            "confirmed": [],
        }
    )
    found = {one["check"]: one["outcome"] for one in answer["findings"]}
    faults = oven_reasoner().rule_set.faults
    by_remedy: dict[str, float] = defaultdict(float)
    for row in answer["hypotheses"]:
        if row["fault"] in faults:
            by_remedy[faults[row["fault"]].remedy] += row["probability"]
    likeliest = max(by_remedy, key=lambda name: by_remedy[name])
    return Read(visit.symptom, tuple(sorted(visit.faults)), found, likeliest)


def read_all(seeds: Iterable[int], profile: str, processes: int) -> list[Read]:
    """The visits of many seeds."""
    with ProcessPoolExecutor(processes) as pool:
        return list(pool.map(partial(read, profile=profile), seeds, chunksize=10))


class Frequencies:
    """How often known ovens with a fault gave each complaint and each outcome."""

    def __init__(self, known: Iterable[Read]) -> None:
        self.faults: Counter[str] = Counter()
        self.symptoms: Counter[tuple[str, str]] = Counter()
        self.outcomes: Counter[tuple[str, str, str]] = Counter()
        self.taken: Counter[tuple[str, str]] = Counter()
        for one in known:
            for fault in one.faults:
                self.faults[fault] += 1
                self.symptoms[fault, one.symptom] += 1
                for check, outcome in one.outcomes.items():
                    self.outcomes[fault, check, outcome] += 1
                    self.taken[fault, check] += 1

    def likeliest(self, asked: Read) -> str:
        """The remedy that they make the most probable."""
        weights = {fault: self._log_weight(fault, asked) for fault in self.faults}
        top = max(weights.values())
        by_remedy: dict[str, float] = defaultdict(float)
        for fault, weight in weights.items():
            by_remedy[min(CURES[fault])] += exp(weight - top)
        return max(by_remedy, key=lambda name: by_remedy[name])

    def _log_weight(self, fault: str, asked: Read) -> float:
        weight = log(self.symptoms[fault, asked.symptom] + SMOOTHING)
        for check, outcome in asked.outcomes.items():
            seen = self.outcomes[fault, check, outcome] + SMOOTHING
            weight += log(seen / (self.taken[fault, check] + 3 * SMOOTHING))
        return weight


def right(faults: Iterable[str], remedy: str) -> bool:
    """Whether a remedy cures one of the faults."""
    return any(remedy in CURES[fault] for fault in faults)


def main() -> None:
    """Print the bound by profile."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--known", type=int, default=3000, help="ovens that are counted")
    parser.add_argument("--asked", type=int, default=1000, help="ovens that are judged")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--profile", choices=PROFILES, action="append")
    parser.add_argument("--processes", type=int, default=2)
    chosen = parser.parse_args()
    first = chosen.seed + chosen.known
    print("| technician | ovens | tables | frequencies |\n|---|---|---|---|")
    for profile in chosen.profile or PROFILES:
        known = read_all(range(chosen.seed, first), profile, chosen.processes)
        asked = read_all(range(first, first + chosen.asked), profile, chosen.processes)
        tables = np.mean([right(one.faults, one.by_tables) for one in asked])
        counted = Frequencies(known)
        best = np.mean([right(one.faults, counted.likeliest(one)) for one in asked])
        print(f"| {profile} | {len(asked)} | {100 * tables:.1f} | {100 * best:.1f} |")


if __name__ == "__main__":
    main()
