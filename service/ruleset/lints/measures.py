"""Checks as measurements: outcomes, limits, and what a reading of them means."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from itertools import pairwise

from service.physics.calculations import CALCULATIONS, evaluate
from service.problems import sentence
from service.ruleset.limits import limit_edge
from service.ruleset.lints.found import Found, Lint
from service.ruleset.model import Limit, Measure, RuleSet
from service.ruleset.near import hint

# What a finding is called that is none of a check's outcomes.
RESERVED = ("inconclusive", "invalid")


def _outcomes_overlap(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        for index, measure in enumerate(check.measures):
            twice = {one for one in measure.outcomes if measure.outcomes.count(one) > 1}
            for outcome in sorted(twice):
                yield Found(
                    "checks",
                    check.id,
                    f"the outcome {outcome!r} covers two spans of {measure.quantity}",
                    "Give each span an outcome of its own, such as too-low and too-high.",
                    ("measures", index),
                )


def _same_quantity_twice(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        for index, measure in enumerate(check.measures):
            if measure.quantity in [one.quantity for one in check.measures[:index]]:
                yield Found(
                    "checks",
                    check.id,
                    f"two ways to measure a {measure.quantity}, of which the first always counts",
                    "Make one measure of them, or two checks.",
                    ("measures", index),
                )


def _reserved_outcome(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        for outcome in RESERVED:
            if outcome in check.outcomes:
                yield Found(
                    "checks",
                    check.id,
                    f"an outcome called {outcome!r}",
                    "That is what a reading is called that decides nothing: choose another word.",
                    ("outcomes",),
                )


def _edges(rule_set: RuleSet, measure: Measure) -> Iterator[tuple[str, list[float]]]:
    """The limits at the assumed nameplate and at both ends of each field that they follow."""
    names = measure.nameplate_fields
    for name in names:
        field = rule_set.nameplate[name]
        for word, end in (("least", field.least), ("most", field.most)):
            if end is not None:
                edges = [_at(rule_set, limit, {name: end}) for limit in measure.limits]
                yield f" at the {word} of {name}", edges
    yield "", [_at(rule_set, limit, {}) for limit in measure.limits]


def _at(rule_set: RuleSet, limit: Limit, values: Mapping[str, float]) -> float:
    if limit.nameplate is None:
        return limit.factor
    assumed = float(rule_set.nameplate[limit.nameplate].default)
    return limit_edge(limit, values.get(limit.nameplate, assumed)).value


def _limits_out_of_order(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        for index, measure in enumerate(check.measures):
            for where, edges in _edges(rule_set, measure):
                if any(low >= high for low, high in pairwise(edges)):
                    yield Found(
                        "checks",
                        check.id,
                        f"a limit is not above the one before it{where}",
                        "Order the outcomes from low to high, each limit above the last.",
                        ("measures", index),
                    )
                    break


def _measure_bounds(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        for index, measure in enumerate(check.measures):
            least = -math.inf if measure.least is None else measure.least
            most = math.inf if measure.most is None else measure.most
            for where, edges in _edges(rule_set, measure):
                if least >= most or not all(least < edge < most for edge in edges):
                    yield Found(
                        "checks",
                        check.id,
                        f"a limit lies outside `least` to `most`{where}",
                        "Readings on the far side of it would be refused: mend one of the two.",
                        ("measures", index),
                    )
                    break


def _reading_condition(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        ids = [one.id for one in check.conditions]
        for index, one in enumerate(check.conditions):
            if one.id in ids[:index]:
                wrong = "a second condition"
            elif one.least is not None and one.most is not None and one.least > one.most:
                wrong = "nothing can meet the condition"
            elif one.quantity is None and set(one.accept) == set(one.choices):
                wrong = "everything meets the condition"
            else:
                continue
            yield Found(
                "checks",
                check.id,
                f"{wrong} {one.id!r}",
                "A condition parts the readings that count from those that do not.",
                ("conditions", index),
            )


def _test_voltage(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        rule = check.test_voltage
        if rule is None:
            continue
        if not {one.quantity for one in check.measures} & {"resistance", "voltage"}:
            wrong = "a test voltage, and the check measures neither resistance nor voltage"
        elif rule.outcome in rule.confused_with or not rule.confused_with:
            wrong = "an outcome is confused with others, not with itself or with none"
        elif not rule.assumed > 0.0 or not rule.least > 0.0:
            wrong = "a test voltage is above 0"
        else:
            continue
        yield Found(
            "checks",
            check.id,
            wrong,
            "Say which outcome a meter of a low test voltage takes for which others.",
            ("test_voltage",),
        )


def _not_a_calculation(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        if check.calculation is None:
            continue
        if check.calculation not in CALCULATIONS:
            yield Found(
                "checks",
                check.id,
                f"unknown calculation {check.calculation!r}",
                sentence(hint("calculation", check.calculation, CALCULATIONS)),
                ("calculation",),
            )
        elif not check.measures:
            yield Found(
                "checks",
                check.id,
                "a calculation makes a reading, and this check is not measured",
                "Give it `measures`, or drop the calculation.",
                ("calculation",),
            )
        elif not _gives(check.calculation, check.measures[0].quantity):
            yield Found(
                "checks",
                check.id,
                f"{check.calculation!r} gives no reading of a {check.measures[0].quantity}",
                "Name a calculation that stands for such a reading, or drop it.",
                ("calculation",),
            )


def _gives(calculation: str, quantity: str) -> bool:
    """Whether a calculation stands for a reading, and of this quantity."""
    found = CALCULATIONS[calculation]
    given = {output.quantity for output in found.outputs}
    return quantity in given and evaluate(calculation, found.example).measured is not None


MEASURES: Mapping[str, Lint] = {
    "outcomes-overlap": _outcomes_overlap,
    "same-quantity-twice": _same_quantity_twice,
    "reserved-outcome": _reserved_outcome,
    "limits-out-of-order": _limits_out_of_order,
    "measure-bounds": _measure_bounds,
    "reading-condition": _reading_condition,
    "test-voltage": _test_voltage,
    "not-a-calculation": _not_a_calculation,
}
