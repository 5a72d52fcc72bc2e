"""Which remedy cures which fault, and which parts it renews.

Ids of remedies and parts are those of the service's sheet; for faults that have none there yet the
ids are proposals, told apart in `PROPOSED`.
"""

from __future__ import annotations

from collections.abc import Iterable

RENEWS: dict[str, tuple[str, ...]] = {
    "restore-supply": ("supply",),
    "restore-supply-voltage": ("supply",),
    "restore-rated-supply": ("supply",),
    "replace-power-cord": ("power-cord",),
    "replace-main-fuse": ("main-fuse",),
    "replace-filter-board": ("filter-board",),
    "replace-cavity-cutout": ("cavity-cutout",),
    "replace-magnetron-cutout": ("magnetron-cutout",),
    "replace-base-cutout": ("base-cutout",),
    "replace-high-voltage-fuse": ("high-voltage-fuse",),
    "repair-wiring": ("wiring",),
    "replace-primary-interlock": ("primary-interlock-switch",),
    "replace-secondary-interlock": ("secondary-interlock-switch",),
    "replace-door-switch-set": (
        "monitor-switch",
        "primary-interlock-switch",
        "secondary-interlock-switch",
        "main-fuse",
        # Their closing and opening order is proven with the set, which finds a bent holder.
        "switch-holder",
    ),
    "adjust-door-latch": ("door-latch", "switch-holder"),
    "replace-door": ("door",),
    "replace-control-board": ("control-board",),
    "replace-keypad": ("keypad",),
    "replace-power-relay": ("power-relay",),
    "replace-cooling-fan": ("cooling-fan", "air-path"),
    "replace-turntable-motor": ("turntable-motor",),
    "replace-lamp": ("cavity-lamp",),
    "replace-transformer": ("high-voltage-transformer",),
    "replace-capacitor": ("high-voltage-capacitor",),
    "replace-diode": ("high-voltage-diode",),
    "replace-magnetron": ("magnetron",),
    "repair-filament-connector": ("filament-connectors",),
    "replace-waveguide-cover": ("waveguide-cover",),
    "explain-use": (),
}

PROPOSED: dict[str, tuple[str, ...]] = {
    "clear-air-path": ("air-path",),
    "repair-stirrer": ("stirrer",),
    "replace-turntable-coupling": ("turntable-coupling",),
    "replace-control-transformer": ("control-board",),
    "replace-auxiliary-relay": ("control-board",),
    "replace-temperature-sensor": ("temperature-sensor",),
    "repair-cavity": ("cavity",),
    "adjust-door-switches": ("switch-holder",),
    "replace-high-voltage-lead": ("high-voltage-leads",),
    "replace-inverter-board": ("inverter-board",),
}

CURES: dict[str, frozenset[str]] = {
    fault: frozenset(remedies.split())
    for fault, remedies in {
        "supply-outlet-dead": "restore-supply",
        "supply-voltage-low": "restore-supply-voltage",
        "supply-of-another-voltage": "restore-rated-supply",
        "power-cord-open": "replace-power-cord",
        "protective-earth-open": "replace-power-cord",
        "main-fuse-fatigue": "replace-main-fuse",
        "filter-board-open": "replace-filter-board",
        "filter-board-shorted": "replace-filter-board",
        "cavity-cutout-open": "replace-cavity-cutout",
        "magnetron-cutout-open": "replace-magnetron-cutout",
        "base-cutout-open": "replace-base-cutout",
        "high-voltage-fuse-open": "replace-high-voltage-fuse",
        "wiring-open": "repair-wiring",
        "wiring-shorted": "repair-wiring",
        "primary-interlock-open": "replace-primary-interlock replace-door-switch-set",
        "secondary-interlock-open": "replace-secondary-interlock replace-door-switch-set",
        "primary-interlock-welded": "replace-door-switch-set",
        "secondary-interlock-welded": "replace-door-switch-set",
        "monitor-switch-welded": "replace-door-switch-set",
        "monitor-switch-open": "replace-door-switch-set",
        "door-latch-misaligned": "adjust-door-latch",
        "door-seal-damaged": "replace-door",
        "control-board-failed": "replace-control-board",
        "keypad-failed": "replace-keypad",
        "power-relay-open": "replace-power-relay",
        "power-relay-welded": "replace-power-relay",
        "cooling-fan-failed": "replace-cooling-fan",
        "turntable-motor-open": "replace-turntable-motor",
        "lamp-open": "replace-lamp",
        "transformer-primary-open": "replace-transformer",
        "transformer-secondary-open": "replace-transformer",
        "transformer-filament-open": "replace-transformer",
        "transformer-shorted-to-chassis": "replace-transformer",
        "transformer-turns-shorted": "replace-transformer",
        "capacitor-shorted": "replace-capacitor",
        "capacitor-open": "replace-capacitor",
        "capacitor-low": "replace-capacitor",
        "capacitor-shorted-to-case": "replace-capacitor",
        "capacitor-bleed-open": "replace-capacitor",
        "diode-shorted": "replace-diode",
        "diode-open": "replace-diode",
        "magnetron-filament-open": "replace-magnetron",
        "magnetron-shorted-to-case": "replace-magnetron",
        "magnetron-weak-emission": "replace-magnetron",
        "magnetron-magnet-cracked": "replace-magnetron",
        "magnetron-antenna-burnt": "replace-magnetron",
        "filament-connector-burnt": "repair-filament-connector",
        "waveguide-cover-burnt": "replace-waveguide-cover",
        "air-path-blocked": "clear-air-path",
        "stirrer-stopped": "repair-stirrer",
        "turntable-coupling-broken": "replace-turntable-coupling",
        "control-transformer-open": "replace-control-board replace-control-transformer",
        "temperature-sensor-failed": "replace-temperature-sensor",
        "cavity-coating-burnt": "repair-cavity",
        "door-switch-order-wrong": (
            "adjust-door-latch adjust-door-switches replace-door-switch-set"
        ),
        "auxiliary-relay-open": "replace-control-board replace-auxiliary-relay",
        "high-voltage-lead-arcing": "repair-wiring replace-high-voltage-lead",
        "inverter-board-failed": "replace-inverter-board",
        "no-fault-present": "explain-use",
    }.items()
}

# Repairing wiring means the high-voltage lead too where that is the one that is bad.
RENEWS["repair-wiring"] = ("wiring", "high-voltage-leads")

ALSO_CALLED = {
    "cavity-lamp": "cavity-lamp",
    "lamp": "cavity-lamp",
    "door-assembly": "door",
    "wiring-kit": "wiring",
    "fan": "cooling-fan",
}
"""Parts under the names that a list of spare parts gives them."""


def renewed(remedy: str, parts: Iterable[str] = ()) -> tuple[str, ...]:
    """Parts of the circuit that are good after the remedy; `parts` are renewed beside them."""
    named = RENEWS.get(remedy, PROPOSED.get(remedy))
    if named is None and not parts:
        raise KeyError(f"what the remedy {remedy!r} renews is not known here; name its parts")
    return (*(named or ()), *(ALSO_CALLED.get(part, part) for part in parts))
