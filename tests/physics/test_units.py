"""UCUM codes. The scales expected here are typed in from the definitions, not computed by pint."""

from __future__ import annotations

import math
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import constants

from service.physics import units
from service.physics.units import (
    QUANTITIES,
    UnitError,
    UnknownQuantity,
    UnknownUnit,
    WrongDimension,
    accepted_units,
    from_si,
    si_unit,
    to_si,
)
from tests.wanted import examples

# SI prefixes and derived units: SI Brochure, 9th edition. Pound, ounce and inch: scipy's CODATA
# module, which takes them from the international yard and pound agreement.
SCALES = {
    ("resistance", "Ohm"): 1.0,
    ("resistance", "mOhm"): 1e-3,
    ("resistance", "kOhm"): 1e3,
    ("resistance", "MOhm"): 1e6,
    ("voltage", "V"): 1.0,
    ("voltage", "mV"): 1e-3,
    ("voltage", "kV"): 1e3,
    ("current", "A"): 1.0,
    ("current", "mA"): 1e-3,
    ("current", "uA"): 1e-6,
    ("capacitance", "F"): 1.0,
    ("capacitance", "uF"): 1e-6,
    ("capacitance", "nF"): 1e-9,
    ("capacitance", "pF"): 1e-12,
    ("temperature-difference", "K"): 1.0,
    ("temperature-difference", "Cel"): 1.0,
    ("temperature-difference", "[degF]"): 5.0 / 9.0,
    ("power", "W"): 1.0,
    ("power", "mW"): 1e-3,
    ("power", "kW"): 1e3,
    ("power-density", "W/m2"): 1.0,
    ("power-density", "mW/cm2"): 10.0,
    ("inductance", "H"): 1.0,
    ("inductance", "mH"): 1e-3,
    ("inductance", "uH"): 1e-6,
    ("mass", "kg"): 1.0,
    ("mass", "g"): 1e-3,
    ("mass", "[lb_av]"): constants.pound,
    ("mass", "[oz_av]"): constants.ounce,
    ("time", "s"): 1.0,
    ("time", "ms"): 1e-3,
    ("time", "min"): 60.0,
    ("time", "h"): 3600.0,
    ("frequency", "Hz"): 1.0,
    ("frequency", "kHz"): 1e3,
    ("frequency", "MHz"): 1e6,
    ("frequency", "GHz"): 1e9,
    ("charge", "C"): 1.0,
    ("charge", "mC"): 1e-3,
    ("charge", "uC"): 1e-6,
    ("energy", "J"): 1.0,
    ("energy", "mJ"): 1e-3,
    ("energy", "kJ"): 1e3,
    ("energy", "W.h"): 3600.0,
    ("length", "m"): 1.0,
    ("length", "cm"): 1e-2,
    ("length", "mm"): 1e-3,
    ("length", "[in_i]"): constants.inch,
    ("volume", "m3"): 1.0,
    ("volume", "L"): 1e-3,
    ("volume", "mL"): 1e-6,
    ("ratio", "1"): 1.0,
    ("ratio", "%"): 1e-2,
}
TEMPERATURES = {"K": "Kelvin", "Cel": "Celsius", "[degF]": "Fahrenheit"}
ACCEPTED = [(quantity, unit) for quantity in QUANTITIES for unit in accepted_units(quantity)]


def one_step_apart(left: float, right: float) -> bool:
    return abs(left - right) <= math.ulp(right)


def test_every_accepted_code_has_an_expected_scale() -> None:
    scaled = set(SCALES) | {("temperature", unit) for unit in TEMPERATURES}
    assert scaled == set(ACCEPTED)


@pytest.mark.parametrize(("quantity", "unit"), SCALES)
def test_scale(quantity: str, unit: str) -> None:
    scale = SCALES[quantity, unit]
    assert one_step_apart(to_si(1.0, unit, quantity), scale)
    assert from_si(scale, unit, quantity) == pytest.approx(1.0, rel=1e-15)
    assert to_si(0.0, unit, quantity) == 0.0
    assert to_si(-4.7, unit, quantity) == pytest.approx(-4.7 * scale, rel=1e-15)


