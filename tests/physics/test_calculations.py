"""The named calculations against the reference values, SciPy, other units and hostile documents."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm, uniform

from service.physics.calculations import (
    CALCULATIONS,
    InputError,
    UnknownCalculation,
    calculate,
    described,
    evaluate,
)
from service.physics.forms.inputs import QuantityInput
from service.physics.units import QUANTITIES, UnitError, UnknownUnit, from_si, quantity_of, to_si
from tests.physics.published import HEATING_TIMES
from tests.wanted import examples

Json = dict[str, Any]


def q(value: float, unit: str) -> Json:
    return {"value": value, "unit": unit}


def outputs(name: str, document: Json) -> dict[str, float]:
    return {one["name"]: one["value"] for one in calculate(name, document)["outputs"]}


def codes(name: str, document: Json) -> list[str]:
    return [one["code"] for one in calculate(name, document)["warnings"]]


def refused(name: str, document: Any) -> dict[str, str]:
    with pytest.raises(InputError) as caught:
        calculate(name, document)
    return dict(caught.value.errors)


def formula(m: float, c: float, t0: float, t1: float, ta: float, t: float, **others: Any) -> Json:
    return {
        "water_mass": q(m, "g"),
        "container_mass": q(c, "g"),
        "start_temperature": q(t0, "Cel"),
        "end_temperature": q(t1, "Cel"),
        "ambient_temperature": q(ta, "Cel"),
        "time": q(t, "s"),
        **others,
    }


def field(method: str, rise: float, seconds: float | None = None, **others: Any) -> Json:
    time = {} if seconds is None else {"time": q(seconds, "s")}
    return {"method": method, "temperature_rise": q(rise, "K"), **time, **others}


# -- water-load-power -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("document", "watts"),
    [
        (formula(1000, 400, 10, 20, 20, 52.3), 800.57),
        (formula(1000, 400, 10.2, 19.6, 21.5, 49), 794.69),
        (formula(1000, 450, 9.5, 20.8, 19, 60), 795.98),
    ],
)
def test_power_by_the_formula(document: Json, watts: float) -> None:
    """IEC 60705 (clause from memory); values computed from its formula. Clause 6: to 50 W."""
    found = outputs("water-load-power", document)
    assert found["power"] == pytest.approx(watts, abs=0.006)
    assert found["rounded_power"] == 800
    # None of the three is outside what the method asks for.
    assert codes("water-load-power", document) in ([], ["coarse"])


@pytest.mark.parametrize(("seconds", "watts"), HEATING_TIMES)
def test_published_heating_times(seconds: float, watts: float) -> None:
    """Published heating times of one litre raised by 10 K, to whole seconds."""
    found = outputs("water-load-power", field("one-litre", 10, seconds))
    assert found["power"] == pytest.approx(watts, rel=0.5 / 38)
    assert found["rounded_power"] == watts


@pytest.mark.parametrize(
    ("document", "watts"),
    [
        pytest.param(field("one-litre", 1), 69.8, id="one litre, a minute by default"),
        pytest.param(field("one-litre", 1, 62), 67.5, id="one litre, 62 s"),
        pytest.param(field("two-litre", 1), 69.8, id="two litres, two minutes by default"),
        pytest.param(field("one-litre", 1, 120), 34.9, id="one litre, two minutes"),
        pytest.param(formula(250, 0, 10, 11, 20, 60), 17.4, id="one cup, a minute"),
    ],
)
def test_watts_per_kelvin(document: Json, watts: float) -> None:
    """Computed from 4187 L dT / t; 70 and 35 times the rise are common practice."""
    assert outputs("water-load-power", document)["power"] == pytest.approx(watts, abs=0.06)
    # One kelvin proves nothing, and the answer says so.
    assert {"small-rise", "coarse"} <= set(codes("water-load-power", document))


def test_start_and_end_are_the_same_as_the_rise() -> None:
    ends = {"start_temperature": q(12, "Cel"), "end_temperature": q(22, "Cel")}
    assert outputs("water-load-power", {"method": "one-litre", **ends}) == outputs(
        "water-load-power", field("one-litre", 10)
    )


def test_uncertainty_of_one_litre_by_hand() -> None:
    """JCGM 100:2008 4.3.7 and 5.1.2, each part written out."""
    document = field("one-litre", 10, thermometer=q(0.5, "K"))
    power = 4187 * 10 / 60
    parts = [
        math.sqrt(2) * 4187 / 60 * uniform(-0.5, 1).std(),
        power * uniform(-5, 10).std() / 1000,
        power * uniform(-1, 2).std() / 60,
    ]
    found = evaluate("water-load-power", document)
    assert found.measured is not None
    assert found.measured.value == pytest.approx(power)
    assert found.measured.standard_uncertainty == pytest.approx(math.hypot(*parts))
    answer = outputs("water-load-power", document)
    assert answer["standard_uncertainty"] == pytest.approx(math.hypot(*parts), rel=5e-3)
    assert answer["expanded_uncertainty"] == pytest.approx(2 * math.hypot(*parts), rel=5e-3)


def test_rated_output() -> None:
    """SciPy's normal distribution; within 10 % of the rating as published heating times have it."""
    document = field("one-litre", 10, rated_output=q(0.8, "kW"))
    found = evaluate("water-load-power", document)
    assert found.measured is not None
    expected = norm(*found.measured).sf(0.9 * 800)
    answer = outputs("water-load-power", document)
    assert answer["probability_sufficient"] == pytest.approx(expected, abs=1e-6)
    assert answer["ratio_to_rated"] == pytest.approx(697.83 / 800, abs=1e-4)


