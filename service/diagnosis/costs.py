"""Replace now or go on: expected costs, in minutes of work.

Acting on a remedy costs its minutes and its part, and a second visit if it does not cure. Going
on costs the next check, and then the best that can be done with its outcome: one step ahead, so
it is an upper bound of what going on costs (Heckerman, Breese & Rommelse 1995, CACM 38(3), do the
same with one observation ahead; from memory).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from service.diagnosis.arrays import Vector
from service.diagnosis.planning import Candidate
from service.diagnosis.states import BeliefModel
from service.ruleset.header import Costs
from service.ruleset.model import UNLISTED_FAULT, RuleSet


@dataclass(frozen=True, slots=True)
class Weighing:
    """The cheapest remedy now and its expected cost, the best check and the cost with it first."""

    remedy: str
    replace_now: float
    check: str | None
    go_on: float | None

    @property
    def worth_going_on(self) -> bool:
        """Whether another check is expected to save more than it costs."""
        return self.go_on is not None and self.go_on < self.replace_now


def losses(rule_set: RuleSet, model: BeliefModel, costs: Costs) -> Vector:
    """Cost of acting on each remedy in each state, (states, remedies), until it is cured.

    What does not cure leaves the right work still to do, on a second visit. Acting on
    `unlisted-fault` is giving up: nothing is replaced, and nothing cured.
    """
    work = np.array([_work(rule_set, name, costs) for name in model.remedies])
    only = model.needs_remedy.sum(axis=1, keepdims=True) == 1.0
    cures = only & (model.needs_remedy > 0.0)
    cures[:, model.remedies.index(UNLISTED_FAULT)] = False
    later = costs.second_visit + model.needs_remedy @ work
    out: Vector = work + np.where(cures, 0.0, later[:, None])
    return out


def _work(rule_set: RuleSet, name: str, costs: Costs) -> float:
    """Minutes and part of a remedy."""
    if name == UNLISTED_FAULT:
        return 0.0
    remedy = rule_set.remedies[name]
    return remedy.minutes + costs.price_classes[remedy.price_class].minutes


def weigh(
    rule_set: RuleSet,
    model: BeliefModel,
    costs: Costs,
    states: Vector,
    found: Iterable[Candidate],
) -> Weighing:
    """The weighing of a belief over states, (states,), with the checks that may be offered."""
    table = losses(rule_set, model, costs)
    now = states @ table
    best = int(np.argmin(now))
    after: dict[str, float] = {}
    for one in found:
        joint = states[:, None] * model.tables[one.check.id]  # (states, outcomes)
        after[one.check.id] = one.cost + float((joint.T @ table).min(axis=1).sum())
    check = min(after, key=lambda name: (round(after[name], 9), name), default=None)
    return Weighing(
        remedy=model.remedies[best],
        replace_now=float(now[best]),
        check=check,
        go_on=None if check is None else after[check],
    )