@pytest.mark.parametrize("exponent", range(-12, 13, 3))
def test_decimal_prefixes_are_exact(exponent: int) -> None:
    prefix = {-12: "p", -9: "n", -6: "u", -3: "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T"}[exponent]
    assert to_si(1.0, f"{prefix}Ohm", "resistance") == float(f"1e{exponent}")


@pytest.mark.parametrize(("prefix", "exponent"), [("p", -12), ("n", -9), ("u", -6), ("k", 3)])
def test_whole_readings_convert_as_if_typed_in_si(prefix: str, exponent: int) -> None:
    for whole in range(1, 1000):
        assert to_si(float(whole), f"{prefix}F", "capacitance") == float(f"{whole}e{exponent}")


@pytest.mark.parametrize("unit", TEMPERATURES)
@pytest.mark.parametrize("value", [-459.67, -40.0, 0.0, 20.0, 37.5, 100.0, 212.0, 350.0])
def test_temperatures_against_scipy(value: float, unit: str) -> None:
    kelvin = float(constants.convert_temperature(value, TEMPERATURES[unit], "Kelvin"))
    assert to_si(value, unit, "temperature") == pytest.approx(kelvin, abs=1e-12, rel=1e-14)
    assert from_si(kelvin, unit, "temperature") == pytest.approx(value, abs=1e-12, rel=1e-13)


def test_a_difference_of_temperatures_has_no_zero_point() -> None:
    assert to_si(10.0, "Cel", "temperature-difference") == 10.0
    assert to_si(18.0, "[degF]", "temperature-difference") == 10.0
    assert from_si(10.0, "[degF]", "temperature-difference") == 18.0


@pytest.mark.parametrize(
    ("value", "watts_per_square_metre"),
    [
        pytest.param(1.0, 10.0, id="before sale, 21 CFR 1030.10(c)(1)"),
        pytest.param(5.0, 50.0, id="in use, 21 CFR 1030.10(c)(1); IEC 60335-2-25 (from memory)"),
    ],
)
def test_leakage_limits_in_both_units(value: float, watts_per_square_metre: float) -> None:
    assert to_si(value, "mW/cm2", "power-density") == watts_per_square_metre
    assert from_si(watts_per_square_metre, "mW/cm2", "power-density") == value


@pytest.mark.parametrize(
    ("value", "unit", "quantity", "expected"),
    [
        (1.0, "kg.m2/s3/A2", "resistance", 1.0),
        (1.0, "V/A", "resistance", 1.0),
        (120.0, "V{rms}", "voltage", 120.0),
        (2.0, "V.A", "power", 2.0),
        (3600.0, "/h", "frequency", 1.0),
        (3.0, "{count}", "ratio", 3.0),
        (3.0, "10*-3", "ratio", 0.003),
        (8.0, "/(4.s)", "frequency", 2.0),
        (5.0, "100.V", "voltage", 500.0),
    ],
)
def test_other_codes_of_the_dimension(
    value: float, unit: str, quantity: str, expected: float
) -> None:
    assert to_si(value, unit, quantity) == expected


def test_case_matters() -> None:
    assert to_si(1.0, "MOhm", "resistance") / to_si(1.0, "mOhm", "resistance") == 1e9


