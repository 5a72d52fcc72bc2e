"""The sub-problems: some picked by hand, the others drawn by seed."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.random import Generator

from service.ruleset.catalogue import Catalogue
from service.ruleset.model import NO_FAULT, Check, RuleSet
from tests.optimum.cut import LEFT_OUT, SubProblem

SYMPTOMS = ("no-heat", "no-operation", "blows-fuse", "low-heat", "stops-mid-cycle", "loud-hum")
FAULTS = 7  # and no-fault-present
CHECKS = 8
# As the loader asks: an outcome at least twice as likely as on a healthy part.
SHOWN = 2.0

_BY_HAND = {
    "no-heat inside": (
        "no-heat",
        "magnetron-filament-open magnetron-weak-emission diode-shorted diode-open capacitor-open "
        "transformer-secondary-open filament-connector-burnt",
        "magnetron-filament-resistance filament-connector diode-forward diode-reverse "
        "capacitor-capacitance transformer-secondary-resistance oscillation-indicator "
        "heating-hum",
    ),
    "no-heat door and control": (
        "no-heat",
        "primary-interlock-open secondary-interlock-open door-latch-misaligned power-relay-open "
        "control-board-failed magnetron-cutout-open wiring-open",
        "door-latch turntable primary-interlock-switch secondary-interlock-switch "
        "power-relay-coil-resistance magnetron-cutout-resistance wiring-continuity keypad",
    ),
    "no-operation": (
        "no-operation",
        "supply-outlet-dead power-cord-open main-fuse-fatigue filter-board-open "
        "cavity-cutout-open magnetron-cutout-open control-board-failed",
        "outlet-voltage display main-fuse-resistance power-cord-resistance "
        "filter-board-resistance cavity-cutout-resistance magnetron-cutout-resistance lamp",
    ),
    "blows-fuse": (
        "blows-fuse",
        "monitor-switch-welded primary-interlock-welded capacitor-shorted "
        "transformer-shorted-to-chassis wiring-shorted filter-board-shorted main-fuse-fatigue",
        "monitor-switch primary-interlock-switch-door-open capacitor-resistance "
        "transformer-to-chassis wiring-insulation filter-board-insulation main-fuse-resistance "
        "display",
    ),
    "low-heat": (
        "low-heat",
        "supply-voltage-low magnetron-weak-emission capacitor-low transformer-turns-shorted "
        "magnetron-magnet-cracked filament-connector-burnt stirrer-stopped",
        "outlet-voltage water-load-power capacitor-capacitance transformer-primary-inductance "
        "magnet-inspection filament-connector stirrer heating-hum",
    ),
    "stops-mid-cycle": (
        "stops-mid-cycle",
        "cooling-fan-failed air-path-blocked temperature-sensor-failed magnetron-cutout-open "
        "control-board-failed door-latch-misaligned auxiliary-relay-open",
        "cooling-fan air-path sensor-resistance magnetron-cutout-resistance door-latch long-run "
        "fan-motor-resistance turntable",
    ),
    "loud-hum": (
        "loud-hum",
        "diode-shorted magnetron-shorted-to-case capacitor-shorted transformer-turns-shorted "
        "high-voltage-lead-arcing capacitor-shorted-to-case transformer-shorted-to-chassis",
        "heating-hum diode-reverse magnetron-to-case capacitor-resistance capacitor-to-case "
        "transformer-primary-inductance high-voltage-leads transformer-to-chassis",
    ),
}


def by_hand() -> list[SubProblem]:
    """The sub-problems picked by hand."""
    return [
        SubProblem(name, symptom, tuple(faults.split()), tuple(checks.split()))
        for name, (symptom, faults, checks) in _BY_HAND.items()
    ]


@cache
def _oven() -> RuleSet:
    return Catalogue.load().get("microwave-oven")


def drawn(seed: int, faults: int = FAULTS, checks: int = CHECKS) -> SubProblem:
    """So many faults of one complaint, the likelier the oftener, and checks that bear on them.

    Each fault has at least one check that shows it, as every rule set must have.
    """
    rng = np.random.default_rng(seed)
    symptom = SYMPTOMS[seed % len(SYMPTOMS)]
    while True:
        chosen = _draw_faults(rng, symptom, faults)
        found = _draw_checks(rng, chosen, checks)
        if found is not None:
            return SubProblem(f"{symptom} {seed}", symptom, chosen, found)


def _draw_faults(rng: Generator, symptom: str, count: int) -> tuple[str, ...]:
    # Rules exclude the inverter board where the oven has none.
    listed = [
        one
        for one in _oven().faults.values()
        if one.id not in (NO_FAULT, "inverter-board-failed") and symptom in one.symptoms
    ]
    weights = np.array([one.rate * one.symptoms[symptom] for one in listed])
    picked = rng.choice(len(listed), count, replace=False, p=weights / weights.sum())
    return tuple(listed[i].id for i in sorted(picked))


def _draw_checks(rng: Generator, faults: tuple[str, ...], count: int) -> tuple[str, ...] | None:
    """None where the drawn checks are too many, or all that bear on the faults too few."""
    usable = [one for one in _oven().checks.values() if one.id not in LEFT_OUT]
    taken: list[str] = []
    for fault in faults:
        showing = [one.id for one in usable if _shows(one, fault)]
        if not showing:
            return None
        if not set(showing) & set(taken):
            taken.append(showing[int(rng.integers(len(showing)))])
    bearing = [
        one.id
        for one in usable
        if one.id not in taken and any(_shows(one, fault) for fault in faults)
    ]
    more = count - len(taken)
    if more < 0 or more > len(bearing):
        return None
    taken += rng.choice(bearing, more, replace=False).tolist()
    return tuple(one for one in _oven().checks if one in taken)


def _shows(check: Check, fault: str) -> bool:
    rows = [
        check.row(fault, condition, 0.0) for condition in (None, *_oven().faults[fault].conditions)
    ]
    return any(
        p >= SHOWN * healthy for row in rows for p, healthy in zip(row, check.default, strict=True)
    )
