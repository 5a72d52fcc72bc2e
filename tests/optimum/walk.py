"""The tree of the service's own answers, every outcome with its probability."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from service.diagnosis.assessment import Reasoner
from service.ruleset.model import RuleSet
from tests.optimum.joint import Array, World, no_fault_remedy
from tests.visits.confirm import confirm

# Nobody is asked more often than this.
MOST_STEPS = 60


def reasoner_of(rule_set: RuleSet) -> Reasoner:
    """The reasoner of a sub-problem, whose second faults have the probability 0."""
    with np.errstate(divide="ignore"):
        return Reasoner(rule_set)


# Shown every request, its answer and, where that ends the visit by costs, the remedy done.
Seen = Callable[[dict[str, Any], dict[str, Any], str | None], None]


@dataclass
class Walk:
    """What the service's way costs, in expectation, and how it ends."""

    minutes: float = 0.0  # of checks and preparations
    loss: float = 0.0  # of what is done at the end
    rechecks: float = 0.0  # minutes among those, spent on readings taken again
    endings: dict[str, float] = field(default_factory=dict)  # P(status)

    @property
    def total(self) -> float:
        """Expected minutes in all."""
        return self.minutes + self.loss


def walk(
    reasoner: Reasoner,
    world: World,
    symptom: str,
    extra: dict[str, Any] | None = None,
    seen: Seen | None = None,
) -> Walk:
    """Follow the service to each of its ends. `extra`: more of the request, such as `costs`.

    At an end, the remedy of the verdict is done, or "no fault found" is said. Where the service
    ends without either, the remedy is the one that its `expected_cost` names, which may be to
    give up; its loss is taken under the world's own posterior. A check read again shows the same.
    """
    out = Walk()
    remedies = {name: number for number, name in enumerate(world.remedies)}

    def step(document: dict[str, Any], joint: Array, depth: int) -> None:
        if depth > MOST_STEPS:
            raise AssertionError(f"no end of questions: {document}")
        answer = reasoner.assess(document)
        mass = float(joint.sum())
        asked = answer["next_check"]
        done = None
        if asked is None and answer["expected_cost"] is not None:
            done = _done(reasoner.rule_set, answer)
            out.loss += float(joint @ world.loss[:, remedies[done]])
        if seen is not None:
            seen(document, answer, done)
        if asked is None:
            status = answer["status"]
            out.endings[status] = out.endings.get(status, 0.0) + mass
            return
        name = asked["id"]
        if asked["kind"] == "preparation":
            out.minutes += mass * asked["minutes"]
            confirmed = confirm(document["confirmed"], asked)
            step({**document, "confirmed": confirmed}, joint, depth + 1)
            return
        spent = mass * world.minutes[name]
        out.minutes += spent
        outcomes = reasoner.rule_set.checks[name].outcomes
        told = {one["check"]: one["observed"] for one in document["readings"]}
        if name in told:
            out.rechecks += spent
            again = {"check": name, "observed": told[name]}
            step({**document, "readings": [*document["readings"], again]}, joint, depth + 1)
            return
        for number, outcome in enumerate(outcomes):
            reading = {"check": name, "observed": outcome}
            further = {**document, "readings": [*document["readings"], reading]}
            step(further, joint * world.tables[name][:, number], depth + 1)

    start = {"symptom": symptom, "readings": [], "confirmed": [], **(extra or {})}
    step(start, world.prior, 0)
    return out


def _done(rule_set: RuleSet, answer: dict[str, Any]) -> str:
    if answer["status"] == "no-fault-found":
        return no_fault_remedy(rule_set)
    if answer["verdict"] is not None:
        return str(answer["verdict"]["remedy"]["id"])
    return str(answer["expected_cost"]["remedy"])
