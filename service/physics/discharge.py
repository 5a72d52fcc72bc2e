"""The high-voltage capacitor: what it holds, and how long its bleed resistor takes to empty it.

Circuit theory; farads, ohms, volts, seconds, joules, coulombs. None of these figures replaces
discharging the capacitor and verifying it: an open bleed resistor makes every wait void.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from service.physics.require import require_positive, require_size

SAFE_VOLTAGE = 42.4
"""V. Safety extra-low voltage, the least that counts as live: IEC 60335-1 clause 8.1.4."""

TOUCHABLE_CHARGE = 45e-6
"""C. Most that a touchable part may hold over 450 V up to 15 kV peak: IEC 60335-1 clause 8.1.4.

A limit on energy must not stand in its place. Electrical safety manuals begin at 10 J, and a
household oven's capacitor holds 3 to 5 J at three kilovolts.
"""

PLUG_PIN_VOLTAGE = 34.0
"""V, one second after disconnection: IEC 60335-1 clause 22.5 (from memory)."""


FASTEST = 0.5
"""s, the longest that the discharge tool takes to the safe voltage: shorter than it is held on."""

# Preferred numbers (IEC 60063, E6) of the tool's resistor, and sizes that are sold; from memory.
_PREFERRED = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
_RATED_POWERS = (2.0, 5.0, 10.0, 25.0, 50.0, 100.0)
_INSULATION = (1e3, 2.5e3, 5e3, 10e3, 15e3, 20e3, 40e3)


@dataclass(frozen=True, slots=True)
class DischargeTool:
    """What a discharge tool must be made for, and what happens at its first touch.

    Ohms; watts and volts that it must be rated for; A, W and s to the safe voltage.
    """

    resistance: float
    rated_power: float
    insulation: float
    first_current: float
    first_power: float
    time: float


@dataclass(frozen=True, slots=True)
class DischargeFigures:
    """V, J, C, s, s. `time_constant` and `wait` are None without a bleed resistor."""

    peak_voltage: float
    energy: float
    charge: float
    time_constant: float | None
    wait: float | None


def peak_voltage(rms_voltage: float) -> float:
    """Peak of a sine of `rms_voltage`: sqrt(2) V. Raises ValueError if negative or not finite."""
    require_size(rms_voltage=rms_voltage)
    return math.sqrt(2.0) * rms_voltage


def stored_energy(capacitance: float, voltage: float) -> float:
    """C V^2 / 2 in joules. Raises ValueError for a negative or non-finite argument."""
    require_size(capacitance=capacitance, voltage=voltage)
    return 0.5 * capacitance * voltage * voltage


def stored_charge(capacitance: float, voltage: float) -> float:
    """C V in coulombs. Raises ValueError for a negative or non-finite argument."""
    require_size(capacitance=capacitance, voltage=voltage)
    return capacitance * voltage


def voltage_after(
    seconds: float, capacitance: float, resistance: float, initial_voltage: float
) -> float:
    """V0 exp(-t / RC). Raises ValueError if C or R is not positive, or t or V0 is negative."""
    require_positive(capacitance=capacitance, resistance=resistance)
    require_size(seconds=seconds, initial_voltage=initial_voltage)
    return initial_voltage * math.exp(-seconds / (resistance * capacitance))


def discharge_time(
    capacitance: float, resistance: float, initial_voltage: float, safe_voltage: float
) -> float:
    """Seconds from the initial to the safe voltage: RC ln(V0 / V), 0 if it is safe already.

    Raises ValueError if C, R or the safe voltage is not positive, or V0 is negative.
    """
    require_positive(capacitance=capacitance, resistance=resistance, safe_voltage=safe_voltage)
    require_size(initial_voltage=initial_voltage)
    if initial_voltage <= safe_voltage:
        return 0.0
    return resistance * capacitance * math.log(initial_voltage / safe_voltage)


def largest_bleed_resistance(
    capacitance: float, initial_voltage: float, safe_voltage: float, seconds: float
) -> float:
    """Ohms that still bring the voltage down in time: t / (C ln(V0 / V)); infinite if V0 is safe.

    Raises ValueError if C, the safe voltage or the time is not positive, or V0 is negative.
    """
    require_positive(capacitance=capacitance, safe_voltage=safe_voltage, seconds=seconds)
    require_size(initial_voltage=initial_voltage)
    if initial_voltage <= safe_voltage:
        return math.inf
    return seconds / (capacitance * math.log(initial_voltage / safe_voltage))


def discharge_tool(
    capacitance: float, voltage: float, safe_voltage: float = SAFE_VOLTAGE
) -> DischargeTool:
    """The tool for a capacitor charged to `voltage`: the largest preferred resistor that is quick.

    A large resistor keeps the first current small. The rated power takes the stored energy once a
    second; the insulation is twice the voltage. Raises ValueError if an argument is not positive.
    """
    require_positive(capacitance=capacitance, voltage=voltage, safe_voltage=safe_voltage)
    most = largest_bleed_resistance(capacitance, voltage, safe_voltage, FASTEST)
    resistance = _preferred(min(most, 1e6))
    return DischargeTool(
        resistance,
        _at_least(_RATED_POWERS, stored_energy(capacitance, voltage)),
        _at_least(_INSULATION, 2.0 * voltage),
        voltage / resistance,
        voltage * voltage / resistance,
        discharge_time(capacitance, resistance, voltage, safe_voltage),
    )


def _preferred(most: float) -> float:
    """The largest preferred number that is not more."""
    decade = 10.0 ** math.floor(math.log10(most))
    number = max(one for one in _PREFERRED if one <= most / decade * (1.0 + 1e-9))
    return float(f"{number * decade:.3g}")


def _at_least(sizes: tuple[float, ...], wanted: float) -> float:
    """The smallest size that is enough; beyond them, what is wanted."""
    return next((one for one in sizes if one >= wanted), wanted)


def discharge_figures(
    capacitance: float,
    rms_voltage: float,
    bleed_resistance: float | None,
    safe_voltage: float = SAFE_VOLTAGE,
) -> DischargeFigures:
    """All figures of a capacitor charged to the peak of `rms_voltage`.

    Raises ValueError if a capacitance, resistance or safe voltage is not positive, or the voltage
    is negative.
    """
    require_positive(capacitance=capacitance, safe_voltage=safe_voltage)
    peak = peak_voltage(rms_voltage)
    time_constant, wait = None, None
    if bleed_resistance is not None:
        wait = discharge_time(capacitance, bleed_resistance, peak, safe_voltage)
        time_constant = bleed_resistance * capacitance
    return DischargeFigures(
        peak,
        stored_energy(capacitance, peak),
        stored_charge(capacitance, peak),
        time_constant,
        wait,
    )
