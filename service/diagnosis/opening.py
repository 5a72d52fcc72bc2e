"""One run or one opening, many observations: what else is noted, and what is left to do in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.diagnosis.arrays import Vector
from service.diagnosis.case import Case
from service.diagnosis.chaining import Conclusions
from service.diagnosis.information import entropy
from service.diagnosis.planning import Candidate, Plan, may_be_offered, tells_enough
from service.diagnosis.precautions import at_hand
from service.diagnosis.states import BeliefModel
from service.ruleset.model import NO_FAULT, UNLISTED_FAULT, Check, RuleSet

# More than this nobody keeps in mind.
MOST_ALSO = 4
MOST_STEPS = 8
# How many faults a step names, and from which chance on.
MOST_FAULTS = 2
WORTH_NAMING = 0.02


@dataclass(frozen=True, slots=True)
class Step:
    """A check of the opening; what it shows where something is wrong."""

    check: Check
    abnormal: float  # P(it gives what a healthy part does not)
    faults: tuple[tuple[str, float], ...]  # (fault, P(the fault is there and it shows it))


@dataclass(frozen=True, slots=True)
class Opening:
    """What is done before the equipment is opened, closed or energised the next time."""

    also: tuple[Check, ...]  # noted along with the next check
    steps: tuple[Step, ...]
    minutes: float  # of the steps, without preparations
    abnormal: float  # P(at least one of the steps shows something)


def opening(
    rule_set: RuleSet,
    model: BeliefModel,
    states: Vector,
    chosen: Plan,
    offered: Sequence[Candidate],
) -> Opening:
    """What can be done along with the next check, most information a minute first.

    states: probabilities, (states,). offered: the checks without an answer that may be offered.
    """
    here = [one for one in offered if _together(rule_set, one.check, chosen.check)]
    worthy = [one for one in here if tells_enough(one, rule_set.tuning)]
    also = [] if chosen.preparation is not None else _also(rule_set, chosen.check, worthy)
    noted = {one.id for one in also}
    ordered = sorted(
        (one for one in worthy if one.check.id not in noted),
        key=lambda one: (not one.preferred, -round(one.information / one.work, 12), one.check.id),
    )
    enough = entropy(model, states)
    told, steps = 0.0, [chosen.check]
    for one in ordered:
        if len(steps) == MOST_STEPS or told >= enough:
            break
        steps.append(one.check)
        told += one.information
    silent = states.copy()
    for check in (*steps, *also):
        silent *= _normal(model, check)
    return Opening(
        also=tuple(also),
        steps=tuple(_step(model, states, check) for check in steps),
        minutes=sum(check.minutes for check in steps),
        abnormal=max(0.0, 1.0 - float(silent.sum())),
    )


def along(rule_set: RuleSet, case: Case, conclusions: Conclusions, chosen: Check) -> list[Check]:
    """What is seen or heard in a run that proves a repair: nobody hands back what stands still.

    Not at dead parts: an old mark there tells nothing of the repair.
    """
    if not rule_set.access[chosen.access].powered:
        return []
    seen = {one.check for one in case.readings if one.stage == len(case.repairs)}
    known = at_hand(rule_set, chosen)
    return [
        check
        for check in rule_set.checks.values()
        if check.id not in seen
        and check.asked_of == "technician"
        and may_be_offered(conclusions, case, check)
        and _together(rule_set, check, chosen)
        and _in_passing(rule_set, check, chosen, known)
    ][:MOST_ALSO]


def _in_passing(rule_set: RuleSet, check: Check, chosen: Check, known: set[str]) -> bool:
    """Whether a check needs no other tool, precaution or run than the chosen one."""
    return (
        check.in_passing
        and check.asked_of == chosen.asked_of
        and set(check.tools) <= set(chosen.tools)
        and at_hand(rule_set, check) <= known
    )


def _together(rule_set: RuleSet, check: Check, chosen: Check) -> bool:
    """Whether both want the equipment as it is for the one."""
    one, other = rule_set.access[check.access], rule_set.access[chosen.access]
    return (
        check.id != chosen.id
        and one.powered == other.powered
        and set(one.requires) == set(other.requires)
    )


def _also(rule_set: RuleSet, chosen: Check, worthy: Sequence[Candidate]) -> list[Check]:
    """What is seen or heard meanwhile, without another tool, precaution or run."""
    known = at_hand(rule_set, chosen)
    glances = [one for one in worthy if _in_passing(rule_set, one.check, chosen, known)]
    glances.sort(key=lambda one: (not one.preferred, -round(one.information, 12), one.check.id))
    return [one.check for one in glances[:MOST_ALSO]]


def _normal(model: BeliefModel, check: Check) -> Vector:
    """P(the check gives what a healthy part gives | state), (states,)."""
    columns = [check.outcomes.index(one) for one in check.expected]
    out: Vector = model.tables[check.id][:, columns].sum(axis=1)
    return out


def _step(model: BeliefModel, states: Vector, check: Check) -> Step:
    shows = states * (1.0 - _normal(model, check))
    size = len(model.hypotheses) + 1
    chances = np.bincount(model.first, shows, size) + np.bincount(model.second, shows, size)
    faults = [
        (name, chance)
        for name, chance in zip(model.hypotheses, chances.tolist(), strict=False)
        if chance >= WORTH_NAMING and name not in (NO_FAULT, UNLISTED_FAULT)
    ]
    faults.sort(key=lambda one: (-round(one[1], 12), one[0]))
    return Step(check, float(shows.sum()), tuple(faults[:MOST_FAULTS]))
