"""Faults, checks and what joins them: what would silently mislead."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise

from service.physics.calculations import CALCULATIONS
from service.ruleset.limits import limit_edge
from service.ruleset.lints.found import Found, Lint
from service.ruleset.model import NO_FAULT, Check, Limit, RuleSet
from service.ruleset.near import hint, sentence

# So much likelier than with every part good must some outcome be for a check to show a fault.
TELLING = 2.0


def _limits_out_of_order(rule_set: RuleSet) -> Iterator[Found]:
    """At the assumed nameplate and at both ends of each field that a limit follows."""
    for check in rule_set.checks.values():
        for measure in check.measures:
            names = {limit.nameplate for limit in measure.limits if limit.nameplate}
            ends: list[dict[str, float]] = [{}]
            for name in sorted(names):
                field = rule_set.nameplate[name]
                ends += [{name: end} for end in (field.least, field.most) if end is not None]
            for values in ends:
                edges = [_at(rule_set, limit, values) for limit in measure.limits]
                if any(low >= high for low, high in pairwise(edges)):
                    where = f" with {values}" if values else ""
                    yield Found(
                        "checks",
                        check.id,
                        f"a limit is not above the one before it{where}",
                        "Order the outcomes from low to high, each limit above the last.",
                        ("measures",),
                    )
                    break


def _at(rule_set: RuleSet, limit: Limit, values: Mapping[str, float]) -> float:
    if limit.nameplate is None:
        return limit.factor
    assumed = float(rule_set.nameplate[limit.nameplate].default)
    return limit_edge(limit, values.get(limit.nameplate, assumed)).value


def _unknown_calculation(rule_set: RuleSet) -> Iterator[Found]:
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


def _row_for_no_fault(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        if NO_FAULT in check.rows:
            yield Found(
                "checks",
                check.id,
                f"a row for {NO_FAULT}, beside the default one",
                "Drop the row: with no fault the default row holds.",
                ("rows",),
            )


def _unconfirmable_fault(rule_set: RuleSet) -> Iterator[Found]:
    for fault in rule_set.faults.values():
        if fault.id == NO_FAULT:
            continue
        conditions = tuple(fault.conditions)
        if not any(_shows(check, fault.id, conditions) for check in rule_set.checks.values()):
            yield Found(
                "faults",
                fault.id,
                "no check can confirm this fault",
                "Give it a row in a check in which some outcome is at least twice as likely.",
            )


def _shows(check: Check, fault: str, conditions: tuple[str, ...]) -> bool:
    rows = [check.row(fault, condition, 0.0) for condition in (None, *conditions)]
    return any(
        p >= TELLING * healthy
        for row in rows
        for p, healthy in zip(row, check.default, strict=True)
    )


def _no_fault_missing(rule_set: RuleSet) -> Iterator[Found]:
    if NO_FAULT not in rule_set.faults:
        yield Found(
            "faults",
            NO_FAULT,
            f"the hypothesis {NO_FAULT!r} is missing",
            "List it: nothing may be wrong, or what is wrong may come and go.",
        )
    elif not rule_set.faults[NO_FAULT].verdict_needs:
        yield Found(
            "faults",
            NO_FAULT,
            "nothing proves that there is no fault",
            "Name in `verdict_needs` the checks that do.",
        )


def _effect_without_cause(rule_set: RuleSet) -> Iterator[Found]:
    for fault in rule_set.faults.values():
        if fault.effect and not fault.verdict_needs:
            yield Found(
                "faults",
                fault.id,
                "an effect whose causes nothing rules out",
                "Name in `verdict_needs` the checks that do.",
                ("effect",),
            )


MODELLING: Mapping[str, Lint] = {
    "limits-out-of-order": _limits_out_of_order,
    "unknown-calculation": _unknown_calculation,
    "row-for-no-fault": _row_for_no_fault,
    "unconfirmable-fault": _unconfirmable_fault,
    "no-fault-missing": _no_fault_missing,
    "effect-without-cause": _effect_without_cause,
}