def test_conditions_of_the_standard() -> None:
    """IEC 60705: ambient 20 +/- 5 Cel read; water, start and end from memory, and marked so."""
    warnings = calculate("water-load-power", formula(900, 400, 14, 26, 30, 60))["warnings"]
    assert {one["code"]: one["source"] for one in warnings if "outside" in one["code"]} == {
        "water-mass-outside": "IEC 60705 (from memory)",
        "start-temperature-outside": "IEC 60705 (from memory)",
        "end-temperature-outside": "IEC 60705 (from memory)",
        "ambient-temperature-outside": "IEC 60705 clause 6",
    }
    at_the_edge = formula(995, 400, 11, 22, 25, 60)
    at_the_edge["start_temperature"] = q(51.8, "[degF]")
    assert not any("outside" in code for code in codes("water-load-power", at_the_edge))


def test_water_that_cools() -> None:
    document = formula(1000, 0, 20, 15, 20, 60)
    assert outputs("water-load-power", document)["power"] < 0
    assert "no-rise" in codes("water-load-power", document)


def test_inputs_of_the_other_method() -> None:
    everything = {**formula(1000, 400, 10, 20, 20, 60), "temperature_rise": q(10, "K")}
    assert set(refused("water-load-power", everything)) == {"/temperature_rise"}
    assert set(refused("water-load-power", {**everything, "method": "one-litre"})) == {
        "/ambient_temperature",
        "/container_mass",
        "/temperature_rise",
        "/water_mass",
    }
    assert set(refused("water-load-power", {})) == {
        f"/{name}" for name in formula(1, 1, 1, 1, 1, 1)
    }
    assert set(refused("water-load-power", {"method": "two-litre"})) == {"/temperature_rise"}
    start = {"method": "two-litre", "start_temperature": q(10, "Cel")}
    assert set(refused("water-load-power", start)) == {"/end_temperature"}


# -- capacitor-discharge --------------------------------------------------------------------------


def capacitor(microfarads: float, **others: Any) -> Json:
    return {
        "capacitance": q(microfarads, "uF"),
        "rated_voltage": q(2100, "V"),
        "bleed_resistance": q(10, "MOhm"),
        **others,
    }


