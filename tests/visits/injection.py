"""Faults put into an oven: which can be, which come and go. Shares are estimates."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from numpy.random import Generator

from tests.visits.build import Build
from tests.visits.faults import DRAWS, Overrides


@dataclass
class Injected:
    """A fault in an oven: what is left of its overrides, and how often it acts."""

    fault: str
    overrides: Overrides
    acts: float = 1.0
    """Share of the occasions on which it shows; 1 is a lasting fault."""

    @property
    def present(self) -> bool:
        return bool(self.overrides)


INTERMITTENT = {
    # Share of the specimens that come and go: loose contacts and worn mechanics do.
    "power-cord-open": 0.3,
    "wiring-open": 0.35,
    "wiring-shorted": 0.4,
    "primary-interlock-open": 0.3,
    "secondary-interlock-open": 0.3,
    "power-relay-open": 0.2,
    "control-board-failed": 0.15,
    "keypad-failed": 0.1,
    "filament-connector-burnt": 0.25,
    "magnetron-shorted-to-case": 0.08,
    "supply-voltage-low": 0.25,
    "cooling-fan-failed": 0.1,
}

NEEDS: dict[str, Callable[[Build], Build]] = {
    "high-voltage-fuse-open": lambda build: replace(build, high_voltage_fuse=True),
    "base-cutout-open": lambda build: replace(
        build, fitted_cutouts=("cavity-cutout", "magnetron-cutout", "base-cutout")
    ),
    "stirrer-stopped": lambda build: replace(build, stirrer=True),
    "turntable-motor-open": lambda build: replace(build, turntable=True),
    "turntable-coupling-broken": lambda build: replace(build, turntable=True),
    "temperature-sensor-failed": lambda build: replace(build, sensor=True),
}
"""What an oven must have for the fault to be possible."""

TRANSFORMER_ONLY = frozenset(
    fault
    for fault in DRAWS
    if fault.startswith(("transformer-", "capacitor-", "diode-", "high-voltage-"))
)
INVERTER_ONLY = frozenset({"inverter-board-failed"})


def possible(fault: str, build: Build) -> bool:
    """Whether an oven of this kind of supply can have the fault at all."""
    return fault not in (TRANSFORMER_ONLY if build.inverter else INVERTER_ONLY)


def draw_fault(fault: str, build: Build, rng: Generator) -> Injected:
    """One specimen of the fault."""
    acts = 1.0
    if rng.random() < INTERMITTENT.get(fault, 0.0):
        acts = float(rng.uniform(0.25, 0.8))
    return Injected(fault, DRAWS[fault](rng, build), acts)
