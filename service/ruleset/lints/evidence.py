"""What checks tell: rows, expected outcomes, and whether a check is of any use."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from service.ruleset.lints.found import Found, Lint
from service.ruleset.model import NO_FAULT, RuleSet

# Three times what the microwave oven has; a request takes as long as there are numbers.
MOST_NUMBERS = 4_000_000
_OF_CHECKS = ("finding", "possible", "answered", "earlier")


def _too_many_states(rule_set: RuleSet) -> Iterator[Found]:
    """Faults in pairs, each with its conditions, by outcomes: what the belief works on."""
    sets = [frozenset(fault.conditions) for fault in rule_set.faults.values()]
    states = sum(1 + len(one | other) for at, one in enumerate(sets) for other in sets[at:])
    numbers = states * sum(len(check.outcomes) for check in rule_set.checks.values())
    if numbers > MOST_NUMBERS:
        yield Found(
            "faults",
            "",
            f"up to {numbers} numbers to work on, of pairs of faults by outcomes of checks",
            f"The limit is {MOST_NUMBERS}: join faults with the same remedy, or drop conditions.",
        )


def _row_for_no_fault(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        # Who complains of good equipment tells other things than who has a fault in another part.
        if NO_FAULT in check.rows and check.asked_of != "customer":
            yield Found(
                "checks",
                check.id,
                f"a row for {NO_FAULT}, beside the default one",
                "Drop the row: with no fault the default row holds.",
                ("rows",),
            )


def _unexpected_default(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        likely = zip(check.outcomes, check.default, strict=True)
        if math.fsum(p for outcome, p in likely if outcome in check.expected) <= 0.5:
            yield Found(
                "checks",
                check.id,
                "by its default row a healthy part mostly reads as faulty",
                "Let the `expected` outcomes have more than half of the default row.",
                ("default",),
            )


def _healthy_part_fails(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        lacking = [one for one in check.expected if one not in check.passes]
        if lacking:
            yield Found(
                "checks",
                check.id,
                f"{lacking[0]!r} is expected of a healthy part, and fails the proof of a repair",
                "Let `passes` hold every outcome of `expected`.",
                ("passes",),
            )


def _idle_check(rule_set: RuleSet) -> Iterator[Found]:
    """A check that tells no fault from another, and that nothing else asks for."""
    asked = {*rule_set.after_every_repair}
    for symptom in rule_set.symptoms.values():
        asked |= {*symptom.proven_by, *(one for group in symptom.verdict_needs for one in group)}
    for fault in rule_set.faults.values():
        asked |= {one for group in fault.verdict_needs for one in group}
    for remedy in rule_set.remedies.values():
        asked |= set(remedy.checks_after)
    for field in rule_set.nameplate.values():
        asked |= set(field.deduce_from)
    for rule in rule_set.rules:
        for branch in rule.branches:
            tokens = [token.split("/") for token in (*branch.all_of, *branch.none_of)]
            asked |= {rest[0] for kind, *rest in tokens if kind in _OF_CHECKS}
    asked |= {one.name for one in rule_set.predicates if one.subject == "reading"}
    for check in rule_set.checks.values():
        rows = [*check.rows.values(), *check.given.values()]
        if check.id not in asked and all(row == check.default for row in rows):
            yield Found(
                "checks",
                check.id,
                "it tells no fault from another, and nothing else asks for it",
                "Give it rows that differ from the default one, or drop it.",
                ("rows",),
            )


def _instead_of_itself(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        if check.id in check.instead:
            yield Found(
                "checks",
                check.id,
                "it stands in for itself",
                "Name in `instead` another check that shows the same.",
                ("instead",),
            )


EVIDENCE: Mapping[str, Lint] = {
    "too-many-states": _too_many_states,
    "row-for-no-fault": _row_for_no_fault,
    "unexpected-default": _unexpected_default,
    "healthy-part-fails": _healthy_part_fails,
    "idle-check": _idle_check,
    "instead-of-itself": _instead_of_itself,
}
