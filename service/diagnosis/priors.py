"""How probable states are before any reading, given the complaint; and given that it stays.

A state is one fault or two, and a condition (`service.diagnosis.states`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from service.diagnosis.arrays import Vector
from service.ruleset.model import NO_FAULT, UNLISTED_FAULT, Fault, RuleSet


def prior(
    rule_set: RuleSet,
    symptom: str,
    groups: list[tuple[str, ...]],
    shares: Mapping[tuple[str, ...], Mapping[str | None, float]],
) -> Vector:
    """P(state | symptom), (states,).

    A fault alone: its rate times P(symptom | fault), less what is left to its pairs. One that
    causes another: rate times P(other | one), and either may be what was complained of. Two that
    meet by chance: the complaint is one's, the other is there with the share `second_fault`, as
    often as its rate among all faults says, or as often as it goes `unnoticed`.
    """
    tuning, faults = rule_set.tuning, rule_set.faults
    everything = _all_rates(rule_set)
    weights: dict[tuple[str, ...], float] = {}
    for group in groups:
        if group == (UNLISTED_FAULT,):
            continue
        one = faults[group[0]]
        if len(group) == 1:
            alone = 1.0 - math.fsum(one.causes.values())
            if one.id != NO_FAULT:
                alone *= 1.0 - tuning.second_fault
            weights[group] = one.rate * _complains(rule_set, symptom, one) * alone
        else:
            weights[group] = math.fsum(_complained_of(rule_set, symptom, group, everything))
    listed = (1.0 - tuning.unlisted_share) / math.fsum(weights.values())
    chances = {group: listed * weight for group, weight in weights.items()}
    chances[(UNLISTED_FAULT,)] = tuning.unlisted_share
    return np.array(
        [
            chances[group] * chance
            for group in groups
            for chance in _given(rule_set, group, shares[group], symptom).values()
        ]
    )


def _all_rates(rule_set: RuleSet) -> float:
    return math.fsum(one.rate for one in rule_set.faults.values() if one.id != NO_FAULT)


def _complains(rule_set: RuleSet, symptom: str, fault: Fault) -> float:
    """P(symptom | fault)."""
    return fault.symptoms.get(symptom, rule_set.tuning.symptom_floor)


def _complained_of(
    rule_set: RuleSet, symptom: str, pair: tuple[str, ...], everything: float
) -> tuple[float, float]:
    """How often both faults are there and the first, or the second, is complained of."""
    tuning = rule_set.tuning
    one, other = (rule_set.faults[name] for name in pair)
    heard, heard_too = (_complains(rule_set, symptom, fault) for fault in (one, other))
    if other.id in one.causes:
        both = one.rate * one.causes[other.id] / 2.0
        return both * heard, both * heard_too
    first, second = (
        fault.unnoticed
        if fault.unnoticed is not None
        else tuning.second_fault * fault.rate / everything
        for fault in (one, other)
    )
    return one.rate * heard * second, other.rate * heard_too * first


def stays(
    rule_set: RuleSet, symptom: str, states: Sequence[tuple[str, ...]]
) -> tuple[Vector, Vector]:
    """P(the complaint stays | the first of two faults is left), and the same for the second.

    It stays if the fault that is left was complained of, or brings the same complaint.
    states: the faults of each. Both are (states,), 0 where there is one fault.
    """
    everything = _all_rates(rule_set)
    known: dict[tuple[str, ...], tuple[float, float]] = {}
    for faults in states:
        if len(faults) == 2 and faults not in known:
            first, second = _complained_of(rule_set, symptom, faults, everything)
            heard, heard_too = (
                _complains(rule_set, symptom, rule_set.faults[name]) for name in faults
            )
            both = first + second or 1.0  # 0 where no second fault is ever there
            known[faults] = (first + second * heard) / both, (second + first * heard_too) / both
    chances = np.array([known.get(faults, (0.0, 0.0)) for faults in states])
    return chances[:, 0].copy(), chances[:, 1].copy()


def _given(
    rule_set: RuleSet,
    group: tuple[str, ...],
    shares: Mapping[str | None, float],
    symptom: str,
) -> dict[str | None, float]:
    """P(condition | faults, symptom): the shares weighed, or fixed where the complaint fixes one.

    Nothing is fixed for an effect, which is the condition itself, nor for the unlisted fault.
    """
    known = [rule_set.faults[name] for name in group if name in rule_set.faults]
    bringing = [fault for fault in known if not fault.effect]
    effects = [fault for fault in known if fault.effect]
    fixed: dict[str | None, float] = {}
    weighed: dict[str | None, float] = {}
    for condition, share in shares.items():
        one = rule_set.conditions.get(condition or "")
        brought = any(condition in fault.conditions for fault in bringing)
        brought &= not any(condition in fault.conditions for fault in effects)
        if one is not None and brought and symptom in one.given_symptom:
            fixed[condition] = one.given_symptom[symptom]
        else:
            weighed[condition] = share * (
                one.symptom_weights.get(symptom, 1.0) if one is not None else 1.0
            )
    rest = (1.0 - math.fsum(fixed.values())) / math.fsum(weighed.values())
    out = fixed | {condition: rest * weight for condition, weight in weighed.items()}
    return {condition: out[condition] for condition in shares}
