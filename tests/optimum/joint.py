"""The joint distribution, the losses and the minutes of a small rule set, worked out afresh.

Only numbers are taken from the rule set; nothing here comes from `service.diagnosis`. Priors and
rows are those of the oracle, which judges the service's belief. One fault at a time: the
sub-problems have no second fault.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.ruleset.model import NO_FAULT, UNLISTED_FAULT, RuleSet
from tests.diagnosis.oracle import Oracle

Array = NDArray[np.float64]
State = tuple[str, str | None]  # a fault and the condition in which it has left the equipment


@dataclass(frozen=True)
class World:
    """All that decides: what may be, what shows, what mistakes and work cost."""

    states: tuple[State, ...]
    prior: Array  # (states,), sums to 1
    checks: tuple[str, ...]
    outcomes: Mapping[str, tuple[str, ...]]  # by check
    tables: Mapping[str, Array]  # by check: P(outcome | state), (states, outcomes)
    remedies: tuple[str, ...]  # `unlisted-fault` among them: to give up
    loss: Array  # (states, remedies), minutes
    remedy_of: tuple[str, ...]  # by state
    minutes: Mapping[str, float]  # by check, risk counted as minutes, without preparations
    access: Mapping[str, str]  # by check


def world(rule_set: RuleSet, symptom: str) -> World:
    """The world of a rule set without second faults and causes, for one complaint."""
    tuning, costs = rule_set.tuning, rule_set.costs
    faults = rule_set.faults.values()
    if tuning.second_fault or any(one.causes or one.unnoticed for one in faults):
        raise ValueError("two faults at once are not worked out here")
    oracle = Oracle(rule_set)
    prior: dict[State, float] = {
        (faults[0], condition): chance
        for (faults, condition), chance in oracle.prior(symptom).items()
        if len(faults) == 1
    }
    remedy_of = tuple(
        UNLISTED_FAULT if name == UNLISTED_FAULT else rule_set.faults[name].remedy
        for name, _ in prior
    )
    remedies = tuple(sorted(set(remedy_of)))
    work = {UNLISTED_FAULT: 0.0}
    for name in rule_set.remedies:
        one = rule_set.remedies[name]
        work[name] = one.minutes + costs.price_classes[one.price_class].minutes
    cures = np.array(
        [[one == right != UNLISTED_FAULT for one in remedies] for right in remedy_of], dtype=bool
    )
    wrong = np.array([costs.second_visit + work[right] for right in remedy_of])
    return World(
        states=tuple(prior),
        prior=np.array(list(prior.values())),
        checks=tuple(rule_set.checks),
        outcomes={name: check.outcomes for name, check in rule_set.checks.items()},
        tables={
            name: np.array([oracle.row(name, ((fault,), condition)) for fault, condition in prior])
            for name in rule_set.checks
        },
        remedies=remedies,
        loss=np.array([work[one] for one in remedies]) + np.where(cures, 0.0, wrong[:, None]),
        remedy_of=remedy_of,
        minutes={
            name: check.minutes + (tuning.live_risk_minutes if check.live else 0.0)
            for name, check in rule_set.checks.items()
        },
        access={name: check.access for name, check in rule_set.checks.items()},
    )


@dataclass(frozen=True)
class Places:
    """What has to be prepared before a check at each place, and what closing takes back."""

    requires: Mapping[str, tuple[str, ...]]
    closes_with: Mapping[str, tuple[str, ...]]
    withdrawn_by: Mapping[str, tuple[str, ...]]
    minutes: Mapping[str, float]  # by what a preparation confirms


def places(rule_set: RuleSet) -> Places:
    """The places of a rule set."""
    return Places(
        {name: one.requires for name, one in rule_set.access.items()},
        {name: one.closes_with for name, one in rule_set.access.items()},
        {name: one.withdrawn_by for name, one in rule_set.precautions.items()},
        {one.confirms: one.minutes for one in rule_set.preparations.values()},
    )


def prepare(found: Places, holding: frozenset[str], access: str) -> tuple[frozenset[str], float]:
    """What holds once a place is ready, from what holds before it, and the minutes for that.

    Equipment that was opened is closed before it is energised; to open it again, all that
    closing took back is done anew. Nobody prepares by halves, so it is open exactly while
    something holds that closing takes back.
    """
    needed = list(found.requires[access])
    for one in found.closes_with[access]:
        if any(one in found.withdrawn_by[other] for other in holding):
            needed.append(one)
    spent = 0.0
    for one in needed:
        if one in holding:
            continue
        spent += found.minutes[one]
        against = {other for other in holding if one in found.withdrawn_by[other]}
        against |= set(found.withdrawn_by[one])
        holding = (holding - against) | {one}
    return holding, spent


def no_fault_remedy(rule_set: RuleSet) -> str:
    """The remedy of a visit that ends with "no fault found"."""
    return rule_set.faults[NO_FAULT].remedy
