"""Readings into findings: the meter, its leads, its range, its test voltage, the nameplate."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from service.diagnosis.assessment import Reasoner
from service.diagnosis.case import CaseError, read_case
from service.diagnosis.findings import Finding, find_all
from service.ruleset.model import RuleSet

METER = {
    "resistance": {
        "percent_of_reading": 0.9,
        "counts": 2,
        "resolution": {"value": 0.1, "unit": "Ohm"},
        "lead_resistance": {"value": 0.2, "unit": "Ohm"},
        "lead_resistance_uncertainty": {"value": 0.05, "unit": "Ohm"},
    }
}


def find(rule_set: RuleSet, reading: dict[str, Any], **more: Any) -> Finding:
    document = {"symptom": "no-heat", "readings": [reading], **more}
    return find_all(rule_set, read_case(rule_set, document))[-1]


@pytest.mark.parametrize("value", [0.3, 0.9, 1.1, 1.2, 1.25, 1.6, 3.0])
def test_outcomes_follow_the_normal_distribution_of_the_reading(
    oven: RuleSet, value: float
) -> None:
    found = find(
        oven,
        {"check": "transformer-primary-resistance", "value": value, "unit": "Ohm"},
        instrument=METER,
        nameplate={"supply_voltage": {"value": 120, "unit": "V"}},
    )
    # By hand: half-width 0.9 % + 2 counts of 0.1 Ω, rectangular, with the leads' 0.05 Ω.
    half = 0.009 * value + 0.2
    u = (half**2 / 3 + 0.05**2) ** 0.5
    assert found.value == pytest.approx(value - 0.2)
    assert found.uncertainty == pytest.approx(u)
    assert found.probability_of("normal") == pytest.approx(norm.cdf((1.0 - (value - 0.2)) / u))
    assert sum(found.evidence) == pytest.approx(1.0)


@pytest.mark.parametrize(("volts", "limit"), [(100, 1.0), (120, 1.0), (230, 3.674), (240, 4.0)])
def test_the_primary_limit_follows_the_square_of_the_supply(
    oven: RuleSet, volts: float, limit: float
) -> None:
    plate = {"supply_voltage": {"value": volts, "unit": "V"}}
    reading = {"check": "transformer-primary-resistance", "value": 1, "unit": "Ohm"}
    found = find(oven, reading, nameplate=plate)
    assert found.edges[0].value == pytest.approx(limit, rel=1e-3)


@pytest.mark.parametrize(
    ("volts", "reading", "outcome"),
    [
        (120, 119.5, "normal"),
        (120, 104.0, "low"),
        (120, 131.0, "high"),
        (120, 2.0, "absent"),
        (230, 231.0, "normal"),
        (230, 199.0, "low"),
        (230, 260.0, "high"),
        (100, 101.0, "normal"),
        (100, 84.0, "low"),
        (240, 238.0, "normal"),
    ],
)
def test_supply_limits_follow_the_nameplate(
    oven: RuleSet, volts: float, reading: float, outcome: str
) -> None:
    plate = {"supply_voltage": {"value": volts, "unit": "V"}}
    found = find(oven, {"check": "outlet-voltage", "value": reading, "unit": "V"}, nameplate=plate)
    assert found.outcome == outcome
    assert found.probability > 0.9


@pytest.mark.parametrize("volts", [101.0, 119.0, 229.0, 241.0])
def test_an_unstated_supply_is_deduced_from_the_outlet(oven: RuleSet, volts: float) -> None:
    found = find(oven, {"check": "outlet-voltage", "value": volts, "unit": "V"})
    assert found.outcome == "normal"
    assert any("supply_voltage not given" in note for note in found.notes)


def test_over_range_is_compared_with_the_range(oven: RuleSet) -> None:
    check = "capacitor-to-case"
    wide = find(oven, {"check": check, "over_range": True})
    assert wide.outcome == "isolated"
    assert wide.notes[0] == "over range: taken as more than 40 MOhm, the assumed range"
    # A range of 2 MΩ says only "more than 2 MΩ", and under 10 MΩ is bad.
    small = {"check": check, "over_range": True, "range": {"value": 2, "unit": "MOhm"}}
    found = find(oven, small)
    assert 0.0 < found.probability_of("shorted") < found.probability_of("isolated") < 1.0
    tiny = {"check": check, "over_range": True, "range": {"value": 200, "unit": "Ohm"}}
    assert find(oven, tiny).probability_of("shorted") > found.probability_of("shorted")


def test_over_range_takes_the_instruments_range(oven: RuleSet) -> None:
    instrument = {"resistance": {"range": {"value": 2, "unit": "MOhm"}}}
    found = find(oven, {"check": "capacitor-to-case", "over_range": True}, instrument=instrument)
    assert found.probability_of("shorted") > 0.1


@pytest.mark.parametrize(("volts", "outcome"), [(None, "inconclusive"), (3, "inconclusive")])
def test_a_low_test_voltage_proves_nothing_about_a_diode(
    oven: RuleSet, volts: float | None, outcome: str
) -> None:
    meter = {"resistance": {"test_voltage": {"value": volts, "unit": "V"}}} if volts else {}
    found = find(oven, {"check": "diode-forward", "over_range": True}, instrument=meter)
    assert found.outcome == outcome
    assert found.probability_of("blocks") == pytest.approx(found.probability_of("conducts"))
    assert any("test voltage" in note for note in found.notes)


def test_nine_volts_show_an_open_diode(oven: RuleSet) -> None:
    meter = {"resistance": {"test_voltage": {"value": 9, "unit": "V"}}}
    found = find(oven, {"check": "diode-forward", "over_range": True}, instrument=meter)
    assert found.outcome == "blocks"


def test_a_diode_may_be_read_in_volts(oven: RuleSet) -> None:
    found = find(oven, {"check": "diode-forward", "value": 6.1, "unit": "V"})
    assert found.outcome == "conducts"
    shorted = find(oven, {"check": "diode-forward", "value": 4, "unit": "mV"})
    assert shorted.outcome == "shorted"


def test_units_are_converted(oven: RuleSet) -> None:
    one = find(oven, {"check": "capacitor-resistance", "value": 10, "unit": "MOhm"})
    other = find(oven, {"check": "capacitor-resistance", "value": 10_000, "unit": "kOhm"})
    assert one.evidence == pytest.approx(other.evidence)
    assert one.outcome == "bleed-resistor"


def test_without_an_accuracy_the_default_is_assumed_and_said_so(oven: RuleSet) -> None:
    found = find(oven, {"check": "main-fuse-resistance", "value": 0.4, "unit": "Ohm"})
    assert any("default instrument" in note for note in found.notes)
    assert found.uncertainty is not None
    assert found.uncertainty > 0.1


def test_an_assumed_rating_makes_its_limits_uncertain(oven: RuleSet) -> None:
    reading = {"check": "water-load-power", "value": 700, "unit": "W"}
    plate = {"rated_output": {"value": 850, "unit": "W"}}
    stated = find(oven, reading, nameplate=plate)
    assumed = find(oven, reading)
    assert max(assumed.evidence) < max(stated.evidence)


def test_the_later_reading_stands_and_says_so(oven: RuleSet) -> None:
    document = {
        "symptom": "no-heat",
        "readings": [
            {"check": "display", "observed": "dark"},
            {"check": "lamp", "observed": "lit"},
            {"check": "display", "observed": "lit"},
        ],
    }
    first, other, last = find_all(oven, read_case(oven, document))
    assert first.superseded
    assert not other.superseded
    assert not last.superseded
    assert "readings/2" in first.notes[-1]
    assert "stands" in last.notes[-1]


@given(
    value=st.floats(0, 1e5, allow_nan=False),
    unit=st.sampled_from(["Ohm", "kOhm", "MOhm", "mOhm"]),
    percent=st.floats(0, 20),
    counts=st.floats(0, 100),
)
def test_any_resistance_gives_a_distribution(
    oven: RuleSet, value: float, unit: str, percent: float, counts: float
) -> None:
    meter = {"resistance": {"percent_of_reading": percent, "counts": counts}}
    for check in ("main-fuse-resistance", "capacitor-resistance", "diode-forward"):
        found = find(oven, {"check": check, "value": value, "unit": unit}, instrument=meter)
        assert sum(found.evidence) == pytest.approx(1.0)
        assert min(found.evidence) >= 0.0


@pytest.mark.parametrize("key", ["percent_of_reading", "counts"])
def test_an_accuracy_that_no_meter_has_is_refused(oven: RuleSet, key: str) -> None:
    meter = {"resistance": {key: 1.7e308}}
    with pytest.raises(CaseError) as caught:
        find(oven, {"check": "magnetron-to-case", "value": 200, "unit": "Ohm"}, instrument=meter)
    assert caught.value.errors[0][0] == f"/instrument/resistance/{key}"


def test_leads_that_are_no_leads_are_refused(oven: RuleSet) -> None:
    meter = {"resistance": {"lead_resistance": {"value": 50, "unit": "Ohm"}}}
    reading = {"check": "monitor-switch-door-open", "value": 30, "unit": "Ohm"}
    with pytest.raises(CaseError, match="5 Ohm or less"):
        find(oven, reading, instrument=meter)


@pytest.mark.parametrize(
    ("check", "value", "unit"),
    [
        ("outlet-voltage", 50, "kV"),
        ("water-load-power", 1e6, "W"),
        ("capacitor-capacitance", 1, "F"),
        ("leakage-survey", 1e14, "mW/cm2"),
        ("magnetron-to-case", 1e14, "Ohm"),
    ],
)
def test_a_reading_that_cannot_be_is_refused(
    oven: RuleSet, check: str, value: float, unit: str
) -> None:
    with pytest.raises(CaseError, match="more than any reading"):
        find(oven, {"check": check, "value": value, "unit": unit})


@pytest.mark.parametrize("top", [1e-300, 1e-9, 0.0, 1e300])
def test_a_range_that_no_meter_has_is_refused(oven: RuleSet, top: float) -> None:
    reading = {"check": "monitor-switch", "over_range": True}
    with pytest.raises(CaseError):
        find(oven, {**reading, "range": {"value": top, "unit": "Ohm"}})
    with pytest.raises(CaseError):
        find(oven, reading, instrument={"resistance": {"range": {"value": top, "unit": "Ohm"}}})


def test_a_diode_range_that_is_over_proves_nothing(oven: RuleSet) -> None:
    reading = {"check": "diode-forward", "over_range": True, "range": {"value": 2, "unit": "V"}}
    assert find(oven, reading).outcome == "inconclusive"
    high = {**reading, "range": {"value": 15, "unit": "V"}}
    assert find(oven, high).outcome == "blocks"


def test_an_unstated_supply_does_not_depend_on_the_order_of_readings(oven: RuleSet) -> None:
    both = [
        {"check": "outlet-voltage", "value": 230, "unit": "V"},
        {"check": "transformer-primary-voltage", "value": 105, "unit": "V"},
    ]
    plates = [
        read_case(oven, {"symptom": "no-heat", "readings": order}).nameplate["supply_voltage"].value
        for order in (both, both[::-1])
    ]
    assert plates == [230, 230]


def test_a_check_may_be_made_with_a_better_instrument_than_its_quantity(
    reasoner: Reasoner, oven: RuleSet
) -> None:
    """A plug-in meter is no litre of water; and what the request states comes before both."""
    reading = {"check": "input-power", "value": 1000, "unit": "W"}
    water = {"check": "water-load-power", "value": 1000, "unit": "W"}
    case = {"symptom": "low-heat", "readings": [reading, water]}
    own = oven.checks["input-power"].measures[0].accuracy
    assert own is not None

    def uncertain(**more: Any) -> list[float]:
        found = reasoner.assess({**case, **more})["findings"]
        return [one["measured"]["standard_uncertainty"] for one in found]

    wide = oven.instruments["power"]
    plug, litre = uncertain()
    half = own.percent_of_reading * 10 + own.counts * own.resolution
    assert plug == pytest.approx(half / 3**0.5, rel=0.05)
    half = wide.percent_of_reading * 10 + wide.counts * max(1000 / wide.display_counts, 1.0)
    assert litre == pytest.approx(half / 3**0.5, rel=0.05)
    stated = {"power": {"percent_of_reading": 5}}
    assert uncertain(instrument=stated) == pytest.approx([50 / 3**0.5] * 2, rel=0.05)
