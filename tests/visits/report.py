"""Thousands of visits on the virtual bench, as tables: `python -m tests.visits.report --help`."""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from functools import cache, partial
from itertools import product
from pathlib import Path
from statistics import fmean
from typing import Any

from numpy.random import default_rng

from service.diagnosis.assessment import Reasoner
from service.ruleset.catalogue import Catalogue
from tests.visits.diagram import draw
from tests.visits.play import RIGHT, UNRESOLVED, WRONG, Course, play, visit_of
from tests.visits.policies import POLICIES, choosing
from tests.visits.technician import PROFILES


@cache
def oven_reasoner() -> Reasoner:
    return Reasoner(Catalogue.load().get("microwave-oven"))


def course(
    seed: int,
    policy: str = "service",
    extra: dict[str, Any] | None = None,
    profile: str = "as-drawn",
) -> Course:
    """The visit of a seed under a policy, by a technician of a profile."""
    visit, technician, rng = visit_of(seed, profile=profile)
    with choosing(policy, default_rng(seed)):
        return play(oven_reasoner(), visit, technician, rng, extra)


def courses(
    seeds: Iterable[int],
    policy: str,
    extra: dict[str, Any] | None = None,
    processes: int = 2,
    kept: Path | None = None,
    profile: str = "as-drawn",
) -> list[Course]:
    """The visits of many seeds, in their order.

    `kept`: a file of JSON lines in which each visit is kept as soon as it has been played; those
    that it holds already are not played again.
    """
    wanted = list(seeds)
    done = dict(_read(kept)) if kept is not None and kept.exists() else {}
    left = [seed for seed in wanted if seed not in done]
    run = partial(course, policy=policy, extra=extra, profile=profile)
    with ProcessPoolExecutor(processes) as pool:
        for seed, found in zip(left, pool.map(run, left, chunksize=20), strict=True):
            done[seed] = found
            if kept is not None:
                with kept.open("a", encoding="utf-8") as lines:
                    lines.write(json.dumps({"seed": seed, **asdict(found)}) + "\n")
    return [done[seed] for seed in wanted]


def _read(kept: Path) -> Iterator[tuple[int, Course]]:
    for line in kept.read_text(encoding="utf-8").splitlines():
        fields = json.loads(line)
        seed = fields.pop("seed")
        fields["faults"], fields["left"] = tuple(fields["faults"]), tuple(fields["left"])
        fields["verdicts"] = [(remedy, p, good) for remedy, p, good in fields["verdicts"]]
        yield seed, Course(**fields)


def share(found: list[Course], result: str) -> float:
    """Percent of the visits that ended so."""
    return percent(one.result == result for one in found)


def percent(yes: Iterable[bool]) -> float:
    """How many of them hold."""
    return 100.0 * fmean(yes)


def row(name: str, found: list[Course]) -> str:
    """One line of the table."""
    return (
        f"| {name} | {len(found)} | {share(found, RIGHT):.1f} | {share(found, UNRESOLVED):.1f} | "
        f"{share(found, WRONG):.1f} | {fmean(one.checks for one in found):.1f} | "
        f"{fmean(one.minutes for one in found):.1f} | {sum(bool(one.unsafe) for one in found)} | "
        f"{percent(one.released is True for one in found):.1f} | "
        f"{sum(one.released is True and bool(one.left) for one in found)} |"
    )


HEAD = (
    "| symptom | visits | right % | unresolved % | wrong % | checks | minutes | unsafe "
    "| released % | released with a fault |\n"
    "|---|---|---|---|---|---|---|---|---|---|"
)


def table(found: list[Course]) -> str:
    """By symptom, and all."""
    by_symptom: dict[str, list[Course]] = defaultdict(list)
    for one in found:
        by_symptom[one.symptom].append(one)
    lines = [row(name, by_symptom[name]) for name in sorted(by_symptom)]
    return "\n".join([HEAD, *lines, row("all", found)])


def calibration(
    found: list[Course], bins: int = 10
) -> tuple[list[tuple[float, float, int]], float]:
    """Bins of (mean confidence, share right, verdicts), and the expected calibration error."""
    verdicts = sorted((p, good) for one in found for _, p, good in one.verdicts)
    if not verdicts:
        return [], 0.0
    size = max(1, len(verdicts) // bins)
    parts = [verdicts[i : i + size] for i in range(0, len(verdicts), size)]
    rows = [
        (fmean(p for p, _ in part), fmean(good for _, good in part), len(part)) for part in parts
    ]
    error = sum(abs(p - good) * count for p, good, count in rows) / len(verdicts)
    return rows, error


def main() -> None:
    """Print the report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--visits", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--policy", choices=POLICIES, action="append")
    parser.add_argument("--profile", choices=PROFILES, action="append", help="of the technician")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--kept", type=Path, default=None, help="folder of visits played before")
    parser.add_argument("--diagram", type=Path, default=None, help="SVG of the service's verdicts")
    parser.add_argument("--extra", type=json.loads, default=None, help="more of the request, JSON")
    chosen = parser.parse_args()
    seeds = range(chosen.seed, chosen.seed + chosen.visits)
    for policy, profile in product(chosen.policy or POLICIES, chosen.profile or ["as-drawn"]):
        kept = None if chosen.kept is None else chosen.kept / f"{policy}-{profile}.jsonl"
        found = courses(seeds, policy, chosen.extra, chosen.processes, kept, profile)
        print(f"\n## {policy}, {profile}\n\n{table(found)}\n")
        rows, error = calibration(found)
        print(f"expected calibration error {error:.3f}")
        if chosen.diagram is not None and policy == "service":
            draw(rows, error, chosen.diagram)
        for mean, right, count in rows:
            print(f"  confidence {mean:.3f}: right {right:.3f} of {count}")
        bad: dict[tuple[str, ...], int] = defaultdict(int)
        for one in found:
            if one.result != RIGHT:
                said = ",".join(f"{r}{'' if ok else '!'}" for r, _, ok in one.verdicts)
                bad[(one.result, one.symptom, "+".join(one.faults), said or one.status)] += 1
        for key, count in sorted(bad.items(), key=lambda pair: -pair[1])[:25]:
            print(f"  {count:4d} {' | '.join(key)}")
        for one in found:
            for line in one.unsafe[:1]:
                print(f"  UNSAFE {one.symptom} {one.faults}: {line}")


if __name__ == "__main__":
    main()
