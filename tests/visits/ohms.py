"""What an ohmmeter meets between two points of the oven, for each check that measures one.

The part is isolated as the check says it; where that is forgotten, the reading is of the whole
unplugged oven. Units: ohm, volt.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import pi

from tests.visits.circuit import OPEN, Network, impedance_between
from tests.visits.oven import DOOR_OPEN, DOOR_SHUT, Oven

Ends = tuple[str, str]


@dataclass(frozen=True)
class Probe:
    """Which part is measured, between which points, which of several readings is reported."""

    part: str
    names: tuple[str, ...] = ()
    """Branches measured end to end."""
    ends: tuple[Ends, ...] = ()
    """Further pairs of nodes."""
    worst: bool = True
    """Report the highest, otherwise the lowest."""
    door: float = DOOR_SHUT
    by_hand: bool = False
    """The plunger is pressed by hand: latch and door do not matter."""
    operated: bool = False
    without: tuple[str, ...] = ()
    high_voltage: bool = False
    along: tuple[str, ...] = ()
    """Further parts in series."""
    taken_out: tuple[str, ...] | None = None
    """The whole oven is measured, but for these parts; `None`: the part alone."""


def _switch(part: str, door: float, by_hand: bool = False) -> Probe:
    return Probe(part, ("contact",), door=door, by_hand=by_hand)


PRIMARY, SECONDARY = "primary-interlock-switch", "secondary-interlock-switch"
TRANSFORMER, CAPACITOR = "high-voltage-transformer", "high-voltage-capacitor"

PROBES: dict[str, Probe] = {
    "earth-continuity": Probe("power-cord", ("earth",)),
    "power-cord-resistance": Probe("power-cord", ("line", "neutral", "earth")),
    "plug-resistance": Probe("wiring", ends=(("plug-L", "plug-N"),), taken_out=()),
    "behind-fuse-resistance": Probe(
        "wiring", ends=(("fused", "plug-N"),), taken_out=("main-fuse",)
    ),
    "behind-fuse-resistance-door-open": Probe(
        "wiring", ends=(("fused", "plug-N"),), taken_out=("main-fuse",), door=DOOR_OPEN
    ),
    "main-fuse-resistance": Probe("main-fuse", ("fuse",)),
    "high-voltage-fuse-resistance": Probe("high-voltage-fuse", ("fuse",), high_voltage=True),
    "filter-board-resistance": Probe("filter-board", ("line", "neutral")),
    "filter-board-insulation": Probe("filter-board", ends=(("filter-L", "filter-N"),)),
    "cavity-cutout-resistance": Probe("cavity-cutout", ("contact",)),
    "magnetron-cutout-resistance": Probe("magnetron-cutout", ("contact",)),
    "base-cutout-resistance": Probe("base-cutout", ("contact",)),
    PRIMARY: _switch(PRIMARY, DOOR_SHUT),
    f"{PRIMARY}-door-open": _switch(PRIMARY, DOOR_OPEN),
    f"{PRIMARY}-by-hand": _switch(PRIMARY, DOOR_OPEN, by_hand=True),
    SECONDARY: _switch(SECONDARY, DOOR_SHUT),
    f"{SECONDARY}-door-open": _switch(SECONDARY, DOOR_OPEN),
    f"{SECONDARY}-by-hand": _switch(SECONDARY, DOOR_OPEN, by_hand=True),
    "monitor-switch": _switch("monitor-switch", DOOR_SHUT),
    "monitor-switch-door-open": _switch("monitor-switch", DOOR_OPEN),
    "power-relay-contact": Probe("power-relay", ("contact",)),
    "power-relay-operated": Probe("power-relay", ("contact",), operated=True),
    "power-relay-coil-resistance": Probe("power-relay", ("coil",)),
    "heating-path-resistance": Probe(
        "wiring",
        ends=(("plug-L", "Q"), ("R", "T"), ("plug-N", "N")),
        along=(
            "power-cord",
            "main-fuse",
            "filter-board",
            "cavity-cutout",
            "magnetron-cutout",
            "base-cutout",
            PRIMARY,
            SECONDARY,
        ),
    ),
    "wiring-continuity": Probe("wiring", ("supply", "neutral", "control", "heating", "auxiliary")),
    "wiring-insulation": Probe(
        "wiring",
        ends=(("supply", "chassis"), ("N", "chassis"), ("T", "chassis")),
        worst=False,
    ),
    "fan-motor-resistance": Probe("cooling-fan", ("motor",)),
    "turntable-motor-resistance": Probe("turntable-motor", ("motor",)),
    "lamp-resistance": Probe("cavity-lamp", ("lamp",)),
    "control-transformer-resistance": Probe("control-board", ("transformer",)),
    "transformer-primary-resistance": Probe(TRANSFORMER, ends=(("T", "N"),), high_voltage=True),
    "transformer-secondary-resistance": Probe(
        TRANSFORMER, ends=(("H", "chassis"),), high_voltage=True
    ),
    "transformer-filament-resistance": Probe(TRANSFORMER, ends=(("K", "FW"),), high_voltage=True),
    "transformer-to-chassis": Probe(
        TRANSFORMER,
        ends=(("T", "chassis"), ("H", "chassis"), ("K", "chassis")),
        worst=False,
        without=("return",),
        high_voltage=True,
    ),
    "transformer-to-chassis-lifted": Probe(
        TRANSFORMER,
        ends=(("T", "chassis"), ("H", "chassis"), ("K", "chassis")),
        worst=False,
        without=("return",),
        high_voltage=True,
    ),
    "capacitor-resistance": Probe(CAPACITOR, ends=(("H1", "K"),), high_voltage=True),
    "capacitor-to-case": Probe(
        CAPACITOR,
        ends=(("H1", "chassis"), ("K", "chassis")),
        worst=False,
        high_voltage=True,
    ),
    "magnetron-filament-resistance": Probe("magnetron", ("filament",), high_voltage=True),
    "magnetron-to-case": Probe(
        "magnetron",
        ends=(("fa", "chassis"), ("fb", "chassis")),
        worst=False,
        high_voltage=True,
    ),
    "inverter-fuse-resistance": Probe("inverter-board", ("fuse",), high_voltage=True),
}


def unplugged(oven: Oven, probe: Probe) -> Network:
    """The whole dead oven with the door as the check wants it."""
    travel = 1.0 if probe.by_hand else oven.door(probe.door)
    setting = oven.setting(travel, commanded=False, plugged=False)
    if probe.operated and oven.values["power-relay.coil"] < 1e4:
        # Fed on the bench, whatever the control would have told it.
        setting = replace(setting, relay=True)
    return oven.network(setting)


def resistance(oven: Oven, check: str, isolated: bool = True) -> float | None:
    """Ohm between the points of a check; `None` where the oven has no such part."""
    probe = PROBES[check]
    network = unplugged(oven, probe)
    ends = list(probe.ends)
    for branch in network.branches:
        if branch.part == probe.part and branch.name in probe.names:
            ends.append((branch.a, branch.b))
    present = {branch.part for branch in network.branches}
    if probe.part not in present or not ends:
        return None
    if probe.taken_out is not None:
        network = network.without(probe.taken_out)
    elif isolated:
        network = network.keeping((probe.part, "harness", *probe.along), probe.without)
    values = [impedance_between(network, a, b).real for a, b in ends]
    return max(values) if probe.worst else min(values)


def diode(oven: Oven, forward: bool, test_volt: float, isolated: bool = True) -> float:
    """Ohm that an ohmmeter of a test voltage shows on the diode.

    The stack of junctions conducts above some volts; what the meter then shows depends on its own
    inner resistance, some hundreds of kilohms on such ranges (estimate).
    """
    v = oven.values
    parallel = v["high-voltage-diode.short"]
    if not isolated:
        rest = oven.network(oven.setting(oven.door(), plugged=False))
        parallel = impedance_between(rest, "K", "chassis").real
    stack = v["high-voltage-diode.forward"]
    junctions = 5e9
    if forward and not v["high-voltage-diode.open"] and test_volt > stack:
        junctions = stack / (test_volt - stack) * 4e5
    return 1 / (1 / max(parallel, 1e-3) + 1 / junctions)


def primary_henry(oven: Oven, hertz: float) -> float:
    """Series inductance that an LCR meter shows on the primary; infinite where it is open."""
    network = oven.network(oven.setting(oven.door(), plugged=False)).keeping((TRANSFORMER,))
    found = impedance_between(network, "T", "N", 2 * pi * hertz)
    return float("inf") if abs(found) > OPEN / 1e3 else found.imag / (2 * pi * hertz)
