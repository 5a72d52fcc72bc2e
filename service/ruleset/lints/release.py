"""What keeps equipment out of use after a repair must be known to the rule set."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from service.ruleset.lints.found import Found, Lint
from service.ruleset.model import Check, RuleSet

# A fault gives an outcome as a rule if it gives it more often than not.
MOSTLY = 0.5


def _danger_not_marked(rule_set: RuleSet) -> Iterator[Found]:
    """Work stops for an outcome that a fault mostly gives, so that fault is dangerous."""
    stopping = {
        (check, outcome)
        for rule in rule_set.rules
        if any(one.kind == "stop" for one in rule.consequences)
        for branch in rule.branches
        for check, outcome in _read(branch.all_of)
    }
    for fault in rule_set.faults.values():
        given = [
            (name, outcome)
            for name, outcome in sorted(stopping)
            if _chance(rule_set.checks[name], fault.id, outcome) > MOSTLY
        ]
        if given and not fault.dangerous:
            name, outcome = given[0]
            yield Found(
                "faults",
                fault.id,
                f"work stops where {name} reads {outcome}, as it mostly does here",
                "Give the fault `dangerous: true`, so that nothing with it is released.",
            )


def _chance(check: Check, fault: str, outcome: str) -> float:
    row = check.rows.get(fault)
    return 0.0 if row is None else row[check.outcomes.index(outcome)]


def _read(tokens: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    for token in tokens:
        kind, _, rest = token.partition("/")
        if kind in ("finding", "possible"):
            check, _, outcome = rest.partition("/")
            yield check, outcome


RELEASE: Mapping[str, Lint] = {"danger-not-marked": _danger_not_marked}