@pytest.mark.parametrize(
    ("microfarads", "volts", "seconds"),
    [
        pytest.param(1.0, 42.4, 42.5, id="1 uF to 42.4 V, IEC 60335-1 8.1.4"),
        pytest.param(1.0, 34.0, 44.7, id="1 uF to 34 V, IEC 60335-1 22.5 (from memory)"),
        pytest.param(0.7, 42.4, 29.7, id="0.7 uF to 42.4 V, IEC 60335-1 8.1.4"),
        pytest.param(0.7, 34.0, 31.3, id="0.7 uF to 34 V, IEC 60335-1 22.5 (from memory)"),
        pytest.param(1.2, 42.4, 51.0, id="1.2 uF to 42.4 V, IEC 60335-1 8.1.4"),
        pytest.param(1.2, 34.0, 53.6, id="1.2 uF to 34 V, IEC 60335-1 22.5 (from memory)"),
    ],
)
def test_discharge(microfarads: float, volts: float, seconds: float) -> None:
    """Circuit theory, through 10 MOhm (common practice), from the peak of 2,100 V."""
    document = capacitor(microfarads, safe_voltage=q(volts, "V"))
    found = outputs("capacitor-discharge", document)
    assert found["wait"] == pytest.approx(seconds, abs=0.05)
    assert found["time_constant"] == pytest.approx(10 * microfarads)
    after = {**document, "waited": q(found["wait"], "s")}
    assert outputs("capacitor-discharge", after)["voltage_after"] == pytest.approx(volts, rel=1e-4)


@pytest.mark.parametrize(("microfarads", "joules", "charge"), [(1, 4.41, 2970), (1.2, 5.29, 3564)])
def test_energy_and_charge(microfarads: float, joules: float, charge: float) -> None:
    """Circuit theory; the touchable charge is that of IEC 60335-1 clause 8.1.4."""
    found = outputs("capacitor-discharge", capacitor(microfarads))
    assert found["peak_voltage"] == pytest.approx(2970, abs=0.5)
    assert found["energy"] == pytest.approx(joules, abs=0.005)
    assert found["charge"] == pytest.approx(charge, abs=0.5)
    assert found["charge_ratio"] == pytest.approx(charge / 45, rel=1e-3)


@pytest.mark.parametrize("microfarads", [0.7, 1.0, 1.2])
def test_less_than_ten_joules_is_not_called_harmless(microfarads: float) -> None:
    """Berkeley Lab Electrical Safety Manual, table 2.2.13, against IEC 60335-1 clause 8.1.4."""
    document = capacitor(microfarads)
    found = outputs("capacitor-discharge", document)
    assert 3.05 < found["energy"] < 5.35
    assert found["charge_ratio"] > 46
    assert "charge-over-touchable" in codes("capacitor-discharge", document)


@given(st.floats(1e-6, 1e6), st.floats(1, 1e5), st.floats(1e-6, 1e6), st.floats(0, 1e6))
def test_no_capacitor_is_ever_called_safe(c: float, v: float, r: float, waited: float) -> None:
    document = {
        "capacitance": q(c, "uF"),
        "rated_voltage": q(v, "V"),
        "bleed_resistance": q(r, "MOhm"),
        "waited": q(waited, "s"),
    }
    answer = calculate("capacitor-discharge", document)
    first = answer["warnings"][0]
    assert first["code"] == "discharge-and-verify"
    assert "bleed resistor makes every wait void" in first["text"]
    words = " ".join(one["text"] for one in answer["warnings"] + answer["notes"]).lower()
    assert "safe" not in words
    assert "no danger" not in words


def test_without_bleed_resistance_there_is_no_wait() -> None:
    document = {name: capacitor(1)[name] for name in ("capacitance", "rated_voltage")}
    assert "no-bleed-resistance" in codes("capacitor-discharge", document)
    assert not {"wait", "time_constant"} & set(outputs("capacitor-discharge", document))
    waited = {**document, "waited": q(60, "s")}
    assert set(refused("capacitor-discharge", waited)) == {"/bleed_resistance"}
    assert "waited-too-short" in codes("capacitor-discharge", capacitor(1, waited=q(42, "s")))


