"""The service's own way through each sub-problem, against the best way there is."""

from __future__ import annotations

from functools import cache
from statistics import fmean
from typing import Any

import pytest

from tests.optimum.compare import Comparison, Ends, by_confidence, by_costs
from tests.optimum.cut import SubProblem, cut
from tests.optimum.joint import world
from tests.optimum.problems import by_hand, drawn
from tests.optimum.report import confidence_table, cost_table
from tests.optimum.walk import Seen, reasoner_of, walk

BY_HAND = by_hand()
# The last is one where the likeliest remedy is not the one that costs least.
DRAWN = [drawn(seed) for seed in (*range(6), 9)]
ROUNDING = 1e-9

PROBLEMS = [*BY_HAND, *DRAWN]
named = pytest.mark.parametrize("problem", PROBLEMS, ids=lambda one: one.name)
# Ways of any length are searched for these; `tests.optimum.report` has all of them.
every_other = pytest.mark.parametrize("problem", PROBLEMS[::2], ids=lambda one: one.name)


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


@every_other
def test_without_costs_it_ends_where_it_says_and_no_sooner_than_can_be(
    problem: SubProblem,
) -> None:
    found = ended(problem)
    assert found.astray == ()
    assert found.service >= found.optimum - ROUNDING
    assert found.course.rechecks == 0.0
    assert sum(found.course.endings.values()) == pytest.approx(1.0)


@named
def test_by_costs_it_is_within_five_percent(problem: SubProblem) -> None:
    """Those picked by hand and those drawn by seed; the report has more of them."""
    # A long run that is taken too early, and a question that is asked too late.
    late = ("stops-mid-cycle", "stops-mid-cycle 4", "low-heat 9")
    most = 7.5 if problem.name in late else 5.0
    assert compared(problem).excess < most


def test_by_costs_it_is_within_two_percent_on_average() -> None:
    """Over all tested, the drawn ones too. Asking for a proof too early, or for what does not
    pay, costs more than that."""
    assert fmean(compared(problem).excess for problem in [*BY_HAND, *DRAWN]) < 2.0


@pytest.mark.parametrize("problem", [BY_HAND[4], DRAWN[4]], ids=lambda one: one.name)
def test_it_ends_early_only_where_going_on_does_not_pay(problem: SubProblem) -> None:
    """And never where the request wants to be surer than costs need."""
    rule_set = cut(problem)
    found, reasoner = world(rule_set, problem.symptom), reasoner_of(rule_set)
    early: dict[str, list[dict[str, Any]]] = {"by costs": [], "surer": []}

    def note(name: str) -> Seen:
        def seen(document: dict[str, Any], answer: dict[str, Any], done: str | None) -> None:
            if "not-worth-going-on" in {one["code"] for one in answer["reasons"]}:
                early[name].append(answer)

        return seen

    walk(reasoner, found, problem.symptom, {"costs": {}}, note("by costs"))
    surer = {"costs": {}, "required_confidence": 0.99}
    walk(reasoner, found, problem.symptom, surer, note("surer"))
    assert early["surer"] == []
    assert early["by costs"], "such ends are there"
    for answer in early["by costs"]:
        assert answer["status"] == "unresolved"
        assert answer["verdict"] is None
        cost = answer["expected_cost"]
        assert cost["go_on"] >= cost["replace_now"]
        assert cost["remedy"] in answer["reasons"][0]["text"]


def test_the_report_has_a_line_for_each_and_the_worst() -> None:
    found = [compared(problem) for problem in BY_HAND]
    lines = cost_table(found).splitlines()
    assert [line.split(" | ")[0] for line in lines[2:9]] == [f"| {one.name}" for one in BY_HAND]
    worst = max(found, key=lambda one: one.excess)
    assert lines[-1].endswith(f"worst {worst.excess:.1f} % ({worst.name})")
    sure = [ended(problem) for problem in BY_HAND]
    assert confidence_table(sure).count("\n") == len(BY_HAND) + 3
