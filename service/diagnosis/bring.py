"""What to bring to the visit: tools for what may be asked, parts that may be needed.

A part is worth bringing if the second visit that it may save, times the probability that it is
needed, is worth more than carrying it unused; all in minutes of work.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from service.diagnosis.arrays import Vector
from service.diagnosis.belief import there
from service.diagnosis.case import Case
from service.diagnosis.chaining import Conclusions
from service.diagnosis.confirmations import closing_precautions
from service.diagnosis.states import BeliefModel
from service.ruleset.model import RuleSet

# So many faults are named for a part, if they have this share in its being needed.
FAULTS_NAMED = 3
NAMED_FROM = 0.02


@dataclass(frozen=True, slots=True)
class Part:
    """A part, how probably it is needed, and for which faults."""

    id: str
    probability: float
    price_class: str
    faults: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Bring:
    """Tools by id with the checks and steps that need them, and parts, most probable first."""

    tools: tuple[tuple[str, tuple[str, ...]], ...]
    parts: tuple[Part, ...]


def bring(
    rule_set: RuleSet,
    model: BeliefModel,
    case: Case,
    conclusions: Conclusions,
    states: Vector,
    information: Mapping[str, float],
    proof: Iterable[str],
) -> Bring:
    """What to bring, by the belief so far.

    `information`: what each check promises, in bits; `proof`: the checks after the repair.
    """
    return Bring(
        _tools(rule_set, case, conclusions, information, proof),
        _parts(rule_set, model, states),
    )


def _tools(
    rule_set: RuleSet,
    case: Case,
    conclusions: Conclusions,
    information: Mapping[str, float],
    proof: Iterable[str],
) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """The tools of every check that would tell something or prove the repair, and of its steps."""
    telling = [
        name
        for name in rule_set.checks
        if name not in case.answered | case.unavailable | conclusions.barred
        and information[name] >= rule_set.tuning.least_information
    ]
    wanted = [rule_set.checks[name] for name in dict.fromkeys([*telling, *proof])]
    users: dict[str, dict[str, None]] = {}
    for check in wanted:
        for tool in check.tools:
            users.setdefault(tool, {})[check.id] = None
    before = {need for check in wanted for need in rule_set.access[check.access].requires}
    if before:  # what has been opened is closed up again
        before |= closing_precautions(rule_set)
    for step in rule_set.preparations.values():
        if step.confirms in before:
            for tool in step.tools:
                users.setdefault(tool, {})[step.id] = None
    return tuple((tool, tuple(users[tool])) for tool in rule_set.tools if tool in users)


def _parts(rule_set: RuleSet, model: BeliefModel, states: Vector) -> tuple[Part, ...]:
    classes: dict[str, str] = {}
    for remedy in rule_set.remedies.values():
        for part in remedy.parts:
            classes.setdefault(part, remedy.price_class)
    chances = (states @ model.needs_part).tolist()
    costs = rule_set.costs
    prices = [classes.get(part, "none") for part in model.parts]
    worth = [
        chance * costs.second_visit > costs.price_classes[price].carry
        for chance, price in zip(chances, prices, strict=True)
    ]
    found = []
    for row, (part, chance, price) in enumerate(zip(model.parts, chances, prices, strict=True)):
        if worth[row]:
            faults = there(model, model.needs_part[:, row] * states)
            order = np.argsort(-faults, kind="stable")[:FAULTS_NAMED]
            named = [model.hypotheses[i] for i in order if faults[i] > NAMED_FROM * chance]
            found.append(Part(part, chance, price, tuple(named)))
    return tuple(sorted(found, key=lambda one: (-round(one.probability, 9), one.id)))
