"""What the optimum is worked out from is what the service believes and counts."""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest

from service.diagnosis.case import read_case
from service.diagnosis.confirmations import withdrawn_with
from service.diagnosis.costs import losses
from service.diagnosis.planning import unmet
from service.ruleset.model import NO_FAULT, UNLISTED_FAULT, RuleSet
from tests.optimum.cut import SubProblem, cut
from tests.optimum.joint import places, prepare, world
from tests.optimum.problems import by_hand, drawn
from tests.optimum.walk import reasoner_of

PROBLEMS = [*by_hand(), *(drawn(seed) for seed in range(6))]


@pytest.mark.parametrize("problem", PROBLEMS, ids=lambda one: one.name)
def test_the_joint_distribution_and_the_losses_are_the_services(problem: SubProblem) -> None:
    rule_set = cut(problem)
    assert set(rule_set.faults) == {*problem.faults, NO_FAULT}
    assert set(rule_set.checks) == set(problem.checks)
    assert len(rule_set.faults) == len(rule_set.checks) == 8
    mine, model = world(rule_set, problem.symptom), reasoner_of(rule_set).model
    prior = np.exp(model.log_prior[problem.symptom])
    alone = {
        (state.faults[0], state.condition): row
        for row, state in enumerate(model.states)
        if len(state.faults) == 1
    }
    assert set(mine.states) == set(alone)
    rows = [alone[state] for state in mine.states]
    assert mine.prior == pytest.approx(prior[rows], abs=1e-12)
    assert mine.prior.sum() == pytest.approx(1.0)
    assert prior.sum() - prior[rows].sum() == pytest.approx(0.0, abs=1e-12)  # no second fault
    for check, table in mine.tables.items():
        assert table == pytest.approx(model.tables[check][rows], abs=1e-12)
        assert table.sum(axis=1) == pytest.approx(1.0)
    columns = [model.remedies.index(name) for name in mine.remedies]
    assert sorted(columns) == list(range(len(model.remedies)))
    theirs = losses(rule_set, model, rule_set.costs)[rows][:, columns]
    assert mine.loss == pytest.approx(theirs)
    assert UNLISTED_FAULT in mine.remedies


@pytest.mark.parametrize("problem", by_hand()[:3], ids=lambda one: one.name)
def test_preparations_are_counted_as_the_service_asks_for_them(problem: SubProblem) -> None:
    """Any order of checks, each prepared step by step as the service would ask."""
    rule_set = cut(problem)
    found, rng = places(rule_set), random.Random(problem.name)
    minutes = {step.confirms: step for step in rule_set.preparations.values()}
    closed_again = 0
    for _ in range(20):
        held: frozenset[str] = frozenset()
        confirmed: list[dict[str, Any]] = []
        readings: list[dict[str, str]] = []
        for name in rng.sample(problem.checks, len(problem.checks)):
            check, asked = rule_set.checks[name], 0.0
            for _ in range(10):
                document = {"symptom": problem.symptom, "readings": readings}
                case = read_case(rule_set, {**document, "confirmed": confirmed})
                waiting = unmet(rule_set, case, check)
                if not waiting:
                    break
                step = minutes[waiting[0]]
                gone = withdrawn_with(rule_set, case, step)
                confirmed = [one for one in confirmed if one["id"] not in gone]
                confirmed.append({"id": step.confirms, "after_reading": len(readings)})
                asked += step.minutes
                closed_again += step.confirms == "cover-fitted"
            held, spent = prepare(found, held, check.access)
            assert spent == asked
            assert held == {one["id"] for one in confirmed}
            readings.append({"check": name, "observed": check.outcomes[0]})
    assert closed_again > 0 or all(
        not rule_set.access[one.access].closes_with for one in rule_set.checks.values()
    )


def test_a_rule_set_with_second_faults_is_refused(oven: RuleSet) -> None:
    with pytest.raises(ValueError, match="two faults"):
        world(oven, "no-heat")
