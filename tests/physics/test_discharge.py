"""Capacitor and doubler: figures computed from the formulas named, and a numerical integration."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from service.physics.discharge import (
    PLUG_PIN_VOLTAGE,
    SAFE_VOLTAGE,
    TOUCHABLE_CHARGE,
    discharge_figures,
    discharge_time,
    discharge_tool,
    largest_bleed_resistance,
    peak_voltage,
    stored_charge,
    stored_energy,
    voltage_after,
)
from service.physics.doubler import half_wave_doubler

MICRO = 1e-6
MEGA = 1e6
PEAK = 2970.0  # V, of the 2,100 V class
BAD = [math.nan, math.inf, -1.0]


def test_constants_of_the_standard() -> None:
    assert SAFE_VOLTAGE == 42.4  # IEC 60335-1 clause 8.1.4
    assert TOUCHABLE_CHARGE == 45e-6  # IEC 60335-1 clause 8.1.4
    assert PLUG_PIN_VOLTAGE == 34.0  # IEC 60335-1 clause 22.5 (from memory)


@pytest.mark.parametrize(("rms", "peak", "output"), [(2000.0, 2828, 5657), (2100.0, 2970, 5940)])
def test_doubler_without_load(rms: float, peak: float, output: float) -> None:
    """Circuit theory: sqrt(2) V and 2 sqrt(2) V, to whole volts."""
    found = half_wave_doubler(rms)
    assert found.peak_voltage == pytest.approx(peak, abs=0.5)
    assert found.output_voltage == pytest.approx(output, abs=0.5)


def test_peak_is_the_largest_value_of_the_sine() -> None:
    phase = np.linspace(0.0, 2.0 * math.pi, 200_001)
    wave = np.sin(phase)
    scaled = 2100.0 * wave / np.sqrt(np.mean(wave[:-1] ** 2))
    assert peak_voltage(2100.0) == pytest.approx(scaled.max(), rel=1e-9)


@pytest.mark.parametrize(
    ("capacitance", "safe", "seconds"),
    [
        pytest.param(1.0, 42.4, 42.5, id="1 uF to 42.4 V, IEC 60335-1 8.1.4"),
        pytest.param(1.0, 34.0, 44.7, id="1 uF to 34 V, IEC 60335-1 22.5 (from memory)"),
        pytest.param(0.7, 42.4, 29.7, id="0.7 uF to 42.4 V, IEC 60335-1 8.1.4"),
        pytest.param(0.7, 34.0, 31.3, id="0.7 uF to 34 V, IEC 60335-1 22.5 (from memory)"),
        pytest.param(1.2, 42.4, 51.0, id="1.2 uF to 42.4 V, IEC 60335-1 8.1.4"),
        pytest.param(1.2, 34.0, 53.6, id="1.2 uF to 34 V, IEC 60335-1 22.5 (from memory)"),
    ],
)
def test_discharge_time(capacitance: float, safe: float, seconds: float) -> None:
    """Circuit theory, RC ln(V0 / V), through 10 MOhm (common practice) from 2,970 V."""
    found = discharge_time(capacitance * MICRO, 10 * MEGA, PEAK, safe)
    assert found == pytest.approx(seconds, abs=0.05)


@pytest.mark.parametrize(
    ("capacitance", "joules", "microcoulombs"), [(1.0, 4.41, 2970), (1.2, 5.29, 3564)]
)
def test_energy_and_charge(capacitance: float, joules: float, microcoulombs: float) -> None:
    """Circuit theory, C V^2 / 2 and C V, at 2,970 V."""
    assert stored_energy(capacitance * MICRO, PEAK) == pytest.approx(joules, abs=0.005)
    assert stored_charge(capacitance * MICRO, PEAK) == pytest.approx(microcoulombs * MICRO)


@pytest.mark.parametrize("capacitance", [0.7, 0.9, 1.0, 1.2])
def test_a_rule_on_ten_joules_would_call_every_such_capacitor_harmless(capacitance: float) -> None:
    """Berkeley Lab Electrical Safety Manual, table 2.2.13, against IEC 60335-1 clause 8.1.4."""
    found = discharge_figures(capacitance * MICRO, 2100.0, None)
    assert 3.05 < found.energy < 5.35
    assert found.charge > 46 * TOUCHABLE_CHARGE


def test_figures_of_the_usual_capacitor() -> None:
    found = discharge_figures(1.0 * MICRO, 2100.0, 10 * MEGA)
    assert found.peak_voltage == pytest.approx(2970, abs=0.5)
    assert found.energy == pytest.approx(4.41, abs=0.005)
    assert found.charge == pytest.approx(2970e-6, abs=0.5e-6)
    assert found.time_constant == pytest.approx(10.0)
    assert found.wait == pytest.approx(42.5, abs=0.05)
    later = discharge_figures(1.0 * MICRO, 2100.0, 10 * MEGA, safe_voltage=34.0)
    assert later.wait == pytest.approx(44.7, abs=0.05)


def test_without_a_bleed_resistor_no_wait_helps() -> None:
    found = discharge_figures(1.0 * MICRO, 2100.0, None)
    assert found.time_constant is None
    assert found.wait is None


def test_plug_pins() -> None:
    """IEC 60335-1 clause 22.5 (from memory): 34 V after 1 s from 325 V, 0.443 MOhm per uF."""
    found = largest_bleed_resistance(1.0 * MICRO, 325.0, PLUG_PIN_VOLTAGE, 1.0)
    assert found == pytest.approx(0.443 * MEGA, abs=0.0005 * MEGA)
    assert largest_bleed_resistance(1.0 * MICRO, 30.0, PLUG_PIN_VOLTAGE, 1.0) == math.inf


capacitances = st.floats(0.1 * MICRO, 10 * MICRO)
resistances = st.floats(0.1 * MEGA, 100 * MEGA)
voltages = st.floats(50.0, 6000.0)


@settings(max_examples=40, deadline=None)
@given(capacitances, resistances, voltages, st.floats(5.0, 45.0))
def test_discharge_against_integration(
    capacitance: float, resistance: float, initial: float, safe: float
) -> None:
    """dV/dt = -V / RC integrated numerically up to the crossing of the safe voltage."""

    def slope(_: float, voltage: np.ndarray) -> np.ndarray:
        return -voltage / (resistance * capacitance)

    def crossing(_: float, voltage: np.ndarray) -> float:
        return float(voltage[0]) - safe

    crossing.terminal = True  # type: ignore[attr-defined]
    tau = resistance * capacitance
    solved = solve_ivp(
        slope, (0.0, 20 * tau), [initial], events=crossing, rtol=1e-9, atol=1e-9, dense_output=True
    )
    reached = solved.t_events[0][0]
    assert discharge_time(capacitance, resistance, initial, safe) == pytest.approx(
        reached, rel=1e-6
    )
    halfway = voltage_after(reached / 2, capacitance, resistance, initial)
    assert halfway == pytest.approx(solved.sol(reached / 2)[0], rel=1e-5)


@given(capacitances, resistances, voltages, st.floats(1.0, 49.0))
def test_the_wait_ends_at_the_safe_voltage(
    capacitance: float, resistance: float, initial: float, safe: float
) -> None:
    wait = discharge_time(capacitance, resistance, initial, safe)
    assert voltage_after(wait, capacitance, resistance, initial) == pytest.approx(safe, rel=1e-9)
    assert largest_bleed_resistance(capacitance, initial, safe, wait) == pytest.approx(resistance)


def test_a_safe_capacitor_needs_no_wait() -> None:
    assert discharge_time(MICRO, 10 * MEGA, 42.4, 42.4) == 0.0
    assert discharge_time(MICRO, 10 * MEGA, 0.0, 42.4) == 0.0
    assert voltage_after(0.0, MICRO, 10 * MEGA, 100.0) == 100.0


@pytest.mark.parametrize("bad", BAD)
def test_no_argument_may_be_negative_or_not_finite(bad: float) -> None:
    for call in (
        lambda: peak_voltage(bad),
        lambda: half_wave_doubler(bad),
        lambda: stored_energy(bad, 1.0),
        lambda: stored_energy(1.0, bad),
        lambda: stored_charge(bad, 1.0),
        lambda: stored_charge(1.0, bad),
        lambda: voltage_after(bad, 1.0, 1.0, 1.0),
        lambda: voltage_after(1.0, 1.0, 1.0, bad),
        lambda: discharge_time(1.0, 1.0, bad, 1.0),
        lambda: largest_bleed_resistance(1.0, bad, 1.0, 1.0),
        lambda: discharge_figures(1.0, bad, 1.0),
    ):
        with pytest.raises(ValueError, match="must be finite"):
            call()


@pytest.mark.parametrize("bad", [*BAD, 0.0])
def test_divisors_must_be_positive(bad: float) -> None:
    for call in (
        lambda: voltage_after(1.0, bad, 1.0, 1.0),
        lambda: voltage_after(1.0, 1.0, bad, 1.0),
        lambda: discharge_time(bad, 1.0, 1.0, 1.0),
        lambda: discharge_time(1.0, bad, 1.0, 1.0),
        lambda: discharge_time(1.0, 1.0, 1.0, bad),
        lambda: largest_bleed_resistance(bad, 1.0, 1.0, 1.0),
        lambda: largest_bleed_resistance(1.0, 1.0, bad, 1.0),
        lambda: largest_bleed_resistance(1.0, 1.0, 1.0, bad),
        lambda: discharge_figures(bad, 1.0, 1.0),
        lambda: discharge_figures(1.0, 1.0, bad),
        lambda: discharge_figures(1.0, 1.0, None, bad),
    ):
        with pytest.raises(ValueError, match="greater than 0"):
            call()


@given(
    capacitance=st.floats(0.05e-6, 100e-6),
    voltage=st.floats(100.0, 8000.0),
)
def test_a_discharge_tool_is_quick_and_has_room(capacitance: float, voltage: float) -> None:
    """Held against an integration of the discharge, and against the figures that it must take."""
    tool = discharge_tool(capacitance, voltage)
    rc = tool.resistance * capacitance
    times = np.linspace(0.0, tool.time, 2000)
    left = solve_ivp(
        lambda _, v: -v / rc, (0.0, max(tool.time, 1e-9)), [voltage], rtol=1e-9, atol=1e-9
    ).y[0, -1]
    assert left == pytest.approx(min(voltage, SAFE_VOLTAGE), rel=1e-4)
    assert tool.time <= 0.5 + 1e-9
    assert tool.first_current == pytest.approx(voltage / tool.resistance)
    assert tool.first_power == pytest.approx(tool.first_current * voltage)
    # All that is stored goes into the resistor, and once a second it may.
    power = (voltage * np.exp(-times / rc)) ** 2 / tool.resistance
    assert np.trapezoid(power, times) <= tool.rated_power
    assert tool.insulation >= 2.0 * voltage


def test_the_tool_of_a_common_capacitor() -> None:
    """1 µF at 2,970 V: 100 kΩ takes 29.7 mA and 88 W at first, and 0.42 s to 42.4 V (by hand)."""
    tool = discharge_tool(1e-6, 2970.0)
    assert tool.resistance == 100e3
    assert tool.rated_power == 5.0  # 4.4 J
    assert tool.insulation == 10e3
    assert tool.first_current == pytest.approx(29.7e-3)
    assert tool.first_power == pytest.approx(88.2, abs=0.05)
    assert tool.time == pytest.approx(0.425, abs=5e-4)
