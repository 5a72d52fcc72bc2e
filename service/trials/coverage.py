"""What of a rule set no case exercises: rules that never fire, outcomes never read, faults never
found."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from service.ruleset.model import NO_FAULT, RuleSet


def coverage(rule_set: RuleSet, assessments: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    """By `rules`, `outcomes` (as check/outcome) and `faults`: how many there are, and `missed`.

    A rule is exercised by firing, an outcome by being what a reading was classified as, a fault by
    being the verdict or found beside it.
    """
    fired: set[str] = set()
    read: set[str] = set()
    found: set[str] = set()
    for one in assessments:
        fired |= {rule["rule"] for rule in one["explanation"]["rules"]}
        read |= {f"{each['check']}/{each['outcome']}" for each in one["findings"]}
        if one["status"] == "no-fault-found":
            found.add(NO_FAULT)
        if one["verdict"] is not None:
            found.add(one["verdict"]["fault"])
            found |= {each["fault"] for each in one["verdict"]["also_found"]}
    outcomes = [f"{check.id}/{one}" for check in rule_set.checks.values() for one in check.outcomes]
    return {
        "rules": _missed((rule.id for rule in rule_set.rules), fired),
        "outcomes": _missed(outcomes, read),
        "faults": _missed(rule_set.faults, found),
    }


def _missed(known: Iterable[str], seen: set[str]) -> dict[str, Any]:
    names = list(known)
    return {"known": len(names), "missed": [name for name in names if name not in seen]}