def test_no_voltage_above_the_standards_is_a_target() -> None:
    """IEC 60335-1 clause 8.1.4: safety extra-low voltage up to 42.4 V."""
    errors = refused("capacitor-discharge", capacitor(1, safe_voltage=q(60, "V")))
    assert errors == {"/safe_voltage/value": "this must be from 1 to 42.4 V, not 60 V"}


def test_charge_is_compared_only_where_its_limit_stands() -> None:
    """IEC 60335-1 clause 8.1.4: over 450 V up to 15 kV peak."""
    for volts, compared in ((318, False), (319, True), (10_600, True), (10_700, False)):
        found = outputs("capacitor-discharge", capacitor(1, rated_voltage=q(volts, "V")))
        assert ("charge_ratio" in found) == compared


# -- high-voltage-doubler -------------------------------------------------------------------------


@pytest.mark.parametrize(("volts", "peak", "output"), [(2000, 2828, 5657), (2100, 2970, 5940)])
def test_doubler(volts: float, peak: float, output: float) -> None:
    """Circuit theory; loaded, about 4,000 V is common practice."""
    document = {"secondary_voltage": q(volts, "V")}
    found = outputs("high-voltage-doubler", document)
    assert found["peak_voltage"] == pytest.approx(peak, abs=0.5)
    assert found["output_voltage"] == pytest.approx(output, abs=0.5)
    answer = calculate("high-voltage-doubler", document)
    assert [one["code"] for one in answer["warnings"]] == ["never-measure"]
    (note,) = answer["notes"]
    assert "4,000 V" in note["text"]
    assert note["source"] == "common practice"


# -- supply-tolerance -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("nominal", "service_range", "lower", "upper", "source"),
    [
        (230, None, 207, 253, "IEC 60038, +/- 10 % (from memory)"),
        (120, "A", 114, 126, "ANSI C84.1, 120 V service range A (from memory)"),
        (120, "B", 110, 127, "ANSI C84.1, 120 V service range B (from memory)"),
        (120, None, 110, 127, "ANSI C84.1, 120 V service range B (from memory)"),
    ],
)
def test_supply(
    nominal: float, service_range: str | None, lower: float, upper: float, source: str
) -> None:
    document: Json = {"nominal_voltage": q(nominal, "V")}
    if service_range:
        document["service_range"] = service_range
    assert outputs("supply-tolerance", document) == {"lower_limit": lower, "upper_limit": upper}
    assert source in calculate("supply-tolerance", document)["sources"]


def test_measured_supply() -> None:
    """JCGM 100:2008 4.3.7: +/-(0.7 % + 2 counts) of 120.0 V is 1.04 V, u = 0.600 V."""
    document = {
        "nominal_voltage": q(120, "V"),
        "service_range": "A",
        "measured_voltage": q(120.0, "V"),
        "percent_of_reading": 0.7,
        "counts": 2,
        "resolution": q(0.1, "V"),
    }
    found = outputs("supply-tolerance", document)
    assert found["standard_uncertainty"] == 0.600
    document["measured_voltage"] = q(0.1136, "kV")
    found = outputs("supply-tolerance", document)
    spread = norm(113.6, (113.6 * 0.007 + 0.2) / math.sqrt(3))
    assert found["probability_low"] == pytest.approx(spread.cdf(114), abs=1e-6)
    assert found["probability_within"] == pytest.approx(spread.sf(114), abs=1e-6)
    assert found["probability_high"] == pytest.approx(spread.sf(126), abs=1e-6)


def test_accuracy_of_the_supplys_meter() -> None:
    measured = {"nominal_voltage": q(230, "V"), "measured_voltage": q(230, "V")}
    used = calculate("supply-tolerance", measured)["inputs"]
    assumed = {one["name"]: one["value"] for one in used if one["default"]}
    assert assumed == {"percent_of_reading": 1.2, "counts": 5.0, "resolution": 0.1}
    assert all(one["source"] == "estimate" for one in used if one["default"])
    # The percentage alone: a meter without a counts term.
    alone = outputs("supply-tolerance", {**measured, "percent_of_reading": 1})
    assert alone["standard_uncertainty"] == pytest.approx(2.3 / math.sqrt(3), rel=5e-3)
    assert "/percent_of_reading" in refused(
        "supply-tolerance", {**measured, "percent_of_reading": 0}
    )
    missing = {"nominal_voltage": q(230, "V"), "counts": 2}
    assert set(refused("supply-tolerance", missing)) == {"/measured_voltage"}


