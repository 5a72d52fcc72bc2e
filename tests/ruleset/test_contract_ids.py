"""The ids that the HTTP contract promises are there, with the outcomes that it names."""

from __future__ import annotations

import pytest

from service.ruleset.model import RuleSet

SYMPTOMS = [
    "no-operation",
    "no-heat",
    "low-heat",
    "blows-fuse",
    "arcing",
    "runs-with-door-open",
    "loud-hum",
    "stops-mid-cycle",
    "turntable-stopped",
    "fan-stopped",
    "lamp-out",
    "keypad-dead",
    "burning-smell",
]
CHECKS = [
    "display",
    "outlet-voltage",
    "main-fuse-resistance",
    "cavity-cutout-resistance",
    "magnetron-cutout-resistance",
    "base-cutout-resistance",
    "primary-interlock-switch",
    "secondary-interlock-switch",
    "monitor-switch",
    "oscillation-indicator",
    "water-load-power",
    "transformer-primary-voltage",
    "transformer-primary-resistance",
    "transformer-secondary-resistance",
    "transformer-filament-resistance",
    "transformer-to-chassis",
    "magnetron-filament-resistance",
    "magnetron-to-case",
    "capacitor-resistance",
    "capacitor-capacitance",
    "capacitor-to-case",
    "diode-forward",
    "diode-reverse",
    "leakage-survey",
    "cooling-fan",
    "turntable-motor-resistance",
    "visual-inspection",
    "primary-interlock-switch-door-open",
    "secondary-interlock-switch-door-open",
    "monitor-switch-door-open",
    "lamp",
    "turntable",
]
FAULTS = [
    "main-fuse-fatigue",
    "magnetron-filament-open",
    "magnetron-shorted-to-case",
    "magnetron-weak-emission",
    "transformer-primary-open",
    "transformer-secondary-open",
    "transformer-shorted-to-chassis",
    "capacitor-shorted",
    "capacitor-open",
    "diode-shorted",
    "diode-open",
    "monitor-switch-welded",
    "primary-interlock-open",
    "secondary-interlock-open",
    "door-latch-misaligned",
    "cavity-cutout-open",
    "magnetron-cutout-open",
    "base-cutout-open",
    "power-relay-open",
    "control-board-failed",
    "cooling-fan-failed",
    "supply-outlet-dead",
    "wiring-open",
]
OBSERVED = {
    "display": {"lit", "dark"},
    "lamp": {"lit", "dark"},
    "oscillation-indicator": {"lit", "dark"},
    "cooling-fan": {"turning", "stopped"},
    "turntable": {"turning", "stopped"},
    "visual-inspection": {"clean", "burn-marks", "loose-wiring", "deformed"},
}
EXPECTED = {
    "primary-interlock-switch": ("closed",),
    "secondary-interlock-switch": ("closed",),
    "monitor-switch": ("open",),
    "primary-interlock-switch-door-open": ("open",),
    "secondary-interlock-switch-door-open": ("open",),
    "monitor-switch-door-open": ("closed",),
}


def test_promised_ids_exist(oven: RuleSet) -> None:
    assert set(SYMPTOMS) <= oven.symptoms.keys()
    assert set(CHECKS) <= oven.checks.keys()
    assert set(FAULTS) <= oven.faults.keys()


@pytest.mark.parametrize("check", OBSERVED)
def test_promised_outcomes_exist(oven: RuleSet, check: str) -> None:
    assert set(oven.checks[check].outcomes) == OBSERVED[check]
    assert oven.checks[check].kind == "observation"


@pytest.mark.parametrize("check", EXPECTED)
def test_door_switches_are_read_as_a_resistance_in_their_right_state(
    oven: RuleSet, check: str
) -> None:
    assert oven.checks[check].expected == EXPECTED[check]
    assert oven.checks[check].measures[0].quantity == "resistance"
