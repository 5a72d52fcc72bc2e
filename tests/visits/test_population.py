"""Visits: the mix of ovens and faults, and complaints that come from what the oven does."""

from __future__ import annotations

from collections import Counter
from time import perf_counter

import numpy as np
import pytest

from service.api.request_schemas import CaseSchema
from tests.visits.customer import NEAR, SYMPTOMS, WITHOUT_CAUSE
from tests.visits.faults import DRAWS
from tests.visits.population import FREQUENCY, KINDS, Visit, draw_visit, remedies_for


@pytest.fixture(scope="module")
def visits() -> list[Visit]:
    rng = np.random.default_rng(2024)
    started = perf_counter()
    found = [draw_visit(rng) for _ in range(1500)]
    print(f"{len(found) / (perf_counter() - started):.0f} visits drawn a second")
    return found


def test_every_fault_has_a_frequency_and_every_symptom_its_words() -> None:
    assert set(FREQUENCY) == set(DRAWS)
    assert sum(KINDS.values()) == pytest.approx(1)
    assert set(NEAR) == set(WITHOUT_CAUSE) == set(SYMPTOMS)
    assert sum(WITHOUT_CAUSE.values()) == pytest.approx(1)


def test_the_mix_is_that_of_the_trade(visits: list[Visit]) -> None:
    count = len(visits)
    assert 0.07 < sum(one.oven.build.inverter for one in visits) / count < 0.13
    assert 0.45 < sum(one.oven.build.supply == 120 for one in visits) / count < 0.55
    assert 0.04 < sum(one.faults == {"no-fault-present"} for one in visits) / count < 0.09
    assert 0.05 < sum(len(one.faults) > 1 for one in visits) / count < 0.15
    assert set(Counter(one.symptom for one in visits)) == set(SYMPTOMS)


def test_complaints_fit_the_faults(visits: list[Visit]) -> None:
    def share(fault: str, *symptoms: str) -> float:
        told = [one.symptom for one in visits if one.faults == {fault}]
        return sum(one in symptoms for one in told) / len(told)

    assert share("main-fuse-fatigue", "no-operation", "keypad-dead") > 0.9
    assert share("diode-open", "no-heat") > 0.8
    assert share("waveguide-cover-burnt", "arcing", "burning-smell") > 0.7
    assert share("lamp-open", "lamp-out") > 0.85
    assert share("turntable-motor-open", "turntable-stopped") > 0.85
    assert share("power-relay-welded", "runs-by-itself", "runs-with-door-open", "loud-hum") > 0.6
    assert share("keypad-failed", "keypad-dead", "no-operation", "does-not-start") > 0.85


def test_what_is_told_of_the_truth_holds(visits: list[Visit]) -> None:
    for one in visits:
        real = one.faults - {"no-fault-present"}
        assert real == one.oven.faults
        assert one.remedies == remedies_for(real)
        assert one.consequences == {f"replace-{fuse}" for fuse in one.oven.blown}


def test_the_plate_is_a_valid_part_of_a_request(visits: list[Visit]) -> None:
    schema = CaseSchema()
    for one in visits[:100]:
        case = {"equipment": "microwave-oven", "symptom": one.symptom, "nameplate": one.nameplate}
        assert schema.validate(case) == {}
        plate = one.nameplate.get("supply_voltage")
        assert plate is None or plate["value"] == one.oven.build.supply


@pytest.mark.parametrize("symptom", SYMPTOMS)
def test_a_wanted_complaint_is_found(symptom: str) -> None:
    assert draw_visit(np.random.default_rng(1), symptom=symptom).symptom == symptom


def test_one_seed_gives_one_visit() -> None:
    one, other = (draw_visit(np.random.default_rng(77)) for _ in range(2))
    assert (one.symptom, one.faults, one.nameplate) == (
        other.symptom,
        other.faults,
        other.nameplate,
    )
    assert one.oven.values == other.oven.values
