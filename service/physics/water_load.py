"""Heating power from the warming of a water load.

IEC 60705 (clause of the formula from memory) and the field forms made from it. Masses are in
grams, temperatures in degrees Celsius, times in seconds, power in watts, because the formula's
constants are: 4.187 J/(g K) for water and 0.55 J/(g K) for the glass container.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from service.physics.metrology import combine
from service.physics.require import require_finite, require_positive, require_size

WATER = 4.187
"""J/(g K): IEC 60705."""

GLASS = 0.55
"""J/(g K): IEC 60705."""

ROUNDING = 50.0
"""W. Results are stated to the nearest 50 W: IEC 60705 clause 6."""

GRAMS_PER_LITRE = 1000.0


@dataclass(frozen=True, slots=True)
class WaterLoad:
    """One run. `seconds` is without the magnetron's warm-up. A container of 0 g leaves it out.

    Raises ValueError for a non-finite number, no water, no time, a negative container, or water
    below 0 or above 100 Cel: ice and steam take heat that the formula does not count.
    """

    water_mass: float
    container_mass: float
    start: float
    end: float
    ambient: float
    seconds: float

    def __post_init__(self) -> None:
        require_positive(water_mass=self.water_mass, seconds=self.seconds)
        require_size(container_mass=self.container_mass)
        require_finite(start=self.start, end=self.end, ambient=self.ambient)
        for name, temperature in (("start", self.start), ("end", self.end)):
            if not 0.0 <= temperature <= 100.0:
                raise ValueError(f"{name}: water of {temperature} Cel is not liquid")


@dataclass(frozen=True, slots=True)
class Instruments:
    """Standard uncertainties: of each temperature (K), each mass (g), the time (s).

    Every reading is taken to err by itself. Where one thermometer is wrong by the same amount each
    time, most of that cancels in the difference, and the result is on the safe side. Raises
    ValueError for a negative or non-finite one.
    """

    temperature: float = 0.0
    mass: float = 0.0
    time: float = 0.0

    def __post_init__(self) -> None:
        require_size(temperature=self.temperature, mass=self.mass, time=self.time)


@dataclass(frozen=True, slots=True)
class HeatingPower:
    """W. `uncertainty` is a standard uncertainty."""

    power: float
    uncertainty: float


def heating_power(load: WaterLoad, instruments: Instruments | None = None) -> HeatingPower:
    """P = (4.187 m_w (T1 - T0) + 0.55 m_c (T1 - T_A)) / t, IEC 60705, with its uncertainty.

    First-order propagation with analytic sensitivities (JCGM 100:2008 5.1.2). Negative where the
    water cooled.
    """
    per_second = 1.0 / load.seconds
    water = WATER * load.water_mass * per_second
    glass = GLASS * load.container_mass * per_second
    rise, container_rise = load.end - load.start, load.end - load.ambient
    power = water * rise + glass * container_rise
    u = instruments or Instruments()
    uncertainty = combine(
        water * u.temperature,  # start
        (water + glass) * u.temperature,  # end
        glass * u.temperature,  # ambient
        WATER * abs(rise) * per_second * u.mass,
        GLASS * abs(container_rise) * per_second * u.mass if load.container_mass else 0.0,
        abs(power) * per_second * u.time,
    )
    return HeatingPower(power, uncertainty)


def field_power(
    litres: float, rise: float, seconds: float, instruments: Instruments | None = None
) -> HeatingPower:
    """The field form: so many litres in a light container, a rise in K, a time in s.

    P = 4187 L dT / t; a litre counts as 1,000 g. `instruments.temperature` is for each of the two
    temperatures behind the rise, `instruments.mass` for the grams of water. Raises ValueError for
    no water, no time or a non-finite rise.
    """
    require_positive(litres=litres, seconds=seconds)
    require_finite(rise=rise)
    per_kelvin = watts_per_kelvin(litres, seconds)
    u = instruments or Instruments()
    power = per_kelvin * rise
    uncertainty = combine(
        per_kelvin * math.sqrt(2.0) * u.temperature,
        abs(power) * u.mass / (litres * GRAMS_PER_LITRE),
        abs(power) * u.time / seconds,
    )
    return HeatingPower(power, uncertainty)


def one_litre_power(rise: float, instruments: Instruments | None = None) -> HeatingPower:
    """One litre for 60 s: 69.8 W per K; "70 times the rise" in the trade (common practice)."""
    return field_power(1.0, rise, 60.0, instruments)


def two_litre_power(rise: float, instruments: Instruments | None = None) -> HeatingPower:
    """Two litres for 120 s: 69.8 W per K, with half the weight of an error in the time."""
    return field_power(2.0, rise, 120.0, instruments)


def watts_per_kelvin(litres: float, seconds: float) -> float:
    """What one kelvin of rise stands for: 4187 L / t. Raises ValueError as `field_power`."""
    require_positive(litres=litres, seconds=seconds)
    return WATER * GRAMS_PER_LITRE * litres / seconds


def heating_time(power: float, litres: float = 1.0, rise: float = 10.0) -> float:
    """Seconds in which `power` warms the water by `rise`: 4187 L dT / P.

    Raises ValueError for an argument that is not positive and finite.
    """
    require_positive(power=power, litres=litres, rise=rise)
    return WATER * GRAMS_PER_LITRE * litres * rise / power


def rounded_power(power: float) -> float:
    """To the nearest 50 W, the half upwards (IEC 60705 clause 6). ValueError if not finite."""
    require_finite(power=power)
    return ROUNDING * math.floor(power / ROUNDING + 0.5)
