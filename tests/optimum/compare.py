"""The service against the optimum on one sub-problem, by costs and by confidence."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from tests.optimum.cut import SubProblem, cut
from tests.optimum.expectimax import cheapest_remedy, perfect_information, solve
from tests.optimum.joint import places, world
from tests.optimum.regret import Regret, point
from tests.optimum.sure import ends
from tests.optimum.walk import Walk, reasoner_of, walk

# What the service asks for where a request says nothing.
CONFIDENCE = 0.9


@dataclass(frozen=True)
class Comparison:
    """Expected minutes of the service's way, and the least that there are."""

    name: str
    optimum: float
    service: float
    known: float  # with the state known for nothing
    course: Walk
    lost: Mapping[str, float]  # minutes, by kind of choice
    worst: tuple[tuple[float, str, str], ...]  # the dearest choices first: minutes, kind, where

    @property
    def excess(self) -> float:
        """What the service costs more, percent of the optimum."""
        return 100.0 * (self.service / self.optimum - 1.0)


def by_costs(problem: SubProblem) -> Comparison:
    """Checks, preparations and the loss of what is done at the end; costs of the rule set."""
    rule_set = cut(problem)
    found, where = world(rule_set, problem.symptom), places(rule_set)
    stopping = cache(cheapest_remedy(found))
    solved = solve(found, where, stopping)
    regret = Regret(found, where, stopping, solved)
    course = walk(reasoner_of(rule_set), found, problem.symptom, {"costs": {}}, regret.seen)
    return Comparison(
        problem.name,
        solved.least,
        course.total,
        perfect_information(found),
        course,
        dict(regret.by_kind),
        tuple(sorted(regret.worst, reverse=True)),
    )


@dataclass(frozen=True)
class Ends:
    """Expected minutes to the service's own end, the least, and where the two ends differ."""

    name: str
    optimum: float
    service: float
    course: Walk
    astray: tuple[dict[str, Any], ...]  # requests whose answer contradicts `sure.ends`

    @property
    def excess(self) -> float:
        """What the service takes longer, percent of the optimum."""
        return 100.0 * (self.service / self.optimum - 1.0)


def by_confidence(problem: SubProblem) -> Ends:
    """Checks and preparations until the verdict is sure and proven, or nothing is worth asking."""
    rule_set = cut(problem, conflicts=False)
    found = world(rule_set, problem.symptom)
    stopping = cache(ends(rule_set, found, CONFIDENCE))
    solved = solve(found, places(rule_set), stopping)
    astray = []

    def seen(document: dict[str, Any], answer: dict[str, Any], done: str | None) -> None:
        answered, index = point(found, document)
        if (stopping(answered)[index] == 0.0) != (answer["next_check"] is None):
            astray.append(document)

    required = {"required_confidence": CONFIDENCE}
    course = walk(reasoner_of(rule_set), found, problem.symptom, required, seen)
    return Ends(problem.name, solved.least, course.minutes, course, tuple(astray))