def test_a_service_range_stands_for_120_volts_only() -> None:
    answer = calculate("supply-tolerance", {"nominal_voltage": q(230, "V"), "service_range": "A"})
    assert [one["code"] for one in answer["notes"]] == ["service-range-not-used"]


# -- conformance ----------------------------------------------------------------------------------


def conformity(y: float, u: float, lower: float | None, upper: float | None, unit: str) -> Json:
    limits = (("lower_limit", lower), ("upper_limit", upper))
    return {
        "value": q(y, unit),
        "standard_uncertainty": q(u, unit),
        **{name: q(limit, unit) for name, limit in limits if limit is not None},
    }


@pytest.mark.parametrize(
    ("document", "within", "digits"),
    [
        pytest.param(
            conformity(-5.47, 0.05, None, -5.40, "V"),
            0.919,
            5e-4,
            id="JCGM 106:2012 Zener diode (from memory)",
        ),
        pytest.param(
            conformity(13.6, 1.8, 12.5, 16.3, "A"),
            0.66263,
            5e-6,
            id="JCGM 106:2012 clause 7.4, inputs quoted by a third party",
        ),
    ],
)
def test_conformance_probability(document: Json, within: float, digits: float) -> None:
    found = outputs("conformance", document)
    assert found["probability_within"] == pytest.approx(within, abs=digits)


@pytest.mark.parametrize(
    ("document", "half_width", "standard"),
    [
        pytest.param(
            {
                "value": q(32, "V"),
                "percent_of_reading": 2.5,
                "counts": 3,
                "resolution": q(10, "mV"),
            },
            0.83,
            0.479,
            id="2.5 % + 3 digits, university course",
        ),
        pytest.param(
            {
                "value": q(120, "V"),
                "percent_of_reading": 0.7,
                "counts": 2,
                "resolution": q(0.1, "V"),
            },
            1.04,
            0.600,
            id="0.7 % + 2 counts, JCGM 100:2008 4.3.7",
        ),
    ],
)
def test_meter_notation(document: Json, half_width: float, standard: float) -> None:
    document = {**document, "upper_limit": q(200, "V"), "coverage_factor": math.sqrt(3)}
    found = outputs("conformance", document)
    assert found["standard_uncertainty"] == standard
    assert found["expanded_uncertainty"] == pytest.approx(half_width, abs=0.005)


@pytest.mark.parametrize(
    ("factor", "percent"), [(1, 68.27), (1.645, 90), (2, 95.45), (2.576, 99), (3, 99.73)]
)
def test_coverage(factor: float, percent: float) -> None:
    """NIST TN 1297 section 6.3."""
    document = conformity(7, 0.3, 7 - factor * 0.3, 7 + factor * 0.3, "Ohm")
    found = outputs("conformance", document)
    assert 100 * found["probability_within"] == pytest.approx(percent, abs=0.005)


@pytest.mark.parametrize(
    ("value", "verdict"),
    [(41.9, "accept"), (42.1, "in-guard-band"), (57.9, "in-guard-band"), (58.1, "reject")],
)
@pytest.mark.parametrize("side", ["upper", "lower"])
def test_guarded_decision(value: float, verdict: str, side: str) -> None:
    """JCGM 106:2012 clause 8, ISO 14253-1 (from memory): limit 50, u = 4, U = 8."""
    if side == "upper":
        document = conformity(value, 4, None, 50, "W")
    else:
        document = conformity(-value, 4, -50, None, "W")
    assert calculate("conformance", document)["verdict"] == verdict
    assert abs(outputs("conformance", document)[f"{side}_acceptance_limit"]) == 42
    document["guard_factor"] = 0
    plain = calculate("conformance", document)
    assert plain["verdict"] == ("accept" if value < 50 else "reject")


