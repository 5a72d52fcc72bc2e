"""The optimum is the optimum: against every plan there is, and in its limits."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product

import pytest

from tests.optimum.cut import SubProblem, cut
from tests.optimum.expectimax import cheapest_remedy, perfect_information, solve
from tests.optimum.joint import Places, World, places, prepare, world
from tests.optimum.problems import by_hand, drawn


@dataclass(frozen=True)
class Plan:
    """A remedy, or a check with a plan for each of its outcomes."""

    does: str
    then: tuple[Plan, ...] = ()


def every_plan(world: World, checks: tuple[str, ...]) -> Iterator[Plan]:
    """All plans over some checks, each made at most once."""
    for remedy in world.remedies:
        yield Plan(remedy)
    for check in checks:
        rest = list(every_plan(world, tuple(one for one in checks if one != check)))
        for then in product(rest, repeat=len(world.outcomes[check])):
            yield Plan(check, then)


@dataclass(frozen=True)
class Case:
    """One outcome of every check, how probable it is, and what each remedy loses then."""

    shown: dict[str, int]
    chance: float
    loss: dict[str, float]  # times the chance


def all_cases(world: World) -> list[Case]:
    """Everything that the checks may show together."""
    out = []
    for outcomes in product(*(range(len(world.outcomes[one])) for one in world.checks)):
        shown = dict(zip(world.checks, outcomes, strict=True))
        joint = world.prior.copy()
        for check, outcome in shown.items():
            joint *= world.tables[check][:, outcome]
        loss = dict(zip(world.remedies, (joint @ world.loss).tolist(), strict=True))
        out.append(Case(shown, float(joint.sum()), loss))
    return out


def played(world: World, places: Places, plan: Plan, case: Case) -> float:
    """Minutes of a plan in one case, times its chance."""
    minutes, held = 0.0, frozenset[str]()
    while plan.then:
        held, spent = prepare(places, held, world.access[plan.does])
        minutes += spent + world.minutes[plan.does]
        plan = plan.then[case.shown[plan.does]]
    return minutes * case.chance + case.loss[plan.does]


def with_only(world: World, checks: tuple[str, ...], remedies: tuple[str, ...] = ()) -> World:
    """The world with fewer checks and, if named, fewer remedies to choose from."""
    kept = remedies or world.remedies
    columns = [world.remedies.index(one) for one in kept]
    return replace(world, checks=checks, remedies=kept, loss=world.loss[:, columns])


# Outside and inside, so that what is opened may have to be closed again; two outcomes each.
TINY = [
    ("stops-mid-cycle", ("door-latch", "cooling-fan"), ()),
    ("stops-mid-cycle", ("air-path", "cooling-fan"), ()),
    ("stops-mid-cycle", ("turntable", "air-path"), ()),
    (
        "stops-mid-cycle",
        ("turntable", "air-path", "cooling-fan"),
        ("clear-air-path", "replace-cooling-fan"),
    ),
    (
        "blows-fuse",
        ("display", "wiring-insulation", "filter-board-insulation"),
        ("repair-wiring", "replace-filter-board"),
    ),
]


@pytest.mark.parametrize(("name", "checks", "remedies"), TINY)
def test_it_is_the_best_of_all_plans(
    name: str, checks: tuple[str, ...], remedies: tuple[str, ...]
) -> None:
    """Every plan there is, played through every case that may be: some thousands of plans."""
    problem = next(one for one in by_hand() if one.name == name)
    rule_set = cut(problem)
    tiny, where = with_only(world(rule_set, problem.symptom), checks, remedies), places(rule_set)
    cases = all_cases(tiny)
    assert sum(case.chance for case in cases) == pytest.approx(1.0)
    best = min(
        sum(played(tiny, where, plan, case) for case in cases) for plan in every_plan(tiny, checks)
    )
    assert solve(tiny, where, cheapest_remedy(tiny)).least == pytest.approx(best, abs=1e-9)


@pytest.mark.parametrize("problem", [by_hand()[0], drawn(1)], ids=lambda one: one.name)
def test_more_checks_never_cost_and_never_beat_knowing_all(problem: SubProblem) -> None:
    rule_set = cut(problem)
    whole, where = world(rule_set, problem.symptom), places(rule_set)
    best = [
        solve(fewer, where, cheapest_remedy(fewer)).least
        for fewer in (with_only(whole, whole.checks[:count]) for count in range(9))
    ]
    assert best[0] == pytest.approx(float((whole.prior @ whole.loss).min()))
    assert best == sorted(best, reverse=True)
    assert best[-1] < best[0] - 1.0, "the checks are worth something"
    assert best[-1] > perfect_information(whole) + 1.0, "and cost something"


def test_checks_that_cost_nothing_are_all_made() -> None:
    """Then the optimum is the loss with every outcome known."""
    problem = by_hand()[0]
    rule_set = cut(problem)
    paid = with_only(world(rule_set, problem.symptom), problem.checks[:4])
    free = replace(paid, minutes=dict.fromkeys(paid.minutes, 0.0))
    where = places(rule_set)
    where = replace(where, minutes=dict.fromkeys(where.minutes, 0.0))
    known = sum(min(case.loss.values()) for case in all_cases(free))
    assert solve(free, where, cheapest_remedy(free)).least == pytest.approx(known)
