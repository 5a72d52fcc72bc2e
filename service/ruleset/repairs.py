"""What a repair takes away."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

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


def clears(
    rule_set: RuleSet, cured: Collection[str], faults: Sequence[str], condition: str | None
) -> bool:
    """Whether the condition goes with the faults that a repair takes away.

    It does if one of these brings it about more readily than what is left: a new cutout conducts,
    though the fan that had it open stands still. A fault may be cured that is not among `faults`,
    if one of these causes it. A condition with parts of its own, such as a blown fuse, comes back
    with whatever is left to bring it about, unless it was a fault by itself (an aged fuse); what
    comes and goes goes on so.
    """
    if condition is None:
        return False
    by_itself = (rule_set.faults[name] for name in cured if name in faults)
    if any(one.effect and condition in one.conditions for one in by_itself):
        return True
    if rule_set.conditions[condition].parts or rule_set.conditions[condition].shows is not None:
        return False

    def brings(names: Iterable[str]) -> float:
        known = (rule_set.faults[name] for name in names if name in rule_set.faults)
        return max((one.conditions.get(condition, 0.0) for one in known), default=0.0)

    left = [name for name in faults if name not in cured]
    effects = {
        other for name in left if name in rule_set.faults for other in rule_set.faults[name].causes
    }
    gone = [name for name in cured if name in faults or name in effects]
    return brings(gone) > brings(left)
