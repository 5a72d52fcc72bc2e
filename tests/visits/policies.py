"""In which order to check: the service's own way, and three others to hold it against.

All of them share the service's rules, precautions, belief and verdict; only the choice among the
checks that may be offered differs.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any
from unittest.mock import patch

import numpy as np
from numpy.random import Generator

from service.diagnosis import assessment, decision
from service.diagnosis.information import expected_information
from service.diagnosis.planning import Candidate

Choose = Callable[[list[Candidate]], Candidate | None]

# From outside to inside and from the supply to the magnetron, as instructions in print go
# (common practice).
_IN_PRINT = """
told-what-works told-how-often told-settings told-circuit told-when-fuse-goes told-where-it-sparks
told-since-when told-noise outlet-voltage plug-resistance display error-code hum-at-rest keypad
lamp turntable cooling-fan vent-airflow stirrer heating-hum relay-click oscillation-indicator
input-power supply-under-load repeated-starts failing-start water-load-power diode-insulation
magnetron-insulation door-latch door-seal waveguide-cover cavity-inspection look-where-it-sparked
turntable-coupling earth-continuity visual-inspection liquid-or-insects air-path
power-cord-resistance main-fuse-resistance behind-fuse-resistance behind-fuse-resistance-door-open
heating-path-resistance filter-board-resistance filter-board-insulation cavity-cutout-resistance
magnetron-cutout-resistance base-cutout-resistance primary-interlock-switch
secondary-interlock-switch monitor-switch primary-interlock-switch-door-open
secondary-interlock-switch-door-open monitor-switch-door-open door-switch-order
primary-interlock-switch-by-hand secondary-interlock-switch-by-hand transformer-primary-resistance
transformer-secondary-resistance transformer-filament-resistance transformer-to-chassis
transformer-to-chassis-lifted transformer-primary-inductance high-voltage-fuse-resistance
high-voltage-leads capacitor-resistance capacitor-to-case capacitor-charging capacitor-capacitance
diode-forward diode-reverse diode-with-battery filament-connector magnetron-filament-resistance
magnetron-to-case magnet-inspection magnetron-antenna inverter-inspection inverter-fuse-resistance
inverter-input-resistance power-relay-contact power-relay-coil-resistance power-relay-operated
control-transformer-resistance keypad-membrane sensor-resistance fan-motor-resistance fan-by-hand
turntable-motor-resistance lamp-resistance wiring-continuity wiring-insulation
transformer-primary-voltage inverter-supply-voltage relay-drive-voltage leakage-survey sparks-seen
long-run cutouts-while-hot interlock-function reassembly
"""
TEXTBOOK = tuple(_IN_PRINT.split())


@contextmanager
def choosing(policy: str, rng: Generator) -> Iterator[None]:
    """Within it, the service chooses its checks by that policy: one of `POLICIES`."""
    if policy == "service":
        yield
        return
    seen: dict[str, Any] = {}

    def watched(model: Any, states: Any) -> dict[str, float]:
        seen["model"], seen["states"] = model, states
        return expected_information(model, states)

    def choose(found: Any, tuning: Any, doubt: float) -> Candidate | None:
        return MAKERS[policy](list(found), seen, rng)

    with (
        patch.object(assessment, "expected_information", watched),
        patch.object(decision, "choose", choose),
    ):
        yield


def _textbook(found: list[Candidate], seen: dict[str, Any], rng: Generator) -> Candidate | None:
    return min(found, key=lambda one: TEXTBOOK.index(one.check.id), default=None)


def _probability(found: list[Candidate], seen: dict[str, Any], rng: Generator) -> Candidate | None:
    """The check that most probably finds something bad."""

    def bad(one: Candidate) -> float:
        chances = seen["states"] @ seen["model"].tables[one.check.id]
        good = [one.check.outcomes.index(name) for name in one.check.expected]
        return 1.0 - float(np.sum(chances[good]))

    return max(found, key=lambda one: (round(bad(one), 9), one.check.id), default=None)


def _random(found: list[Candidate], seen: dict[str, Any], rng: Generator) -> Candidate | None:
    return found[int(rng.integers(len(found)))] if found else None


MAKERS = {"textbook": _textbook, "probability": _probability, "random": _random}
POLICIES = ("service", *MAKERS)