@pytest.mark.parametrize(
    ("typed", "suggested"),
    [
        ("ohm", "did you mean Ohm?"),
        ("OHM", "did you mean Ohm?"),
        ("Ohms", "did you mean Ohm"),
        ("\N{GREEK CAPITAL LETTER OMEGA}", "did you mean Ohm?"),
        ("\N{OHM SIGN}", "did you mean Ohm?"),
        ("k\N{GREEK CAPITAL LETTER OMEGA}", "did you mean kOhm?"),
        ("M\N{GREEK CAPITAL LETTER OMEGA}", "did you mean MOhm?"),
        ("mohm", "did you mean mOhm or MOhm?"),
        ("MOHM", "did you mean MOhm or mOhm?"),
        ("\N{MICRO SIGN}F", "did you mean uF?"),
        ("\N{DEGREE SIGN}C", "did you mean Cel?"),
        ("degC", "did you mean Cel?"),
        ("degF", "did you mean [degF]?"),
        ("mW/cm\N{SUPERSCRIPT TWO}", "did you mean mW/cm2?"),
        ("W/m^2", "did you mean W/m2?"),
        ("volts", "use Ohm, mOhm, kOhm or MOhm"),
    ],
)
def test_a_near_miss_is_refused_with_a_suggestion(typed: str, suggested: str) -> None:
    with pytest.raises(UnknownUnit) as caught:
        to_si(1.0, typed, "resistance")
    assert suggested in str(caught.value)
    assert str(caught.value).isprintable()


@pytest.mark.parametrize(
    ("unit", "quantity", "found"),
    [
        ("V", "resistance", "voltage"),
        ("C", "temperature", "charge"),
        ("F", "temperature", "capacitance"),
        ("S", "time", "length-2.mass-1.time3.current2"),
        ("%", "voltage", "ratio"),
        ("K", "mass", "temperature"),
        ("W", "power-density", "power"),
    ],
)
def test_a_wrong_dimension_says_what_it_is_and_what_to_use(
    unit: str, quantity: str, found: str
) -> None:
    with pytest.raises(WrongDimension) as caught:
        to_si(1.0, unit, quantity)
    message = str(caught.value)
    if found.count(".") == 0:
        assert f"is a unit of {found}, not of {quantity}" in message
    else:
        named = message.split("is a unit of ")[1].split(",")[0]
        assert sorted(named.split(".")) == sorted(found.split("."))
    assert all(code in message for code in accepted_units(quantity))


@pytest.mark.parametrize(
    "unit",
    [
        "",
        " ",
        " V",
        "V\n",
        "V\x00",
        "__import__('os')",
        "V" * 5000,
        "(" * 31,
        "/" * 31,
        "{" * 31,
        "10*9999",
        "10*999999999",
        "m-99999",
        "V0",
        "B[V]",  # logarithmic
        "mCel",
        "Cel/s",
        "\ud800",
    ],
    ids=ascii,
)
def test_absurd_text_is_an_unknown_unit(unit: str) -> None:
    with pytest.raises(UnknownUnit) as caught:
        to_si(1.0, unit, "voltage")
    message = str(caught.value)
    assert len(message) < 300
    assert message.isprintable()


def test_a_code_that_is_too_long() -> None:
    assert to_si(5.0, "V{" + "a" * 29 + "}", "voltage") == 5.0
    with pytest.raises(UnknownUnit, match="at most 32 characters"):
        to_si(5.0, "V{" + "a" * 30 + "}", "voltage")


@pytest.mark.parametrize("unit", ["B", "B[V]", "dB[V]", "B[W]", "Np", "[pH]"])
@pytest.mark.parametrize("quantity", ["voltage", "power", "ratio"])
def test_a_logarithmic_scale_is_refused(unit: str, quantity: str) -> None:
    with pytest.raises(UnitError):
        to_si(1.0, unit, quantity)


@pytest.mark.parametrize("unit", ["10*999.V", "10*-999.V"])
def test_a_scale_that_no_float_holds(unit: str) -> None:
    with pytest.raises(UnknownUnit, match="beyond any real unit"):
        to_si(1.0, unit, "voltage")


@pytest.mark.parametrize("unit", [None, 3, 1.0, ["V"], {"V": 1}, b"V"], ids=repr)
def test_a_unit_that_is_no_text(unit: object) -> None:
    with pytest.raises(UnknownUnit, match="text"):
        to_si(1.0, unit, "voltage")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "value", [math.nan, math.inf, -math.inf, 10**400, 10**5000, "5", None], ids=lambda v: type(v)
)
def test_a_value_that_is_no_finite_number(value: float) -> None:
    for convert in (to_si, from_si):
        with pytest.raises(UnitError, match="not a finite number"):
            convert(value, "kV", "voltage")


