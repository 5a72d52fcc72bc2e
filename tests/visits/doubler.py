"""The half-wave voltage doubler with a magnetron as its load, by time integration.

Source, leakage inductance, resistance and capacitor are in series with the pair of diode and
magnetron. The diode conducts one way at no voltage, the magnetron the other way above its clamp
voltage, with a slope resistance. In units of the source's peak, of 1/(omega C) and of the phase
angle, three figures describe every case, and one table serves every oven:

    resonance   omega^2 L C
    resistance  omega C R
    clamp       clamp voltage / peak of the source
    slope       omega C r, r the slope resistance of the magnetron
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import pi, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

NEVER = 1e6
"""A clamp ratio that no voltage reaches: the magnetron draws nothing."""

RESONANCES = np.linspace(0.0, 0.9, 10)
RESISTANCES = np.array([0.01, 0.08, 0.2, 0.5])
CLAMPS = np.array([0.2, 0.4, 0.6, 0.8, 0.95, 1.1, 1.2, 1.3, 1.4, 1.5, 1.65, 1.8, 2.0, 2.3, 2.8])
SLOPES = np.array([0.02, 0.12, 0.3])


@dataclass(frozen=True)
class Waves:
    """Normalised results over the last period."""

    anode_current: Floats
    """Mean anode current, in units of omega C times the peak voltage."""
    anode_power: Floats
    """Mean anode power, in units of omega C times the peak voltage squared."""
    admittance: NDArray[np.complex128]
    """Fundamental of the input current over the source voltage, in units of omega C."""
    peak: Floats
    """Highest voltage across the magnetron, in units of the source's peak."""


def integrate(
    resonance: ArrayLike,
    resistance: ArrayLike,
    clamp: ArrayLike,
    slope: ArrayLike,
    steps: int = 400,
) -> Waves:
    """The settled waves; arguments broadcast, all cases go in parallel.

    The method's error goes with the step, so a run with half the step takes most of it away
    (Richardson's extrapolation).
    """
    coarse = _integrate(resonance, resistance, clamp, slope, steps)
    fine = _integrate(resonance, resistance, clamp, slope, 2 * steps)
    return Waves(
        2 * fine.anode_current - coarse.anode_current,
        2 * fine.anode_power - coarse.anode_power,
        2 * fine.admittance - coarse.admittance,
        2 * fine.peak - coarse.peak,
    )


def _integrate(
    resonance: ArrayLike,
    resistance: ArrayLike,
    clamp: ArrayLike,
    slope: ArrayLike,
    steps: int,
    periods: int = 16,
) -> Waves:
    """Backward Euler over some periods.

    Diode and magnetron together are a set-valued element, like dry friction: at no current any
    voltage between minus the clamp and zero is possible. The implicit step resolves it exactly.
    """
    a, rho, k, sigma = np.broadcast_arrays(
        *(np.asarray(one, dtype=float) for one in (resonance, resistance, clamp, slope))
    )
    h = 2 * pi / steps
    current, charge = np.zeros(a.shape), np.zeros(a.shape)
    mean, power, peak = np.zeros(a.shape), np.zeros(a.shape), np.zeros(a.shape)
    fundamental = np.zeros(a.shape, dtype=complex)
    inertia = a / h
    forward = 1 / (inertia + rho + h)
    backward = 1 / (inertia + rho + h + sigma)
    for step in range(1, steps * periods + 1):
        angle = step * h
        push = np.sin(angle) - charge + inertia * current
        beyond = np.minimum(push + k, 0.0)
        current = np.maximum(push, 0.0) * forward + beyond * backward
        charge = charge + h * current
        if step > steps * (periods - 1):
            anode = beyond * -backward
            across = np.where(beyond < 0, k + sigma * anode, np.clip(-push, 0, None))
            mean += anode / steps
            power += anode * across / steps
            peak = np.maximum(peak, across)
            fundamental += current * (2 / steps * np.exp(-1j * angle))
    # The source is sin(angle), whose phasor is -j.
    return Waves(mean, power, fundamental / -1j, peak)


@lru_cache(maxsize=1)
def _table() -> NDArray[np.float64]:
    """Mean current, power, and both parts of the admittance over the four axes."""
    axes = np.ix_(RESONANCES, RESISTANCES, CLAMPS, SLOPES)
    waves = integrate(axes[0], axes[1], axes[2], axes[3])
    return np.stack(
        (waves.anode_current, waves.anode_power, waves.admittance.real, waves.admittance.imag),
        axis=-1,
    )


def _weights(axis: Floats, value: float) -> tuple[int, float]:
    value = min(max(value, float(axis[0])), float(axis[-1]))
    low = min(int(np.searchsorted(axis, value, side="right")) - 1, len(axis) - 2)
    return low, float((value - axis[low]) / (axis[low + 1] - axis[low]))


def _interpolate(resonance: float, resistance: float, clamp: float, slope: float) -> Floats:
    """Multilinear; some ten microseconds, where a general interpolator takes hundreds."""
    block = _table()
    for axis, value in (
        (RESONANCES, resonance),
        (RESISTANCES, resistance),
        (CLAMPS, clamp),
        (SLOPES, slope),
    ):
        low, part = _weights(axis, value)
        block = block[low] * (1 - part) + block[low + 1] * part
    return block


@dataclass(frozen=True, slots=True)
class Doubler:
    """A doubler in physical units."""

    farad: float
    leakage_henry: float
    ohm: float
    clamp_volt: float
    slope_ohm: float

    def loaded(self, volt: float, omega: float) -> Load:
        """What it gives from `volt` (r.m.s., behind leakage and resistance)."""
        unit, peak = omega * self.farad, sqrt(2) * max(volt, 1e-3)
        current, power, real, imag = _interpolate(
            omega**2 * self.leakage_henry * self.farad,
            unit * self.ohm,
            self.clamp_volt / peak,
            unit * self.slope_ohm,
        )
        return Load(
            float(current) * unit * peak,
            float(power) * unit * peak**2,
            complex(real, imag) * unit,
        )


@dataclass(frozen=True, slots=True)
class Load:
    """Mean anode current in ampere, anode power in watt, input admittance in siemens."""

    anode_ampere: float
    anode_watt: float
    admittance: complex


def output_volt(volt: float) -> float:
    """Highest voltage across an unloaded magnetron, for a source of `volt` r.m.s."""
    return float(integrate(0.0, 1e-4, NEVER, 0.1).peak) * sqrt(2) * volt
