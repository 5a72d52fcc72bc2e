"""Faults that come and go: what no check shows is said, and never claimed away."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from service.diagnosis.assessment import Reasoner
from service.ruleset.catalogue import Catalogue
from service.ruleset.model import NO_FAULT
from tests.diagnosis.documents import request

GOOD = (
    "display=lit",
    "oscillation-indicator=lit",
    "water-load-power=985 W",
    "outlet-voltage=119 V",
    "lamp=lit",
    "turntable=turning",
    "cooling-fan=turning",
    "keypad=responds",
    "repeated-starts=each-time",
)


def test_a_fault_at_rest_shows_only_where_the_part_is_worked(
    reasoner: Reasoner, catalogue: Catalogue
) -> None:
    raw = catalogue.source("microwave-oven").documents["checks"].data["checks"]
    catching = {one["id"] for one in raw if "catches" in one} | {"repeated-starts"}
    catching |= {one["id"] for one in raw if one.get("asked_of") == "customer"}
    assert {"primary-interlock-switch", "wiring-continuity", "long-run"} <= catching
    model = reasoner.model
    healthy = model.alone[NO_FAULT][0]
    assert model.dormant.sum() >= 10
    for check, table in model.tables.items():
        if check in catching:
            continue
        resting, outcomes = table[model.dormant], list(reasoner.rule_set.checks[check].outcomes)
        rested = np.tile(table[healthy], (len(resting), 1))
        if "not-fitted" in outcomes:  # a part that rests is there: of those that are, as healthy
            fitted = [place for place, name in enumerate(outcomes) if name != "not-fitted"]
            resting, rested = resting[:, fitted], rested[:, fitted]
            resting = resting / resting.sum(axis=1, keepdims=True)
            rested = rested / rested.sum(axis=1, keepdims=True)
        assert resting == pytest.approx(rested, abs=1e-12), check


def test_it_is_not_looked_at_beside_another_fault(reasoner: Reasoner) -> None:
    resting = [
        s
        for s, at_rest in zip(reasoner.model.states, reasoner.model.dormant, strict=True)
        if at_rest
    ]
    assert {len(state.faults) for state in resting} == {1}


def found(reasoner: Reasoner, symptom: str, *more: str) -> dict[str, Any]:
    plate = {"supply_voltage": {"value": 120, "unit": "V"}, "high_voltage_supply": "transformer"}
    plate["rated_output"] = {"value": 1000, "unit": "W"}
    document = request(symptom, *GOOD, *more, confirmed=[], nameplate=plate)
    return reasoner.assess(document)


def chance(answer: dict[str, Any]) -> float:
    """That nothing is wrong."""
    rows = {one["fault"]: one["probability"] for one in answer["hypotheses"]}
    return float(rows[NO_FAULT])


def test_nothing_found_names_what_may_come_back(reasoner: Reasoner) -> None:
    answer = found(reasoner, "no-heat")
    assert answer["status"] == "no-fault-found"
    assert answer["verdict"] is None
    chances = {one["fault"]: one["probability"] for one in answer["hypotheses"]}
    assert 0.2 < chances[NO_FAULT] < 0.9, "nothing is claimed that the checks cannot tell"
    told = {one["code"]: one["text"] for one in answer["reasons"]}
    assert list(told) == ["no-fault-present", "may-come-and-go"]
    assert "primary-interlock-open" in told["may-come-and-go"]
    assert "at present" in told["no-fault-present"]


def test_what_is_seen_to_act_is_not_at_rest(reasoner: Reasoner) -> None:
    answer = found(reasoner, "no-heat", "secondary-interlock-switch=OL")
    assert answer["status"] != "no-fault-found"
    codes = {one["code"] for one in answer["reasons"]}
    assert "may-come-and-go" not in codes


def test_a_complaint_that_nothing_intermittent_makes_is_claimed_with_more(
    reasoner: Reasoner,
) -> None:
    """Poor heating comes from use far more often than from a loose contact."""
    poor = found(reasoner, "low-heat", "stirrer=not-fitted")
    none = found(reasoner, "no-heat")

    assert chance(poor) > chance(none)


def test_what_shows_now_and_then_lies_between_the_fault_and_a_healthy_part(
    reasoner: Reasoner, catalogue: Catalogue
) -> None:
    """Of every check and every fault that flickers; worked out here from what the author wrote."""
    rule_set = reasoner.rule_set
    raw = catalogue.source("microwave-oven").documents["checks"].data["checks"]
    caught = {one["id"]: max(one.get("catches", 0.0), 0.45) for one in raw}
    resting = {name for name, one in rule_set.conditions.items() if one.shows is not None}
    tried = 0
    for fault in rule_set.faults.values():
        if "flickers" not in fault.conditions:
            continue
        acting = {c: p for c, p in fault.conditions.items() if c not in resting}
        acting_none = 1.0 - sum(fault.conditions.values())
        for check in rule_set.checks.values():
            if check.id == "repeated-starts":
                continue  # has rows of its own
            rows = {c: np.array(check.row(fault.id, c, 0.5)) for c in (None, *acting)}
            while_acting = acting_none * rows[None] + sum(p * rows[c] for c, p in acting.items())
            while_acting = while_acting / (acting_none + sum(acting.values()))
            share = caught[check.id]
            at_rest = np.array(check.default)
            if "not-fitted" in check.outcomes:  # it is there at both times, or at neither
                none = check.outcomes.index("not-fitted")
                at_rest *= (1.0 - while_acting[none]) / (1.0 - at_rest[none])
                at_rest[none] = while_acting[none]
            expected = share * while_acting + (1.0 - share) * at_rest
            assert check.row(fault.id, "flickers", 0.5) == pytest.approx(expected), check.id
            tried += 1
    assert tried > 1000


def test_a_contact_that_is_worked_shows_what_a_single_look_misses(reasoner: Reasoner) -> None:
    """Six starts that heat each time speak against a loose contact more than one that heats."""
    once = found(reasoner, "no-heat")
    document = request("no-heat", *GOOD[:-1], confirmed=[])
    before = reasoner.assess(document)

    assert chance(once) > 1.15 * chance(before)


@pytest.mark.parametrize("equipment", ["microwave-oven", "tumble-dryer"])
def test_a_part_that_comes_and_goes_is_fitted(catalogue: Catalogue, equipment: str) -> None:
    """Its check says "not fitted" no more often at rest than while the fault acts."""
    rule_set, mixed = catalogue.get(equipment), 0
    rests = {one.id for one in rule_set.conditions.values() if one.shows is not None}
    for check in rule_set.checks.values():
        if "not-fitted" not in check.outcomes:
            continue
        none = check.outcomes.index("not-fitted")
        for (fault, condition), row in check.given.items():
            if condition not in rests or fault not in check.rows:
                continue
            acting = [check.rows[fault][none]] + [
                check.given[fault, other][none]
                for other in rule_set.faults[fault].conditions
                if other not in rests and (fault, other) in check.given
            ]
            assert row[none] <= max(acting) + 1e-12, (check.id, fault, condition)
            assert sum(row) == pytest.approx(1.0)
            mixed += 1
    assert mixed > 0 or equipment == "tumble-dryer"
