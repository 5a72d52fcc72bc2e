"""What a repair may leave behind that can hurt somebody: the chance of it, and what tells.

A belief is moved through the repairs that are not yet proven, as if the work were good but for the
share `new_part_faulty`; what is read after them weighs it like any reading.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import numpy as np

from service.diagnosis.arrays import Vector
from service.diagnosis.belief import likelihood, normalised, there
from service.diagnosis.findings import Finding
from service.diagnosis.information import information_about
from service.diagnosis.states import BeliefModel
from service.ruleset.model import NO_FAULT, RuleSet

# A check tells of a danger if it promises this share of what there is to know about it.
TELLS = 0.2


def left_by(
    rule_set: RuleSet, model: BeliefModel, states: Vector, remedies: Iterable[str]
) -> Vector:
    """The probabilities of the states, (states,), after these repairs, if the complaint is gone.

    Where no repair took a fault away, the cause of the complaint is still there and only rests.
    """
    tuning = rule_set.tuning
    itself = np.arange(len(states))
    uncured = states.copy()
    cured = np.zeros_like(states)
    healthy = model.alone[NO_FAULT]
    cured[healthy], uncured[healthy] = states[healthy], 0.0
    for remedy in remedies:
        goes_to = model.repairs[remedy].goes_to
        good = (1.0 - tuning.new_part_faulty) * (goes_to != itself)
        moved = np.bincount(goes_to, weights=cured + good * uncured, minlength=len(states))
        cured = moved.astype(np.float64)
        uncured = (1.0 - good) * uncured
    left = cured + tuning.complaint_rests * uncured
    whole: Vector = left / left.sum()
    return whole


def given(model: BeliefModel, states: Vector, findings: Iterable[Finding]) -> Vector:
    """The same once these findings, all of the equipment as it is now, are known."""
    with np.errstate(divide="ignore"):
        log = np.log(states)
    for finding in sorted(findings, key=lambda one: one.check):
        log = log + likelihood(model, finding)[1]
    return normalised(log)


def dangers(rule_set: RuleSet, model: BeliefModel, states: Vector) -> dict[str, float]:
    """The dangerous faults that are more probable than `released_risk`, the most probable first.

    Faults that rest are left out: no check tells of them, so nothing would ever be released.
    """
    chances = there(model, np.where(model.dormant, 0.0, states))
    found = {
        name: float(chances[model.index(name)])
        for name, fault in rule_set.faults.items()
        if fault.dangerous
    }
    risky = [name for name, chance in found.items() if chance > rule_set.tuning.released_risk]
    return {name: found[name] for name in sorted(risky, key=lambda one: (-found[one], one))}


def if_good(
    rule_set: RuleSet, model: BeliefModel, states: Vector, accepted: Mapping[str, Iterable[str]]
) -> Vector:
    """The probabilities of the states, (states,), if each check gives one of the outcomes here."""
    out = states
    for name in sorted(accepted):
        outcomes = rule_set.checks[name].outcomes
        columns = [outcomes.index(one) for one in accepted[name]]
        out = out * model.tables[name][:, columns].sum(axis=1)
    whole: Vector = out / out.sum()
    return whole


def telling(
    rule_set: RuleSet,
    model: BeliefModel,
    states: Vector,
    fault: str,
    chance: float,
    checks: Iterable[str],
) -> str | None:
    """The check that tells most of a fault per minute: a dead one if any tells. None if none does.

    chance: the probability of the fault.
    """
    bits = {name: information_about(model, states, fault, name) for name in dict.fromkeys(checks)}
    good = [name for name in bits if tells(bits[name], chance)]
    dead = [name for name in good if not rule_set.access[rule_set.checks[name].access].powered]
    return min(
        dead or good,
        key=lambda one: (-bits[one] / rule_set.checks[one].minutes, one),
        default=None,
    )


def tells(bits: float, chance: float) -> bool:
    """Whether so much information about something of this probability is worth asking for."""
    entropy = -sum(p * math.log2(p) for p in (chance, 1.0 - chance) if p > 0.0)
    return bits >= TELLS * entropy