def test_limits_closer_than_the_guard_bands() -> None:
    document = conformity(5, 1, 4, 6, "V")
    assert calculate("conformance", document)["verdict"] == "in-guard-band"
    assert codes("conformance", document) == ["nothing-acceptable"]


def test_percent_of_a_temperature_is_of_what_the_display_shows() -> None:
    document = {"value": q(20, "Cel"), "percent_of_reading": 10, "upper_limit": q(77, "[degF]")}
    found = outputs("conformance", document)
    assert found["standard_uncertainty"] == pytest.approx(2 / math.sqrt(3), rel=5e-3)
    spread = norm(20, 2 / math.sqrt(3))
    assert found["probability_within"] == pytest.approx(spread.cdf(25), abs=1e-6)
    assert found["upper_acceptance_limit"] == pytest.approx(25 - 4 / math.sqrt(3), rel=1e-5)


def test_a_difference_of_temperatures_is_named() -> None:
    document = {**conformity(10, 1, None, 12, "K"), "quantity": "temperature-difference"}
    document["upper_limit"] = q(12, "Cel")
    assert outputs("conformance", document)["upper_acceptance_limit"] == 10


def test_a_unit_of_another_quantity_is_named() -> None:
    document = conformity(10, 1, 8, 12, "V")
    document["lower_limit"]["unit"] = "A"
    document["standard_uncertainty"]["unit"] = "Vlt"
    errors = refused("conformance", document)
    assert set(errors) == {"/lower_limit/unit", "/standard_uncertainty/unit"}
    assert "of current, not of voltage" in errors["/lower_limit/unit"]
    named = {**conformity(10, 1, 8, 12, "V"), "quantity": "current"}
    assert len(refused("conformance", named)) == 4


@pytest.mark.parametrize(
    ("change", "pointers"),
    [
        ({"standard_uncertainty": None}, {"/standard_uncertainty"}),
        ({"counts": 2}, {"/standard_uncertainty"}),
        ({"standard_uncertainty": ..., "counts": 2}, {"/resolution"}),
        ({"standard_uncertainty": ..., "resolution": q(1, "V")}, {"/counts"}),
        ({"standard_uncertainty": ..., "percent_of_reading": 0}, {"/percent_of_reading"}),
        ({"standard_uncertainty": ...}, {"/standard_uncertainty"}),
        ({"standard_uncertainty": q(0, "V")}, {"/standard_uncertainty/value"}),
        ({"lower_limit": ..., "upper_limit": ...}, {"/upper_limit"}),
        ({"lower_limit": q(12000, "mV")}, {"/lower_limit"}),
        ({"value": ...}, {"/value"}),
        ({"coverage_factor": 11}, {"/coverage_factor"}),
        ({"guard_factor": -1}, {"/guard_factor"}),
        ({"quantity": "volts"}, {"/quantity"}),
    ],
)
def test_what_conformance_needs(change: Json, pointers: set[str]) -> None:
    document = {**conformity(10, 1, 8, 12, "V"), **change}
    document = {name: value for name, value in document.items() if value is not ...}
    assert set(refused("conformance", document)) == pointers


@given(
    st.floats(-1e3, 1e3),
    st.floats(1e-3, 1e2),
    st.floats(-1e3, 1e3),
    st.floats(1e-3, 1e3),
    st.booleans(),
)
def test_conformance_against_scipy(
    y: float, u: float, lower: float, width: float, two: bool
) -> None:
    upper = lower + width
    found = outputs("conformance", conformity(y, u, lower if two else None, upper, "W"))
    below = norm.cdf((lower - y) / u) if two else 0.0
    above = norm.sf((upper - y) / u)
    assert found["probability_below"] == pytest.approx(below, abs=2e-6)
    assert found["probability_above"] == pytest.approx(above, abs=2e-6)
    assert sum(found[f"probability_{at}"] for at in ("below", "within", "above")) == pytest.approx(
        1, abs=2e-6
    )


