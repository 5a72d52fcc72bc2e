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
SEEN = 0.8
# A reading that keeps changing is not taken more often than this.
MOST_READINGS = 3


def promised_again(
    rule_set: RuleSet, model: BeliefModel, findings: Sequence[Finding], belief: Belief
) -> dict[str, float]:
    """What each reading that may be taken again promises, in bits, by check.

    Not live ones, none a third time with the same outcome, and none that keeps changing.
    """
    times = _times(findings)
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
    times = _times(findings)
    return [
        name for name in checks if times[name] == 1 and model.persists[name] < SEEN_ONCE_FOR_ALL
    ]


def _times(findings: Iterable[Finding]) -> Counter[str]:
    """How often each check has been read since the last repair."""
    return Counter(one.check for one in findings if not one.reading.past)


def measured_once(
    rule_set: RuleSet, model: BeliefModel, standing: Mapping[str, Finding], fault: str
) -> list[str]:
    """The dead measurements that have shown a fault, and have been taken once only."""
    return [
        name
        for name in _shown_once(rule_set, model, standing, fault)
        if model.persists[name] < SEEN_ONCE_FOR_ALL
        and not rule_set.access[rule_set.checks[name].access].powered
    ]


def parts_shown_once(
    rule_set: RuleSet, model: BeliefModel, standing: Mapping[str, Finding], fault: str
) -> list[str]:
    """Checks of the part itself that have shown a fault, and have been read only once."""
    return [
        name
        for name in _shown_once(rule_set, model, standing, fault)
        if rule_set.checks[name].scope == "component"
    ]


def _shown_once(
    rule_set: RuleSet, model: BeliefModel, standing: Mapping[str, Finding], fault: str
) -> list[str]:
    return [one.check for one in _showing(rule_set, model, standing, fault) if not one.repeats]


def _showing(
    rule_set: RuleSet, model: BeliefModel, standing: Mapping[str, Finding], fault: str
) -> list[Finding]:
    """The findings that show a fault."""
    alone = int(model.alone[fault][0])
    return [one for one in standing.values() if shows(rule_set, model, one, alone)]


def read_twice(
    rule_set: RuleSet,
    model: BeliefModel,
    findings: Iterable[Finding],
    standing: Mapping[str, Finding],
    fault: str,
) -> list[str]:
    """Measurements that have shown a fault twice, and have not been taken a third time."""
    times = _times(findings)
    return [
        one.check
        for one in _showing(rule_set, model, standing, fault)
        if times[one.check] == 2 and one.repeats and model.persists[one.check] < SEEN_ONCE_FOR_ALL
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
    telling = []  # what has been found, and from which probability on it names a danger
    for one in standing.values():
        looked = model.persists[one.check] >= SEEN_ONCE_FOR_ALL
        if looked and not rule_set.checks[one.check].tools:
            telling.append((one, max(enough, SEEN)))
        elif one.repeats:
            telling.append((one, enough))
    found = []
    for name, fault in rule_set.faults.items():
        if fault.dangerous:
            alone = int(model.alone[name][0])
            chance = float(remedies[model.remedy_of[model.index(name)]])
            if any(
                chance >= least and shows(rule_set, model, one, alone) for one, least in telling
            ):
                found.append((name, chance))
    return max(found, key=lambda one: (one[1], chances[model.index(one[0])]), default=None)