def test_a_result_that_is_not_finite() -> None:
    with pytest.raises(UnitError, match="too large"):
        to_si(sys.float_info.max, "kV", "voltage")
    with pytest.raises(UnitError, match="too large"):
        from_si(sys.float_info.max, "mV", "voltage")


@pytest.mark.parametrize("ask", [accepted_units, si_unit, lambda name: to_si(1.0, "V", name)])
def test_an_unknown_quantity(ask: object) -> None:
    assert callable(ask)
    with pytest.raises(UnknownQuantity, match="did you mean resistance"):
        ask("resistence")
    with pytest.raises(UnknownQuantity, match="known: resistance, voltage"):
        ask("")


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_the_si_unit_changes_nothing(quantity: str) -> None:
    assert to_si(1.25, si_unit(quantity), quantity) == 1.25
    assert from_si(1.25, si_unit(quantity), quantity) == 1.25


readings = st.floats(-1e15, 1e15, allow_subnormal=False)


@given(readings, st.sampled_from(ACCEPTED))
def test_round_trip(value: float, code: tuple[str, str]) -> None:
    quantity, unit = code
    # A zero point of 273 K takes digits from small numbers, so it is allowed its own last bits.
    slack = 1e-12 if quantity == "temperature" else 0.0
    back = from_si(to_si(value, unit, quantity), unit, quantity)
    assert back == pytest.approx(value, rel=1e-15, abs=max(slack, 1e-290))


@given(readings, readings, st.sampled_from(ACCEPTED))
def test_order_is_kept(one: float, other: float, code: tuple[str, str]) -> None:
    quantity, unit = code
    low, high = sorted((one, other))
    assert to_si(low, unit, quantity) <= to_si(high, unit, quantity)


ucum_like = st.lists(
    st.sampled_from(
        [*"()./{}[]*^'%+-0123456789kmMuGdYyVAFWCJKsgtlLBhabx", "Ohm", "Cel", "[degF]", "10*", "dB"]
    ),
    max_size=34,
).map("".join)


@settings(max_examples=examples(400), deadline=None)
@given(st.one_of(st.text(), ucum_like), st.sampled_from(sorted(QUANTITIES)))
@example("10*999.10*999.10*999", "ratio")
@example("mm999", "length")
@example("{x}.{y}", "ratio")
@example("2.{x}/3", "ratio")
def test_any_text_converts_or_is_a_unit_error(unit: str, quantity: str) -> None:
    for convert in (to_si, from_si):
        # Any other exception fails the test.
        with suppress(UnitError):
            assert math.isfinite(convert(2.5, unit, quantity))


@pytest.mark.parametrize(
    "unit",
    [
        "(" * 15 + "s" + ")" * 15,
        "(((((((s{a}){a}){a}){a}){a}){a}",
        ".".join("m" * 16),
        "/".join("m" * 16),
        "{}" * 16,
        "10*999.10*999.10*999.10*999.10*9",
        "daYdaYdaYdaYdaYdaYdaYdaYdaYdaYda",
    ],
)
def test_no_text_takes_long(unit: str) -> None:
    to_si(1.0, "V", "voltage")  # builds the registry
    assert len(unit) <= units.MAX_UNIT_LENGTH
    before = time.perf_counter()
    with pytest.raises(UnitError):
        to_si(1.0, unit, "voltage")
    assert time.perf_counter() - before < 1.0


def test_threads_that_meet_at_the_first_use() -> None:
    for cached in (units._cached_scale, units._unit, units._library):
        cached.cache_clear()
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda code: to_si(1.0, code[1], code[0]), list(SCALES) * 8))
    assert found == [to_si(1.0, unit, quantity) for quantity, unit in SCALES] * 8
    assert units._library.cache_info().misses == 1
