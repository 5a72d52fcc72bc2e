"""The service's own way through each sub-problem, against the best way there is."""

from __future__ import annotations

from functools import cache

import pytest

from tests.optimum.compare import Comparison, Ends, by_confidence, by_costs
from tests.optimum.cut import SubProblem
from tests.optimum.problems import by_hand, drawn
from tests.optimum.report import confidence_table, cost_table

BY_HAND = by_hand()
DRAWN = [drawn(seed) for seed in range(6)]
ROUNDING = 1e-9

named = pytest.mark.parametrize("problem", [*BY_HAND, *DRAWN], ids=lambda one: one.name)


@cache
def compared(problem: SubProblem) -> Comparison:
    return by_costs(problem)


@cache
def ended(problem: SubProblem) -> Ends:
    return by_confidence(problem)


@named
def test_no_way_beats_the_optimum_and_every_minute_lost_has_its_choice(problem: SubProblem) -> None:
    found = compared(problem)
    assert found.service >= found.optimum - ROUNDING
    assert found.optimum > found.known
    assert sum(found.course.endings.values()) == pytest.approx(1.0)
    assert set(found.course.endings) <= {"fault-found", "no-fault-found", "unresolved"}
    # All the choices together: nothing is lost in between, and the two trees are the same.
    assert sum(found.lost.values()) == pytest.approx(found.service - found.optimum, abs=1e-5)


@named
def test_without_costs_it_ends_where_it_says_and_no_sooner_than_can_be(
    problem: SubProblem,
) -> None:
    found = ended(problem)
    assert found.astray == ()
    assert found.service >= found.optimum - ROUNDING
    assert found.course.rechecks == 0.0
    assert sum(found.course.endings.values()) == pytest.approx(1.0)


@pytest.mark.parametrize("problem", BY_HAND, ids=lambda one: one.name)
def test_by_costs_it_is_within_five_percent_where_the_checks_fit_the_complaint(
    problem: SubProblem,
) -> None:
    """Those picked by hand. On those drawn by seed it is not: see the report."""
    assert compared(problem).excess < 5.0


def test_the_report_has_a_line_for_each_and_the_worst() -> None:
    found = [compared(problem) for problem in BY_HAND]
    lines = cost_table(found).splitlines()
    assert [line.split(" | ")[0] for line in lines[2:9]] == [f"| {one.name}" for one in BY_HAND]
    worst = max(found, key=lambda one: one.excess)
    assert lines[-1].endswith(f"worst {worst.excess:.1f} % ({worst.name})")
    sure = [ended(problem) for problem in BY_HAND]
    assert confidence_table(sure).count("\n") == len(BY_HAND) + 3
