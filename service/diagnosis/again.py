"""Readings that are taken again: which, what a second one promises, what two of them prove."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from service.diagnosis.arrays import Vector
from service.diagnosis.belief import Belief, by_remedy, there
from service.diagnosis.findings import INCONCLUSIVE, Finding
from service.diagnosis.information import information_again
from service.diagnosis.states import BeliefModel
from service.diagnosis.verdict import shows
from service.ruleset.model import RuleSet

# The same eyes see the same again: from this share of repeated misreadings on nobody looks twice.
SEEN_ONCE_FOR_ALL = 0.5
# A danger that was only seen must be as probable as this to be named: eyes err more than meters.
SEEN = 0.7
# A reading that keeps changing is not taken more often than this.
MOST_READINGS = 3


def promised_again(
    rule_set: RuleSet, model: BeliefModel, findings: Sequence[Finding], belief: Belief
) -> dict[str, float]:
    """What each reading that may be taken again promises, in bits, by check.

    Not live ones, none a third time with the same outcome, and none that keeps changing.
    """
    times = Counter(finding.check for finding in findings if not finding.reading.past)
    readable = [
        one
        for one in findings
        if one.stands
        and not one.repeats
        and one.outcome != INCONCLUSIVE
        and times[one.check] < MOST_READINGS
        and not rule_set.checks[one.check].live
        and model.persists[one.check] < SEEN_ONCE_FOR_ALL
    ]
    return information_again(model, belief.states, readable)


def read_once(model: BeliefModel, findings: Iterable[Finding], checks: Iterable[str]) -> list[str]:
    """Those of the checks, looks apart, that have one reading only since the last repair."""
    times = Counter(one.check for one in findings if not one.reading.past)
    return [
        name for name in checks if times[name] == 1 and model.persists[name] < SEEN_ONCE_FOR_ALL
    ]


def measured_once(
    rule_set: RuleSet, model: BeliefModel, standing: Mapping[str, Finding], fault: str
) -> list[str]:
    """The dead measurements that have shown a fault, and have been taken once only."""
    alone = int(model.alone[fault][0])
    return [
        name
        for name, finding in standing.items()
        if not finding.repeats
        and model.persists[name] < SEEN_ONCE_FOR_ALL
        and shows(rule_set, model, finding, alone)
        and not rule_set.access[rule_set.checks[name].access].powered
    ]


def parts_shown_once(
    rule_set: RuleSet, model: BeliefModel, standing: Mapping[str, Finding], fault: str
) -> list[str]:
    """Checks of the part itself that have shown a fault, and have been read only once."""
    alone = int(model.alone[fault][0])
    return [
        name
        for name, finding in standing.items()
        if rule_set.checks[name].scope == "component"
        and not finding.repeats
        and shows(rule_set, model, finding, alone)
    ]


def danger_found_twice(
    rule_set: RuleSet, model: BeliefModel, states: Vector, standing: Mapping[str, Finding]
) -> tuple[str, float] | None:
    """The likeliest dangerous fault that has been measured more than once or seen, if it is
    likely enough, and how probably its remedy is needed.

    The equipment stays out of use until that part is good, so less has to be proven. A second
    look would show what the first did.
    states: probabilities, (states,).
    """
    enough = rule_set.tuning.danger_read_twice
    remedies, chances = by_remedy(model, states), there(model, states)
    found = []
    for name, fault in rule_set.faults.items():
        if not fault.dangerous:
            continue
        chance = float(remedies[model.remedy_of[model.index(name)]])
        for one in standing.values():
            seen = model.persists[one.check] >= SEEN_ONCE_FOR_ALL
            if (
                (seen or one.repeats)
                and chance >= (max(enough, SEEN) if seen else enough)
                and shows(rule_set, model, one, int(model.alone[name][0]))
            ):
                found.append((name, chance))
    return max(found, key=lambda one: (one[1], chances[model.index(one[0])]), default=None)