# -- what holds for all ---------------------------------------------------------------------------

NAMES = list(CALCULATIONS)
EXAMPLES = {name: dict(one.example) for name, one in CALCULATIONS.items()}
TWINS = {  # other codes of the same dimension
    "V": ["mV", "kV", "W/A", "J/C"],
    "uF": ["nF", "F", "s/Ohm"],
    "MOhm": ["kOhm", "Ohm", "V/A"],
    "g": ["kg", "[lb_av]", "[oz_av]"],
    "s": ["min", "ms", "h"],
    "W": ["kW", "J/s"],
    "mW/cm2": ["W/m2", "uW/mm2"],
    "Cel": ["K", "[degF]"],
    "K": ["Cel", "[degF]"],
}
COMPLETE = [
    *((name, EXAMPLES[name]) for name in NAMES),
    ("water-load-power", formula(1001, 398, 10.4, 20.3, 21, 55, rated_output=q(750, "W"))),
    ("water-load-power", field("two-litre", 11.2, thermometer=q(0.5, "K"), clock=q(2, "s"))),
    ("supply-tolerance", {"nominal_voltage": q(230, "V"), "measured_voltage": q(208, "V")}),
    ("conformance", {**conformity(10.2, 0.7, 9, 11, "V"), "guard_factor": 0.5}),
]


def in_unit(name: str, key: str, quantity: Json, unit: str) -> Json:
    declared = next(one for one in CALCULATIONS[name].inputs if one.name == key)
    assert isinstance(declared, QuantityInput)
    of = declared.quantity or quantity_of(quantity["unit"])
    return q(from_si(to_si(quantity["value"], quantity["unit"], of), unit, of), unit)


@given(st.data())
@settings(max_examples=examples(200))
def test_other_units_give_the_same(data: st.DataObject) -> None:
    name, document = data.draw(st.sampled_from(COMPLETE))
    other = dict(document)
    for key, value in document.items():
        if isinstance(value, dict):
            unit = data.draw(st.sampled_from([value["unit"], *TWINS[value["unit"]]]))
            other[key] = in_unit(name, key, value, unit)
    left, right = evaluate(name, document), evaluate(name, other)
    assert left.verdict == right.verdict
    assert [one.code for one in left.warnings] == [one.code for one in right.warnings]
    assert left.values.keys() == right.values.keys()
    for key, value in left.values.items():
        assert right.values[key] == pytest.approx(value, rel=1e-9, abs=1e-12), key


@given(
    st.sampled_from(["thermometer", "scale", "clock"]),
    st.floats(0, 10),
    st.floats(0, 10),
    st.sampled_from(
        [formula(1000, 400, 10, 20, 20, 50), field("one-litre", 9), field("two-litre", 9)]
    ),
)
def test_a_worse_instrument_never_makes_it_better(
    instrument: str, one: float, more: float, document: Json
) -> None:
    unit = {"thermometer": "K", "scale": "g", "clock": "s"}[instrument]
    better = evaluate("water-load-power", {**document, instrument: q(one, unit)}).measured
    worse = evaluate("water-load-power", {**document, instrument: q(one + more, unit)}).measured
    assert better is not None
    assert worse is not None
    assert better.value == worse.value
    assert better.standard_uncertainty <= worse.standard_uncertainty * (1 + 1e-12)


@given(st.floats(0, 400), st.floats(0, 20), st.floats(0.1, 5), st.sampled_from([100, 120, 230]))
def test_supply_probabilities_have_the_sum_one(
    volts: float, percent: float, counts: float, nominal: float
) -> None:
    found = outputs(
        "supply-tolerance",
        {
            "nominal_voltage": q(nominal, "V"),
            "measured_voltage": q(volts, "V"),
            "percent_of_reading": percent,
            "counts": counts,
        },
    )
    probabilities = [found[f"probability_{at}"] for at in ("low", "within", "high")]
    assert all(0 <= one <= 1 for one in probabilities)
    assert sum(probabilities) == pytest.approx(1, abs=2e-6)


