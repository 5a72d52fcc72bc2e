"""Where the service ends without costs: sure enough and proven, or no check worth asking for.

The condition is worked out afresh for every set of answers at once, so that all orders of checks
can be held to the same end. It is well defined only without conflicts between readings, whose
second readings depend on the way: cut the rule set with `conflicts=False`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from service.ruleset.model import NO_FAULT, UNLISTED_FAULT, RuleSet
from tests.optimum.expectimax import Answered, Stopping, weights
from tests.optimum.joint import Array, World

# As documented: a part is shown by an outcome twice as likely as on a healthy part.
SHOWN = 2.0

Mask = NDArray[np.bool_]


def ends(rule_set: RuleSet, world: World, required: float) -> Stopping:
    """Stopping costs nothing where the service ends, and is not allowed elsewhere."""

    def cost(answered: Answered) -> Array:
        joint = weights(world, answered)
        leading = _leading(world, joint, required)
        proof = np.stack([_proven(rule_set, world, answered, row) for row in range(len(joint))])
        proven = _of(proof, leading)
        allowed = _of(_named(rule_set, world, answered, joint.shape[1:]), leading)
        allowed &= _of(_enough(rule_set, world, joint), leading)
        sure = leading >= 0
        nothing_left = ~_worth_asking(rule_set, world, answered, joint)
        done = (sure & proven & allowed) | (nothing_left & (proven | ~sure))
        return np.where(done, 0.0, np.inf)

    return cost


def _of(per_state: Mask, leading: NDArray[np.intp]) -> Mask:
    """The entry of the leading state, (outcomes...); of the first where none leads."""
    return np.asarray(np.take_along_axis(per_state, np.maximum(leading, 0)[None], axis=0)[0])


def _leading(world: World, joint: Array, required: float) -> NDArray[np.intp]:
    """The likeliest state of the likeliest fault of the remedy that is sure, -1 if none is."""
    names, right = [name for name, _ in world.states], list(world.remedy_of)
    by_remedy = _summed(right, joint)
    best = by_remedy.max(axis=0, keepdims=True)
    giving_up = _each([one == UNLISTED_FAULT for one in right], joint.ndim)
    # Of the states whose remedy is the top one, the fault; of that fault's states, the likeliest.
    by_fault = np.where(by_remedy == best, _summed(names, joint), -1.0)
    fault = by_fault == by_fault.max(axis=0, keepdims=True)
    state = np.asarray(np.where(fault, joint, -1.0).argmax(axis=0))
    sure = (by_remedy == best) & ~giving_up & (best >= required * joint.sum(axis=0))
    return np.where(sure.any(axis=0), state, -1)


def _enough(rule_set: RuleSet, world: World, joint: Array) -> Mask:
    """Whether the remedy of each state is as sure as its fault asks for by itself."""
    faults = rule_set.faults
    least = [faults[one].least_confidence if one in faults else 0.0 for one, _ in world.states]
    floor = np.array(least).reshape(-1, *[1] * (joint.ndim - 1))
    return np.asarray(_summed(list(world.remedy_of), joint) >= floor * joint.sum(axis=0))


def _summed(groups: list[str], joint: Array) -> Array:
    """For each state the sum over all states of its group, in the shape of `joint`."""
    same = np.array([[one == other for other in groups] for one in groups], dtype=float)
    return np.tensordot(same, joint, axes=1)


def _each(per_state: list[bool], dimensions: int) -> Mask:
    return np.array(per_state).reshape(-1, *[1] * (dimensions - 1))


def _proven(rule_set: RuleSet, world: World, answered: Answered, row: int) -> Mask:
    """Whether nothing is left to ask before that state's fault is a verdict, (outcomes...)."""
    shape = tuple(world.tables[one].shape[1] for one in answered)
    if world.states[row][0] == NO_FAULT:
        return np.full(shape, bool(answered))
    ratios = {
        name: world.tables[name][row] / np.array(check.default)
        for name, check in rule_set.checks.items()
    }
    showing = [name for name in world.checks if ratios[name].max() >= SHOWN]
    pool = [one for one in showing if rule_set.checks[one].scope == "component"] or showing
    out = np.full(shape, set(pool) <= set(answered))
    for axis, name in enumerate(answered):
        if name in pool:
            by_outcome = ratios[name] >= SHOWN
            out = out | by_outcome.reshape([-1 if i == axis else 1 for i in range(len(shape))])
    return out


def _named(rule_set: RuleSet, world: World, answered: Answered, shape: tuple[int, ...]) -> Mask:
    """Whether a state's fault may be named: "no fault" not beside what no proof lets pass."""
    normal = np.ones(shape, dtype=bool)
    for axis, name in enumerate(answered):
        check = rule_set.checks[name]
        passes = np.isin(world.outcomes[name], [*check.expected, *check.passes])
        normal = normal & passes.reshape([-1 if i == axis else 1 for i in range(len(shape))])
    return np.stack([normal | (name != NO_FAULT) for name, _ in world.states])


def _worth_asking(rule_set: RuleSet, world: World, answered: Answered, joint: Array) -> Mask:
    """Whether some other check promises enough bits about the remedy, (outcomes...)."""
    names = np.array(world.remedy_of)
    mass = joint.sum(axis=0)
    out = np.zeros(joint.shape[1:], dtype=bool)
    for check in world.checks:
        if check in answered:
            continue
        table = world.tables[check]
        further = joint[..., None] * table.reshape(len(table), *[1] * mass.ndim, -1)
        by_remedy = np.stack([further[names == one].sum(axis=0) for one in world.remedies])
        before = _plogp(by_remedy.sum(axis=-1)).sum(axis=0) - _plogp(mass)
        after = (_plogp(by_remedy).sum(axis=0) - _plogp(by_remedy.sum(axis=0))).sum(axis=-1)
        out |= after - before >= rule_set.tuning.least_information * mass
    return out


def _plogp(chances: Array) -> Array:
    """p·log2 p; 0 where p is 0."""
    return np.asarray(chances * np.log2(np.where(chances > 0.0, chances, 1.0)))
