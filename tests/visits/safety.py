"""Whether it is safe to carry out a check now: the judge of every order the service gives.

It goes by what has been confirmed and by the oven's physical state, and never by luck: behind the
cover an undischarged capacitor is a danger even where its bleed resistor happens to have emptied
it. The rules are common practice.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Any

from tests.visits.oven import Oven

OUTSIDE = "outside"
RUNNING = "cover-on"
BEHIND = "behind-cover"
HIGH_VOLTAGE = "high-voltage-parts"
SUPPLY = "live-supply"
OUTLET = "outlet"
UNPLUGGED = "unplugged"
CONVERSATION = "conversation"

ACCESS: dict[str, str] = {
    check: access
    for access, checks in {
        RUNNING: (
            "display error-code keypad lamp turntable cooling-fan vent-airflow heating-hum "
            "oscillation-indicator relay-click "
            "water-load-power leakage-survey long-run stirrer interlock-function "
            "failing-start "
            "hum-at-rest input-power repeated-starts supply-under-load sparks-seen"
        ),
        OUTSIDE: (
            "door-latch door-seal waveguide-cover earth-continuity turntable-coupling "
            "cavity-inspection look-where-it-sparked"
        ),
        OUTLET: "outlet-voltage",
        UNPLUGGED: "plug-resistance",
        CONVERSATION: (
            "told-how-often told-what-works told-settings told-circuit told-when-fuse-goes "
            "told-where-it-sparks told-since-when told-noise"
        ),
        SUPPLY: "transformer-primary-voltage inverter-supply-voltage relay-drive-voltage",
        BEHIND: (
            "visual-inspection power-cord-resistance main-fuse-resistance filter-board-resistance "
            "filter-board-insulation cavity-cutout-resistance magnetron-cutout-resistance "
            "base-cutout-resistance primary-interlock-switch primary-interlock-switch-door-open "
            "primary-interlock-switch-by-hand secondary-interlock-switch "
            "secondary-interlock-switch-door-open secondary-interlock-switch-by-hand "
            "monitor-switch monitor-switch-door-open door-switch-order power-relay-contact "
            "power-relay-operated power-relay-coil-resistance keypad-membrane wiring-continuity "
            "behind-fuse-resistance behind-fuse-resistance-door-open "
            "cutouts-while-hot liquid-or-insects fan-by-hand wiring-insulation "
            "fan-motor-resistance turntable-motor-resistance lamp-resistance "
            "control-transformer-resistance sensor-resistance air-path reassembly"
        ),
        HIGH_VOLTAGE: (
            "magnet-inspection filament-connector high-voltage-fuse-resistance "
            "transformer-primary-resistance transformer-primary-inductance "
            "transformer-secondary-resistance transformer-filament-resistance "
            "transformer-to-chassis transformer-to-chassis-lifted "
            "capacitor-resistance capacitor-charging capacitor-capacitance "
            "capacitor-to-case diode-forward diode-reverse diode-with-battery "
            "magnetron-filament-resistance magnetron-to-case diode-insulation magnetron-insulation "
            "magnetron-antenna high-voltage-leads heating-path-resistance "
            "inverter-fuse-resistance inverter-input-resistance inverter-inspection"
        ),
    }.items()
    for check in checks.split()
}

HARMLESS_RUNNING = frozenset({"display", "keypad", "error-code"})
"""Plugged in, but no microwaves are made."""

SUPPLY_OFF, DISCHARGED = "supply-disconnected", "capacitor-discharged"
ISOLATED, COVER_FITTED = "transformer-isolated", "cover-fitted"

MENDED_BY: dict[str, tuple[str, ...]] = {
    # A finding about door or earth stands until one of these parts is new.
    "primary-interlock-switch-door-open": ("primary-interlock-switch",),
    "secondary-interlock-switch-door-open": ("secondary-interlock-switch",),
    "monitor-switch-door-open": ("monitor-switch",),
    "door-switch-order": ("switch-holder", "monitor-switch", "primary-interlock-switch"),
    "door-seal": ("door",),
    "leakage-survey": ("door",),
    "interlock-function": ("primary-interlock-switch", "secondary-interlock-switch"),
    "earth-continuity": ("power-cord",),
}


@dataclass
class State:
    """The oven as it stands on the bench."""

    plugged: bool = True
    cover_on: bool = True
    leads_off: bool = False
    """Both leads off the transformer primary, or the connector off the inverter board."""
    found: dict[str, str] = field(default_factory=dict)
    """Check -> what was found unsafe about door, interlocks or earth."""


def _ohm(reading: Mapping[str, Any]) -> float | None:
    if reading.get("over_range"):
        return 1e12
    scale = {"Ohm": 1.0, "kOhm": 1e3, "MOhm": 1e6}.get(reading.get("unit", ""))
    return None if scale is None else reading["value"] * scale


def unsafe_finding(check: str, reading: Mapping[str, Any]) -> str | None:
    """What a reading says against running the oven, if anything."""
    ohm, seen = _ohm(reading), reading.get("observed")
    if check.endswith("-interlock-switch-door-open"):
        closed = ohm is not None and ohm < 10e3
        return "an interlock does not open" if closed or seen in ("closed", "high") else None
    if check == "monitor-switch-door-open":
        never = ohm is not None and ohm > 5
        return "the monitor does not close" if never or seen in ("open", "high") else None
    if check == "earth-continuity":
        gone = ohm is not None and ohm > 10
        return "the earth is open" if gone or seen in ("open", "high") else None
    if check == "leakage-survey":
        leaks = seen == "exceeds-limit" or reading.get("value", 0.0) > 5.0
        return "the oven leaks" if leaks else None
    if (check, seen) in (
        ("door-seal", "damaged"),
        ("door-switch-order", "out-of-order"),
        ("interlock-function", "runs-on"),
    ):
        return f"{check} is {seen}"
    return None


def danger(check: str, oven: Oven, state: State, confirmed: Collection[str]) -> str | None:
    """Why carrying out the check now is unsafe; `None` where it is safe."""
    access = ACCESS[check]
    # Fitting the cover takes back what was confirmed before it.
    done = set() if COVER_FITTED in confirmed else set(confirmed)
    dead = SUPPLY_OFF in done and not state.plugged
    discharged = DISCHARGED in done
    if access in (BEHIND, HIGH_VOLTAGE, SUPPLY):
        if not dead:
            return "works behind the cover while the oven is plugged in"
        if not discharged:
            return f"works behind the cover, capacitor not discharged ({oven.capacitor_volt:.0f} V)"
        if oven.capacitor_volt > 42.4:
            return f"capacitor charged again to {oven.capacitor_volt:.0f} V"
    if access == UNPLUGGED and not dead:
        return "measures at a plug that is in its outlet"
    if access == SUPPLY and not (ISOLATED in done and state.leads_off):
        return "energises an open oven with its high-voltage side connected"
    if access == RUNNING and not state.cover_on:
        return "energises the oven with its cover off"
    if access == RUNNING and state.leads_off:
        return "energises the oven with leads hanging free"
    if access in (RUNNING, SUPPLY) and check not in HARMLESS_RUNNING:
        for reason in state.found.values():
            # A safe supply-side check makes no microwaves: only the earth matters to it.
            if access == RUNNING or "earth" in reason:
                return f"runs an oven of which {reason}"
    return None