@pytest.mark.parametrize("name", NAMES)
def test_the_description_is_true(name: str) -> None:
    (about,) = (one for one in described() if one["name"] == name)
    answer = calculate(name, about["example"])
    assert {one["name"] for one in answer["outputs"]} <= {one["name"] for one in about["outputs"]}
    always = {one["name"] for one in about["outputs"] if one["when"] is None}
    assert always <= {one["name"] for one in answer["outputs"]}
    for one in about["inputs"]:
        if one["kind"] == "quantity" and one["unit"]:
            assert quantity_of(one["unit"]) in (one["quantity"], "temperature")
        if one["default"] is not None and one["kind"] != "choice":
            assert one["least"] <= one["default"] <= one["most"]
    needed = {f"/{one['name']}" for one in about["inputs"] if one["required"]}
    assert needed <= set(refused(name, {}))


def test_every_number_has_a_known_kind_of_source() -> None:
    known = ("IEC ", "ANSI ", "JCGM ", "NIST ", "common practice", "estimate", "circuit theory")
    for name in NAMES:
        for one in CALCULATIONS[name].inputs:
            assert one.bounds_source.startswith(known), one
            has_default = getattr(one, "default", None) is not None or one.name == "time"
            assert bool(one.default_source) == has_default, one
            assert (one.default_source or "estimate").startswith(known), one
        answer = calculate(name, EXAMPLES[name])
        for remark in answer["warnings"] + answer["notes"]:
            assert remark["source"].startswith(known), remark


def test_an_unknown_calculation() -> None:
    with pytest.raises(UnknownCalculation, match="did you mean conformance"):
        calculate("conformence", {})
    with pytest.raises(UnknownCalculation, match="known: water-load-power, "):
        evaluate("\ud800" * 500, {})


def test_all_mistakes_are_named_at_once() -> None:
    errors = refused(
        "capacitor-discharge",
        {
            "capacitence": q(1, "uF"),
            "rated_voltage": {"value": "2100", "unit": "V", "note": "", "unti": "V"},
            "bleed_resistance": {"value": 10, "unit": "mohm"},
            "safe_voltage": 42.4,
            "waited": {"value": True},
            "a/b~c": None,
        },
    )
    assert set(errors) == {
        "/a~1b~0c",
        "/bleed_resistance/unit",
        "/capacitance",
        "/capacitence",
        "/rated_voltage/note",
        "/rated_voltage/unti",
        "/rated_voltage/value",
        "/safe_voltage",
        "/waited/unit",
        "/waited/value",
    }
    assert 'did you mean "capacitance"?' in errors["/capacitence"]
    assert 'did you mean "unit"?' in errors["/rated_voltage/unti"]
    assert "leave out the quotation marks" in errors["/rated_voltage/value"]
    assert "MOhm" in errors["/bleed_resistance/unit"]


@pytest.mark.parametrize("document", [None, [], "text", 1, True])
def test_no_object(document: Any) -> None:
    assert set(refused("conformance", document)) == {""}


def test_a_default_is_flagged_with_its_source() -> None:
    used = {
        one["name"]: one for one in calculate("water-load-power", field("one-litre", 9))["inputs"]
    }
    assert used["time"] == {
        "name": "time",
        "value": 60.0,
        "unit": "s",
        "default": True,
        "source": "common practice",
    }
    assert used["thermometer"]["source"] == "estimate"
    assert used["temperature_rise"]["default"] is False
    assert "water_mass" not in used


def test_quantity_of_a_unit() -> None:
    for quantity, units in QUANTITIES.items():
        for unit in units:
            assert quantity_of(unit) in (quantity, "temperature")
    with pytest.raises(UnknownUnit, match="did you mean"):
        quantity_of("uf")
    with pytest.raises(UnknownUnit, match="no known quantity"):
        quantity_of("cd")
    for bad in ("", "\ud800", "x" * 100, 5):
        with pytest.raises(UnitError):
            quantity_of(bad)  # type: ignore[arg-type]
