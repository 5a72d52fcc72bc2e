"""How the cost of an assessment grows, as a table and a plot (a script, not a test).

python tests/bench/growth.py [PLOT.svg]

All in one process and one run; what counts is each figure beside the first of its kind. Sizes come
from the oven's rule set: its faults are multiplied (with remedies of their own, so that no two are
alike to the arithmetic), or left out; rules are generated joins as in bench_inference. Nothing is
kept between cases unless it says so.
"""

from __future__ import annotations

import math
import random
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import matplotlib as mpl
from matplotlib.figure import Figure

from service.api.cases import load_case
from service.diagnosis.assessment import Reasoner
from service.inference.engine import Chainer
from service.ruleset.catalogue import Catalogue
from service.ruleset.model import NO_FAULT, RuleSet
from tests.bench.bench_inference import rule_list
from tests.bench.make_cases import cases

ROUNDS = 5
Row = tuple[str, int, float]


def best(work: Callable[[Any], object], each: Sequence[Any], rounds: int = ROUNDS) -> float:
    """Seconds of processor time for each of these, the least of some rounds."""
    took = math.inf
    for _ in range(rounds):
        start = time.process_time()
        for one in each:
            work(one)
        took = min(took, time.process_time() - start)
    return took


def with_faults(rule_set: RuleSet, count: int) -> RuleSet:
    """The rule set with so many faults besides the one that nothing is wrong."""
    named = [name for name in rule_set.faults if name != NO_FAULT]
    every = set(rule_set.faults)
    faults = {NO_FAULT: rule_set.faults[NO_FAULT]}
    remedies, rows = dict(rule_set.remedies), {}
    for number in range(count):
        one, turn = rule_set.faults[named[number % len(named)]], number // len(named)
        name = f"{one.id}-{turn}" if turn else one.id
        remedy = f"{one.remedy}-{turn}" if turn else one.remedy
        remedies[remedy] = replace(rule_set.remedies[one.remedy], id=remedy)
        component = f"{one.component}-{turn}" if turn else one.component
        faults[name] = replace(one, id=name, remedy=remedy, component=component, causes={})
        rows[name] = one.id
    checks = {
        name: replace(
            check, rows={new: check.rows[old] for new, old in rows.items() if old in check.rows}
        )
        for name, check in rule_set.checks.items()
    }
    rules = tuple(
        replace(
            rule,
            consequences=tuple(
                replace(c, targets=tuple(t for t in c.targets if t in faults or t not in every))
                for c in rule.consequences
            ),
        )
        for rule in rule_set.rules
    )
    return replace(rule_set, faults=faults, remedies=remedies, checks=checks, rules=rules)


def of_cases(rule_set: RuleSet) -> list[Row]:
    documents = [load_case(c) for c in cases(1600) if c["equipment"] == rule_set.equipment]
    out = []
    for count in (100, 200, 400, 800):
        reasoner = Reasoner(rule_set, answers_kept=0)
        reasoner.chainer.run(())
        out.append(("cases, nothing kept", count, best(reasoner.assess, documents[:count], 1)))
    for count in (100, 200, 400, 800):
        reasoner = Reasoner(rule_set)
        for one in documents:
            reasoner.assess(one)
        out.append(("cases, answers kept", count, best(reasoner.assess, documents[:count])))
    return out


def of_rules() -> list[Row]:
    out = []
    for count in (50, 100, 200, 400):
        rules = rule_list(count)
        rng = random.Random(6)
        base = sorted({t for rule in rules for t in rule.all_of if not t.startswith("state/")})
        given = [rng.sample(base, min(20, len(base))) for _ in range(50)]
        chainer = Chainer(rules, memo_size=0)
        chainer.run(())
        out.append(("rules, chaining", count, best(chainer.run, given)))
    return out


def of_faults(rule_set: RuleSet) -> list[Row]:
    documents = [load_case(c) for c in cases(200) if c["equipment"] == rule_set.equipment]
    out = []
    for count in (20, 40, 80, 140, 200):
        reasoner = Reasoner(with_faults(rule_set, count), answers_kept=0)
        known = [one for one in documents if not one.get("repairs")][:6]
        for one in known:
            reasoner.assess(one)
        states = len(reasoner.model.states)
        took = best(reasoner.assess, known)
        print(f"  {count} faults are {states} states", flush=True)
        out.append(("faults", count, took))
    return out


def of_readings(rule_set: RuleSet) -> list[Row]:
    """A healthy oven, read over and over; what would make rules stop it is left out."""
    reasoner = Reasoner(rule_set, answers_kept=0)
    checks = [one for one in rule_set.checks.values() if not one.measures and not one.conditions]
    checks += [one for one in rule_set.checks.values() if one.measures and not one.conditions]
    out = []
    for count in (1, 5, 10, 20, 40):
        readings: list[dict[str, Any]] = [
            {"check": one.id, "observed": one.expected[0]} for one in checks[:count]
        ]
        if len(readings) < count:
            raise SystemExit(f"the rule set has no {count} checks")
        case = {"equipment": rule_set.equipment, "symptom": "no-heat", "readings": readings}
        document = load_case(case)
        reasoner.assess(document)
        out.append(("readings", count, best(reasoner.assess, [document] * 5)))
    return out


def table(rows: Sequence[Row]) -> None:
    first: dict[str, tuple[int, float]] = {}
    last: dict[str, tuple[int, float]] = {}
    print(f"{'what':24} {'size':>6} {'times size':>11} {'times cost':>11} {'exponent':>9}")
    for what, size, cost in rows:
        base_size, base_cost = first.setdefault(what, (size, cost))
        exponent = ""
        if what in last:
            before, took = last[what]
            exponent = f"{math.log(cost / took) / math.log(size / before):.2f}"
        last[what] = (size, cost)
        shown = f"{size / base_size:11.1f} {cost / base_cost:11.2f} {exponent:>9}"
        print(f"{what:24} {size:6} {shown}")


def plot(rows: Sequence[Row], path: Path) -> None:
    kinds = list(dict.fromkeys(what for what, _, _ in rows))
    figure = Figure(figsize=(6.4, 4.4), layout="constrained")
    axes = figure.subplots()
    for kind, marker in zip(kinds, "osd^v", strict=False):
        sizes, costs = zip(*[(s, c) for what, s, c in rows if what == kind], strict=True)
        axes.plot(
            [s / sizes[0] for s in sizes], [c / costs[0] for c in costs], marker=marker, label=kind
        )
    span = (1, 10)
    axes.plot(span, span, color="grey", linestyle=":", label="in proportion")
    axes.set(
        xscale="log",
        yscale="log",
        xlabel="size, as a multiple of the smallest",
        ylabel="cost, as a multiple of that",
    )
    axes.grid(True, which="both", linewidth=0.3)
    axes.legend(frameon=False)
    with mpl.rc_context({"svg.hashsalt": "ohmpath", "svg.fonttype": "none"}):
        figure.savefig(path, format="svg", metadata={"Date": None})


def main() -> None:
    oven = Catalogue.load().get("microwave-oven")
    rows = [*of_cases(oven), *of_rules(), *of_faults(oven), *of_readings(oven)]
    table(rows)
    if len(sys.argv) > 1:
        plot(rows, Path(sys.argv[1]))


if __name__ == "__main__":
    main()
