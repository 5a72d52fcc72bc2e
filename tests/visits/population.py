"""The visits that a technician is called to: which faults, how often, in which ovens.

All frequencies are estimates, a judgement of the trade made without the service's tables.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from numpy.random import Generator

from tests.visits.build import Build, draw_build, healthy_values, nominal_capacitor
from tests.visits.customer import answers, complain, pick
from tests.visits.injection import NEEDS, draw_fault, possible
from tests.visits.oven import Oven
from tests.visits.remedies import CURES

FREQUENCY: dict[str, float] = {
    "supply-outlet-dead": 15,
    "supply-voltage-low": 10,
    "supply-of-another-voltage": 0.1,
    "power-cord-open": 8,
    "protective-earth-open": 4,
    "main-fuse-fatigue": 45,
    "filter-board-open": 5,
    "filter-board-shorted": 6,
    "cavity-cutout-open": 18,
    "magnetron-cutout-open": 28,
    "base-cutout-open": 6,
    "high-voltage-fuse-open": 8,
    "wiring-open": 22,
    "wiring-shorted": 9,
    "primary-interlock-open": 40,
    "secondary-interlock-open": 34,
    "primary-interlock-welded": 11,
    "secondary-interlock-welded": 5,
    "monitor-switch-welded": 8,
    "monitor-switch-open": 3,
    "door-latch-misaligned": 42,
    "door-seal-damaged": 12,
    "control-board-failed": 65,
    "keypad-failed": 45,
    "power-relay-open": 40,
    "power-relay-welded": 9,
    "cooling-fan-failed": 35,
    "turntable-motor-open": 45,
    "lamp-open": 40,
    "transformer-primary-open": 8,
    "transformer-secondary-open": 10,
    "transformer-filament-open": 3,
    "transformer-shorted-to-chassis": 12,
    "transformer-turns-shorted": 15,
    "capacitor-shorted": 28,
    "capacitor-open": 10,
    "capacitor-low": 7,
    "capacitor-shorted-to-case": 8,
    "diode-shorted": 45,
    "diode-open": 18,
    "magnetron-filament-open": 25,
    "magnetron-shorted-to-case": 38,
    "magnetron-weak-emission": 70,
    "magnetron-magnet-cracked": 8,
    "filament-connector-burnt": 24,
    "waveguide-cover-burnt": 60,
    "air-path-blocked": 20,
    "stirrer-stopped": 9,
    "turntable-coupling-broken": 25,
    "control-transformer-open": 8,
    "temperature-sensor-failed": 6,
    "cavity-coating-burnt": 20,
    "magnetron-antenna-burnt": 12,
    "door-switch-order-wrong": 7,
    "capacitor-bleed-open": 3,
    "auxiliary-relay-open": 10,
    "high-voltage-lead-arcing": 6,
    # Of inverter-fed ovens alone, where it is the commonest fault.
    "inverter-board-failed": 250,
}
"""Relative frequency of single faults."""

KINDS = {"none": 0.065, "linked": 0.05, "hiding": 0.015, "coincidence": 0.015, "single": 0.855}
"""Share of visits by kind; two faults at once in 8 of 100."""

LINKED: dict[tuple[str, str], float] = {
    # (cause, what it leads to)
    ("cooling-fan-failed", "magnetron-weak-emission"): 3,
    ("cooling-fan-failed", "magnetron-cutout-open"): 3,
    ("auxiliary-relay-open", "magnetron-cutout-open"): 1,
    ("air-path-blocked", "magnetron-cutout-open"): 2,
    ("air-path-blocked", "magnetron-weak-emission"): 1,
    ("primary-interlock-welded", "monitor-switch-welded"): 1.5,
    ("primary-interlock-welded", "secondary-interlock-welded"): 0.7,
    ("primary-interlock-welded", "monitor-switch-open"): 0.7,
    ("door-latch-misaligned", "primary-interlock-open"): 2,
    ("door-latch-misaligned", "secondary-interlock-open"): 1,
    ("door-latch-misaligned", "door-seal-damaged"): 1,
    ("capacitor-shorted", "diode-shorted"): 2.5,
    ("magnetron-shorted-to-case", "diode-shorted"): 2,
    ("magnetron-shorted-to-case", "inverter-board-failed"): 3,
    ("diode-shorted", "transformer-turns-shorted"): 1,
    ("waveguide-cover-burnt", "magnetron-antenna-burnt"): 2,
    ("cavity-coating-burnt", "waveguide-cover-burnt"): 1,
    ("stirrer-stopped", "waveguide-cover-burnt"): 0.7,
    ("filament-connector-burnt", "magnetron-filament-open"): 1,
}
HIDING: dict[tuple[str, str], float] = {
    ("cavity-cutout-open", "magnetron-cutout-open"): 3,
    ("primary-interlock-open", "secondary-interlock-open"): 2,
    ("main-fuse-fatigue", "magnetron-weak-emission"): 1,
    ("main-fuse-fatigue", "power-relay-open"): 1,
    ("control-transformer-open", "power-relay-open"): 0.5,
    ("diode-open", "magnetron-filament-open"): 1,
    ("capacitor-open", "diode-open"): 1,
    ("wiring-open", "magnetron-cutout-open"): 1,
    ("capacitor-bleed-open", "magnetron-weak-emission"): 0.5,
    ("monitor-switch-open", "secondary-interlock-welded"): 0.5,
}

MISSING = {
    # How often an entry of the plate is not sent.
    "supply_voltage": 0.06,
    "supply_frequency": 0.25,
    "high_voltage_supply": 0.20,
    "rated_input": 0.15,
    "rated_output": 0.10,
    "capacitor_capacitance": 0.50,
    "capacitor_rated_voltage": 0.55,
    "bleed_resistance": 0.85,
    "main_fuse_rating": 0.35,
}


@dataclass
class Visit:
    """One call: what is known at the door, and the truth behind it."""

    symptom: str
    nameplate: dict[str, Any]
    oven: Oven
    kind: str
    faults: frozenset[str]
    """True root faults; `no-fault-present` where there is none."""
    remedies: frozenset[str]
    """Every remedy that cures at least one of them."""
    consequences: frozenset[str]
    """Remedies that are due beside: fuses that a fault has blown."""
    told: dict[str, str] = field(default_factory=dict)
    """What the customer answers, by question."""


def true_nameplate(build: Build) -> dict[str, Any]:
    """What plate and labels of an oven say."""
    plate: dict[str, Any] = {
        "supply_voltage": {"value": build.supply, "unit": "V"},
        "supply_frequency": {"value": build.frequency, "unit": "Hz"},
        "high_voltage_supply": "inverter" if build.inverter else "transformer",
        "rated_input": {"value": build.rated_input, "unit": "W"},
        "rated_output": {"value": build.output, "unit": "W"},
        "main_fuse_rating": {"value": build.fuse_ampere, "unit": "A"},
    }
    if not build.inverter:
        micro = round(nominal_capacitor(build.output, build.frequency) * 1e6, 2)
        plate["capacitor_capacitance"] = {"value": micro, "unit": "uF"}
        plate["capacitor_rated_voltage"] = {"value": 2100, "unit": "V"}
        plate["bleed_resistance"] = {"value": 10, "unit": "MOhm"}
    return plate


def draw_nameplate(build: Build, rng: Generator) -> dict[str, Any]:
    """The plate as sent with the request, some entries missing."""
    plate = true_nameplate(build)
    return {name: value for name, value in plate.items() if rng.random() >= MISSING[name]}


def _frequency(build: Build) -> dict[str, float]:
    return {fault: share for fault, share in FREQUENCY.items() if possible(fault, build)}


def _pair(pairs: dict[tuple[str, str], float], build: Build, rng: Generator) -> tuple[str, ...]:
    fit = {
        f"{one} {other}": weight
        for (one, other), weight in pairs.items()
        if possible(one, build) and possible(other, build)
    }
    return tuple(pick(fit, rng).split())


def draw_faults(build: Build, rng: Generator) -> tuple[str, tuple[str, ...]]:
    """Kind of the visit and the faults of its oven."""
    kind = pick(KINDS, rng)
    if kind == "none":
        return kind, ()
    if kind == "linked":
        return kind, _pair(LINKED, build, rng)
    if kind == "hiding":
        return kind, _pair(HIDING, build, rng)
    first = pick(_frequency(build), rng)
    if kind == "single":
        return kind, (first,)
    others = {name: share for name, share in _frequency(build).items() if name != first}
    return kind, (first, pick(others, rng))


def make_oven(
    faults: tuple[str, ...], rng: Generator, build: Build | None = None, lasting: bool = False
) -> Oven:
    """An oven with the faults, of a kind that can have them, if no `build` is given.

    `lasting` makes each fault act all the time.
    """
    if build is None:
        build = draw_build(rng)
        while not all(possible(fault, build) for fault in faults):
            build = draw_build(rng)
    for fault in faults:
        if fault in NEEDS:
            build = NEEDS[fault](build)
    injected = [draw_fault(fault, build, rng) for fault in faults]
    if lasting:
        injected = [replace(one, acts=1.0) for one in injected]
    return Oven(build, healthy_values(build, rng), injected)


def remedies_for(faults: frozenset[str]) -> frozenset[str]:
    """Every remedy that cures at least one of the faults."""
    return frozenset().union(*(CURES[fault] for fault in faults or {"no-fault-present"}))


def describe(oven: Oven) -> tuple[frozenset[str], frozenset[str], frozenset[str]]:
    """Faults, remedies and further remedies due, as the oven is now."""
    faults = oven.faults
    return (
        faults or frozenset({"no-fault-present"}),
        remedies_for(faults),
        frozenset(f"replace-{fuse}" for fuse in oven.blown),
    )


def draw_visit(rng: Generator, symptom: str | None = None, most: int = 20_000) -> Visit:
    """A visit; with a symptom, the first that has this complaint."""
    for _ in range(most):
        build = draw_build(rng)
        kind, names = draw_faults(build, rng)
        oven = make_oven(names, rng, build)
        complaint, met = complain(oven, rng)
        if symptom is None or complaint == symptom:
            faults, remedies, consequences = describe(oven)
            plate = draw_nameplate(oven.build, rng)
            # Of its own, so that what is asked changes nothing else of a visit.
            told = answers(oven, complaint, met, rng.spawn(1)[0])
            return Visit(complaint, plate, oven, kind, faults, remedies, consequences, told)
    raise ValueError(f"no visit with the complaint {symptom!r} in {most} draws")
