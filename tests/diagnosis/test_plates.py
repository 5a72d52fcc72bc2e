"""No verdict hangs on a plate that could have been read, and nobody reads one in vain."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from service.diagnosis.assessment import Reasoner, reasoner
from service.diagnosis.plates import SURE
from service.physics.units import from_si, si_unit
from service.ruleset.catalogue import Catalogue
from service.ruleset.model import Measure, RuleSet

READY = ["supply-disconnected", "capacitor-discharged"]


def _judged_by_plates(rule_set: RuleSet) -> list[tuple[str, Measure, str, str]]:
    """Check, measure, nameplate field and plate, for each limit that follows a plate."""
    return [
        (check.id, measure, name, plate.id)
        for check in rule_set.checks.values()
        for measure in check.measures
        for name in dict.fromkeys(one.nameplate for one in measure.limits if one.nameplate)
        for plate in rule_set.plates.values()
        if name in plate.fields
    ]


def _quantity(name: str, value: float, rule_set: RuleSet) -> dict[str, Any]:
    quantity = rule_set.nameplate[name].quantity or ""
    unit = rule_set.nameplate[name].unit or si_unit(quantity)
    return {"value": float(from_si(value, unit, quantity)), "unit": unit}


def _case(check: str, measure: Measure, value: float, **more: Any) -> dict[str, Any]:
    shown = float(from_si(value, measure.unit, measure.quantity))
    taken = {"check": check, "value": shown, "unit": measure.unit}
    return {"symptom": "low-heat", "readings": [taken], "confirmed": READY, **more}


def _spread(measure: Measure, rule_set: RuleSet, name: str) -> list[float]:
    """Values from far below the lowest limit to far above the highest, as the plate is assumed."""
    plate = float(rule_set.nameplate[name].default)
    limits = [
        one.factor * (plate if one.nameplate else 1.0) for one in measure.limits if one.factor
    ]
    least, most = min(limits) / 2, min(max(limits) * 2, measure.most or np.inf)
    return list(np.geomspace(max(least, measure.least or least), most, 25))


def test_there_are_plates_and_something_is_judged_by_each(oven: RuleSet) -> None:
    assert {plate for *_, plate in _judged_by_plates(oven)} == set(oven.plates)


def test_a_reading_that_the_plate_decides_asks_for_it(reasoner: Reasoner, oven: RuleSet) -> None:
    """And one that it does not decide asks for nothing: over all that can be measured."""
    asked = spared = 0
    for check, measure, name, plate in _judged_by_plates(oven):
        for value in _spread(measure, oven, name):
            document = _case(check, measure, value)
            answer = reasoner.assess(document)
            (found,) = answer["findings"]
            step = answer["next_check"]
            if found["probability"] < SURE:
                assert step is not None
                assert (step["id"], step["kind"], step["for_check"]) == (plate, "nameplate", check)
                assert name in [one["field"] for one in step["plate_fields"]]
                assert answer["verdict"] is None
                asked += 1
            else:
                assert step is None or step["kind"] != "nameplate"
                spared += 1
    assert asked > 20
    assert spared > 20


def test_once_it_is_read_or_cannot_be_it_is_asked_for_no_more(
    reasoner: Reasoner, oven: RuleSet
) -> None:
    for check, measure, name, plate in _judged_by_plates(oven):
        for value in _spread(measure, oven, name):
            unread = reasoner.assess(_case(check, measure, value, unavailable=[plate]))
            assert unread["next_check"] is None or unread["next_check"]["kind"] != "nameplate"
            stated = {
                one: _quantity(one, float(oven.nameplate[one].default), oven)
                for one in oven.plates[plate].fields
            }
            read = reasoner.assess(_case(check, measure, value, nameplate=stated))
            assert read["next_check"] is None or read["next_check"]["kind"] != "nameplate"


def test_what_is_sure_without_a_plate_is_so_with_every_plate(
    reasoner: Reasoner, oven: RuleSet
) -> None:
    """Of the supply: no nominal that the reading may be of makes it another outcome."""
    field = oven.nameplate["supply_voltage"]
    least, most = field.deviation
    sure = unsure = 0
    for volt in np.arange(80.0, 262.0, 1.5):
        reading = {"check": "outlet-voltage", "value": float(volt), "unit": "V"}
        document: dict[str, Any] = {"symptom": "low-heat", "readings": [reading]}
        (found,) = reasoner.assess(document)["findings"]
        outcomes = set()
        for nominal in field.nominals:
            if least * nominal <= volt <= most * nominal:
                plate = {"supply_voltage": {"value": nominal, "unit": "V"}}
                (told,) = reasoner.assess({**document, "nameplate": plate})["findings"]
                outcomes.add(told["outcome"])
        if found["probability"] >= SURE and outcomes:
            assert outcomes == {found["outcome"]}, volt
            sure += 1
        elif len(outcomes - {"inconclusive"}) > 1:
            unsure += 1
    assert sure > 40
    assert unsure > 10


@pytest.mark.parametrize("volt", [101.0, 103.5])
def test_a_low_nominal_is_not_deduced_from_the_reading_that_it_judges(
    reasoner: Reasoner, volt: float
) -> None:
    reading = {"check": "outlet-voltage", "value": volt, "unit": "V"}
    document = {"symptom": "low-heat", "readings": [reading], "unavailable": ["rating-plate"]}
    (found,) = reasoner.assess(document)["findings"]
    chances = {one["outcome"]: one["probability"] for one in found["probabilities"]}
    assert chances["low"] > 0.2
    assert chances["normal"] > 0.2


def test_a_proof_that_fails_for_an_unread_plate_asks_for_it(reasoner: Reasoner) -> None:
    """Five hundred and sixty watts of an oven whose rating nobody has stated."""
    document: dict[str, Any] = {
        "symptom": "low-heat",
        "phase": "verify-repair",
        "repairs": [{"remedy": "replace-magnetron", "readings_before": 0}],
        "readings": [{"check": "water-load-power", "value": 560, "unit": "W"}],
    }
    step = reasoner.assess(document)["next_check"]
    assert (step["id"], step["kind"]) == ("rating-plate", "nameplate")
    small = {"rated_output": {"value": 600, "unit": "W"}}
    answer = reasoner.assess({**document, "nameplate": small})
    proofs = {one["check"]: one["result"] for one in answer["release"]["proof"]}
    assert proofs["water-load-power"] == "passed"


def test_a_plate_behind_the_cover_waits_for_what_is_to_be_confirmed(reasoner: Reasoner) -> None:
    reading = {"check": "capacitor-capacitance", "value": 0.76, "unit": "uF"}
    document = {"symptom": "low-heat", "readings": [reading], "confirmed": []}
    step = reasoner.assess(document)["next_check"]
    assert step["kind"] == "preparation"
    assert "Label" in step["why"]


def test_a_plate_is_known_where_checks_are_and_nowhere_else(catalogue: Catalogue) -> None:
    engine = reasoner(catalogue, "tumble-dryer")
    assert not engine.rule_set.plates
    described = {one.id for one in catalogue.get("microwave-oven").plates.values()}
    assert described.isdisjoint(catalogue.get("microwave-oven").checks)
