"""What a repair takes away."""

from __future__ import annotations

from service.ruleset.model import NO_FAULT, RuleSet


def cured_by(rule_set: RuleSet, remedy: str) -> frozenset[str]:
    """The faults that a repair takes away: its own, and those whose parts it replaces."""
    done = rule_set.remedies[remedy]
    replaced = {*done.parts, *done.also_replace}

    def covers(other: str) -> bool:
        parts = rule_set.remedies[other].parts
        return other == remedy or (bool(parts) and replaced.issuperset(parts))

    return frozenset(
        fault.id
        for fault in rule_set.faults.values()
        if fault.id != NO_FAULT and covers(fault.remedy)
    )


def touched_by(rule_set: RuleSet, remedy: str) -> frozenset[str]:
    """The components that a repair replaces or works on."""
    return frozenset(rule_set.faults[fault].component for fault in cured_by(rule_set, remedy))
