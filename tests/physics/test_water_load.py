"""Heating power: computed and published figures, and the uncertainty by finite differences."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.physics.water_load import (
    Instruments,
    WaterLoad,
    field_power,
    heating_power,
    heating_time,
    one_litre_power,
    rounded_power,
    two_litre_power,
    watts_per_kelvin,
)
from tests.physics.published import HEATING_TIMES

BAD = [math.nan, math.inf, -math.inf]


@pytest.mark.parametrize(
    ("load", "watts"),
    [
        (WaterLoad(1000, 400, 10, 20, 20, 52.3), 800.57),
        (WaterLoad(1000, 400, 10.2, 19.6, 21.5, 49), 794.69),
        (WaterLoad(1000, 450, 9.5, 20.8, 19, 60), 795.98),
    ],
)
def test_power_of_the_standard(load: WaterLoad, watts: float) -> None:
    """IEC 60705 (clause from memory); values computed from its formula."""
    assert heating_power(load).power == pytest.approx(watts, abs=0.005)


@pytest.mark.parametrize(("seconds", "watts"), HEATING_TIMES)
def test_published_heating_times(seconds: int, watts: float) -> None:
    """Published heating times of one litre raised by 10 K, to whole seconds."""
    assert heating_time(watts) == pytest.approx(seconds, abs=0.5)
    assert rounded_power(field_power(1.0, 10.0, heating_time(watts)).power) == watts


@pytest.mark.parametrize(
    ("litres", "seconds", "watts"),
    [
        pytest.param(1.0, 60.0, 69.8, id="one litre, a minute"),
        pytest.param(1.0, 62.0, 67.5, id="one litre, 62 s"),
        pytest.param(2.0, 120.0, 69.8, id="two litres, two minutes"),
        pytest.param(1.0, 120.0, 34.9, id="one litre, two minutes: laboratory form, 35"),
        pytest.param(0.25, 60.0, 17.4, id="one cup, a minute"),
    ],
)
def test_field_forms(litres: float, seconds: float, watts: float) -> None:
    """Computed from 4187 L dT / t."""
    assert watts_per_kelvin(litres, seconds) == pytest.approx(watts, abs=0.06)
    assert field_power(litres, 10.0, seconds).power == pytest.approx(10 * watts, abs=0.6)


def test_seventy_times_the_rise() -> None:
    """Common practice: for a litre in a minute."""
    assert one_litre_power(10.0).power == pytest.approx(700, rel=0.005)
    assert two_litre_power(10.0).power == one_litre_power(10.0).power


@pytest.mark.parametrize(
    ("watts", "rounded"),
    [(800.57, 800), (794.69, 800), (774.9, 750), (775.0, 800), (0.0, 0), (-10.0, 0), (-30.0, -50)],
)
def test_results_to_the_nearest_fifty_watts(watts: float, rounded: float) -> None:
    """IEC 60705 clause 6."""
    assert rounded_power(watts) == rounded


def formula(water: float, glass: float, start: float, end: float, room: float, t: float) -> float:
    """Written again from the standard, for the differences."""
    return (4.187 * water * (end - start) + 0.55 * glass * (end - room)) / t


@given(
    st.floats(200, 2000),
    st.floats(0, 800),
    st.floats(5, 25),
    st.floats(0.5, 60),
    st.floats(10, 35),
    st.floats(20, 300),
    st.floats(0.01, 2),
    st.floats(0.1, 10),
    st.floats(0.05, 2),
)
def test_uncertainty_against_finite_differences(
    water: float,
    glass: float,
    start: float,
    rise: float,
    room: float,
    t: float,
    u_temperature: float,
    u_mass: float,
    u_time: float,
) -> None:
    end = start + rise
    found = heating_power(
        WaterLoad(water, glass, start, end, room, t), Instruments(u_temperature, u_mass, u_time)
    )
    at = [water, glass, start, end, room, t]
    spread = [u_mass, u_mass if glass else 0.0, u_temperature, u_temperature, u_temperature, u_time]
    total = 0.0
    for place, uncertainty in enumerate(spread):
        step = 1e-4
        above, below = at.copy(), at.copy()
        above[place] += step
        below[place] -= step
        total += ((formula(*above) - formula(*below)) / (2 * step) * uncertainty) ** 2
    assert found.power == pytest.approx(formula(*at), rel=1e-12, abs=1e-9)
    assert found.uncertainty == pytest.approx(math.sqrt(total), rel=1e-6)


@given(st.floats(0.2, 3), st.floats(0.5, 60), st.floats(20, 300), st.floats(0, 2), st.floats(0, 10))
def test_a_field_form_is_the_standard_without_the_container(
    litres: float, rise: float, t: float, u_temperature: float, u_mass: float
) -> None:
    instruments = Instruments(u_temperature, u_mass, 0.5)
    whole = heating_power(WaterLoad(1000 * litres, 0, 10, 10 + rise, 20, t), instruments)
    field = field_power(litres, rise, t, instruments)
    assert field.power == pytest.approx(whole.power, rel=1e-9)
    assert field.uncertainty == pytest.approx(whole.uncertainty, rel=1e-9)


def test_two_litres_halve_the_weight_of_the_clock() -> None:
    clock = Instruments(time=1.0)
    assert one_litre_power(10.0, clock).uncertainty == pytest.approx(
        2 * two_litre_power(10.0, clock).uncertainty
    )


def test_no_uncertainty_and_no_heat() -> None:
    assert heating_power(WaterLoad(1000, 400, 10, 20, 20, 60)).uncertainty == 0.0
    assert heating_power(WaterLoad(1000, 0, 15, 15, 20, 60)).power == 0.0
    assert heating_power(WaterLoad(1000, 0, 15, 14, 20, 60)).power < 0.0


GOOD = {
    "water_mass": 1000.0,
    "container_mass": 400.0,
    "start": 10.0,
    "end": 20.0,
    "ambient": 20.0,
    "seconds": 60.0,
}


@pytest.mark.parametrize(
    ("name", "bad"),
    [
        *((name, bad) for name in GOOD for bad in BAD),
        ("water_mass", 0.0),
        ("water_mass", -1.0),
        ("seconds", 0.0),
        ("seconds", -1.0),
        ("container_mass", -1.0),
        ("start", -0.1),
        ("end", 100.1),
    ],
)
def test_a_run_that_cannot_be(name: str, bad: float) -> None:
    with pytest.raises(ValueError, match=name):
        WaterLoad(**{**GOOD, name: bad})


@pytest.mark.parametrize("bad", [*BAD, -1.0])
def test_other_refusals(bad: float) -> None:
    for call in (
        lambda: Instruments(temperature=bad),
        lambda: Instruments(mass=bad),
        lambda: Instruments(time=bad),
        lambda: field_power(bad, 10.0, 60.0),
        lambda: field_power(1.0, 10.0, bad),
        lambda: watts_per_kelvin(bad, 60.0),
        lambda: watts_per_kelvin(1.0, bad),
        lambda: heating_time(bad),
        lambda: heating_time(700.0, bad),
        lambda: heating_time(700.0, 1.0, bad),
    ):
        with pytest.raises(ValueError, match="must be finite"):
            call()


@pytest.mark.parametrize("bad", BAD)
def test_rise_and_power_must_be_finite(bad: float) -> None:
    with pytest.raises(ValueError, match="rise"):
        field_power(1.0, bad, 60.0)
    with pytest.raises(ValueError, match="power"):
        rounded_power(bad)
