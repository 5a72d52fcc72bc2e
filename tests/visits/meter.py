"""The technician's meter: what it says of itself, and how far it is really off.

Units: ohm, volt, farad. Grades, shares and error sizes are estimates.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, log10
from typing import Any

from numpy.random import Generator

from tests.visits.circuit import OPEN

Reading = dict[str, Any]

UNITS: dict[str, tuple[tuple[float, str], ...]] = {
    "resistance": ((1.0, "Ohm"), (1e3, "kOhm"), (1e6, "MOhm")),
    "voltage": ((1.0, "V"),),
    "capacitance": ((1e-6, "uF"),),
    "inductance": ((1e-3, "mH"),),
}
STEP = {"resistance": 0.1, "voltage": 0.1, "capacitance": 1e-9, "inductance": 1e-5}
"""Last digit of the lowest range."""


@dataclass(frozen=True)
class Grade:
    """Accuracy as stated in the manual, by quantity: (percent of reading, counts)."""

    share: float
    full_scale: int
    resistance: tuple[float, int]
    voltage: tuple[float, int]
    capacitance: tuple[float, int]
    highest_ohm: tuple[float, ...]
    thermometer: float
    """Standard error of one temperature in kelvin."""


GRADES = {
    "good": Grade(0.30, 6000, (0.5, 2), (0.8, 3), (1.5, 3), (60e6, 50e6), 0.15),
    "ordinary": Grade(0.50, 4000, (0.9, 3), (1.2, 5), (3.0, 5), (40e6,), 0.35),
    "poor": Grade(0.20, 2000, (1.5, 5), (1.5, 5), (4.0, 8), (2e6, 20e6), 0.7),
}


@dataclass
class Meter:
    """One specimen; errors are systematic and stay with it."""

    grade: str
    gain: dict[str, float]
    lead_ohm: float
    """Both leads together, as they are."""
    nulled: bool
    """The leads have been zeroed on the meter, to some hundredths of an ohm."""
    highest_ohm: float
    test_volt: float
    stated: dict[str, Any]
    """What is sent as `instrument`."""

    def read(self, quantity: str, true: float, rng: Generator) -> Reading:
        """What the display shows, as value and unit, or over range."""
        grade = GRADES[self.grade]
        if quantity == "resistance":
            true += float(rng.normal(0.0, 0.02)) if self.nulled else self.lead_ohm
            if true * self.gain[quantity] > min(self.highest_ohm, OPEN / 10):
                shown = {"value": self.highest_ohm / 1e6, "unit": "MOhm"}
                return {"over_range": True, "range": shown}
        _, counts = getattr(grade, quantity, (1.0, 3))
        value = true * self.gain[quantity]
        digit = STEP[quantity]
        if abs(value) > digit * grade.full_scale:
            digit = 10.0 ** ceil(log10(abs(value) / grade.full_scale))
        value += float(rng.uniform(-0.5, 0.5)) * counts * digit
        value = max(round(value / digit) * digit, 0.0)
        scale, unit = max(
            (one for one in UNITS[quantity] if one[0] <= value or one == UNITS[quantity][0]),
        )
        return {"value": float(f"{value / scale:.5g}"), "unit": unit}


def draw_meter(rng: Generator, high_test_volt: float | None) -> Meter:
    """A meter from a van; `high_test_volt` is that of the better ohmmeter, where there is one."""
    names = list(GRADES)
    name = names[int(rng.choice(len(names), p=[GRADES[one].share for one in names]))]
    grade = GRADES[name]
    # One meter in thirty is out of its own tolerance.
    spoilt = 3.0 if rng.random() < 0.033 else 1.0

    def gain(percent: float) -> float:
        return 1 + spoilt * min(max(float(rng.normal(0, percent / 2)), -percent), percent) / 100

    lead, nulled = float(rng.uniform(0.08, 0.35)), bool(rng.random() < 0.35)
    test_volt = high_test_volt or float(rng.choice((0.6, 1.0, 2.5, 2.8)))
    highest = grade.highest_ohm[int(rng.integers(len(grade.highest_ohm)))]
    if high_test_volt:
        highest = max(highest, 100e6 if high_test_volt < 50 else 1e9)
    return Meter(
        name,
        {
            "resistance": gain(grade.resistance[0]),
            "voltage": gain(grade.voltage[0]),
            "capacitance": gain(grade.capacitance[0]),
            "inductance": gain(1.0),
        },
        lead,
        nulled,
        highest,
        test_volt,
        _statement(grade, lead, nulled, highest, test_volt, bool(high_test_volt), rng),
    )


def _statement(
    grade: Grade,
    lead: float,
    nulled: bool,
    highest: float,
    test_volt: float,
    high: bool,
    rng: Generator,
) -> dict[str, Any]:
    """What is sent as `instrument`; anything may be left out."""
    if rng.random() < 0.2:
        return {}

    def accuracy(quantity: str) -> dict[str, Any]:
        percent, counts = getattr(grade, quantity)
        return {"percent_of_reading": percent, "counts": counts}

    stated: dict[str, Any] = {}
    if rng.random() < 0.9:
        ohms = accuracy("resistance")
        ohms["resolution"] = {"value": STEP["resistance"], "unit": "Ohm"}
        if nulled and rng.random() < 0.5:
            ohms["lead_resistance"] = {"value": 0.0, "unit": "Ohm"}
        elif not nulled and rng.random() < 0.7:
            ohms["lead_resistance"] = {"value": round(lead, 1), "unit": "Ohm"}
        if rng.random() < 0.5:
            ohms["range"] = {"value": highest / 1e6, "unit": "MOhm"}
        if rng.random() < (0.9 if high else 0.4):
            ohms["test_voltage"] = {"value": test_volt, "unit": "V"}
        stated["resistance"] = ohms
    if rng.random() < 0.7:
        stated["voltage"] = accuracy("voltage") | {"resolution": {"value": 0.1, "unit": "V"}}
    if rng.random() < 0.5:
        stated["capacitance"] = accuracy("capacitance")
    return stated
