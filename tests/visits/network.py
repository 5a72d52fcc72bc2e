"""The oven as one network, for a setting of its contacts, on the mains or under an ohmmeter.

Nodes of the mains side, in order: plug-L, in-L, fused, filter-L, supply, line, P (behind the
primary interlock), Q (behind the secondary), R (behind the relay), heat, T (transformer lead);
plug-N, in-N, filter-N, N; control; A0, A (lamp, fan, motors). High-voltage side: H0, H, H1, K (the
cathode), FW, fa, fb (filament), chassis.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tests.visits.build import FILAMENT_HOT_OHM, FILAMENT_VOLT, Build
from tests.visits.circuit import OPEN, Branch, Network, Winding

EARTH_LOOP_OHM = 0.3
"""From the outlet's earth contact back to the neutral point; estimate."""

Values = Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Setting:
    """Which contacts are closed, and whether the plug is in."""

    plugged: bool
    primary: bool
    secondary: bool
    monitor: bool
    auxiliary: bool = False
    relay: bool = False


def contact(values: Values, part: str, closed: bool) -> float:
    """Ohm across a switch."""
    return values[f"{part}.ohm"] if closed else OPEN


def build_network(
    build: Build, values: Values, setting: Setting, hot: bool, pair: complex = complex(OPEN)
) -> Network:
    """`hot`: as on the mains, with hot filaments and with shorts that need high voltage.

    `pair` is what diode and magnetron together look like to the fundamental wave, in ohm.
    """
    branches = [*_supply(build, values, setting)] if setting.plugged else []
    branches += _line(build, values, setting)
    branches += _auxiliary(build, values, setting, hot)
    if build.inverter:
        branches += [
            Branch("inverter-board", "fuse", "T", "inverter", values["inverter-board.fuse"]),
            Branch("inverter-board", "input", "inverter", "N", pair.real if hot else 1e6),
            Branch("inverter-board", "short", "inverter", "N", values["inverter-board.short"]),
            *_magnetron(values, hot),
        ]
        return Network(branches)
    branches += _high_voltage(build, values, hot, pair)
    return Network(branches, _windings(build, values), values["high-voltage-transformer.henry"])


def _supply(build: Build, values: Values, setting: Setting) -> list[Branch]:
    return [
        Branch(
            "supply",
            "source",
            "plug-N",
            "plug-L",
            values["supply.ohm"],
            volt=build.supply * values["supply.factor"],
        ),
        Branch("supply", "earth", "plug-E", "plug-N", EARTH_LOOP_OHM),
    ]


def _line(build: Build, values: Values, setting: Setting) -> list[Branch]:
    v = values
    branches = [
        Branch("power-cord", "line", "plug-L", "in-L", v["power-cord.line"]),
        Branch("power-cord", "neutral", "plug-N", "in-N", v["power-cord.neutral"]),
        Branch("power-cord", "earth", "plug-E", "chassis", v["power-cord.earth"]),
        Branch("main-fuse", "fuse", "in-L", "fused", v["main-fuse.ohm"]),
        Branch("filter-board", "line", "fused", "filter-L", v["filter-board.line"]),
        Branch("filter-board", "neutral", "in-N", "filter-N", v["filter-board.neutral"]),
        Branch("filter-board", "bleed", "filter-L", "filter-N", v["filter-board.bleed"]),
        Branch(
            "filter-board", "capacitor", "filter-L", "filter-N", 0.5, farad=v["filter-board.farad"]
        ),
        Branch("filter-board", "short", "filter-L", "filter-N", v["filter-board.short"]),
        Branch("wiring", "supply", "filter-L", "supply", v["wiring.supply"]),
        Branch("wiring", "neutral", "filter-N", "N", v["wiring.neutral"]),
        Branch("wiring", "insulation", "supply", "chassis", v["wiring.insulation"]),
        Branch("wiring", "control", "line", "control", v["wiring.control"]),
        Branch(
            "control-board",
            "transformer",
            "control",
            "N",
            v["control-board.transformer"],
            v["control-board.henry"],
        ),
        Branch(
            "primary-interlock-switch",
            "contact",
            "line",
            "P",
            contact(v, "primary-interlock-switch", setting.primary),
        ),
        Branch(
            "secondary-interlock-switch",
            "contact",
            "P",
            "Q",
            contact(v, "secondary-interlock-switch", setting.secondary),
        ),
        Branch(
            "monitor-switch",
            "contact",
            "Q" if build.monitor_behind_both else "P",
            "N",
            contact(v, "monitor-switch", setting.monitor),
        ),
        Branch(
            "power-relay", "contact", "Q", "R", v["power-relay.contact"] if setting.relay else OPEN
        ),
        Branch("power-relay", "coil", "coil-a", "coil-b", v["power-relay.coil"]),
        Branch("wiring", "heating", "heat", "T", v["wiring.heating"]),
    ]
    branches += _chain("supply", "line", build.line_cutouts, v)
    branches += _chain("R", "heat", build.heating_cutouts, v)
    place = v["wiring.place"]
    if place:
        a, b = {1: ("supply", "chassis"), 2: ("supply", "N"), 3: ("T", "chassis")}[int(place)]
        branches.append(Branch("wiring", "short", a, b, v["wiring.short"]))
    return branches


def _chain(start: str, end: str, cutouts: tuple[str, ...], values: Values) -> list[Branch]:
    """Cutouts in series; a plain wire where there are none."""
    if not cutouts:
        return [Branch("harness", f"{start}-{end}", start, end, 1e-3)]
    nodes = [start, *(f"{start}-{i}" for i in range(1, len(cutouts))), end]
    return [
        Branch(cutout, "contact", nodes[i], nodes[i + 1], values[f"{cutout}.ohm"])
        for i, cutout in enumerate(cutouts)
    ]


def _auxiliary(build: Build, values: Values, setting: Setting, hot: bool) -> list[Branch]:
    v = values
    lamp = v["cavity-lamp.ohm"]
    branches = [
        Branch(
            "control-board",
            "auxiliary",
            "P" if build.aux_behind_primary else "line",
            "A0",
            v["control-board.auxiliary"] if setting.auxiliary else OPEN,
        ),
        Branch("wiring", "auxiliary", "A0", "A", v["wiring.auxiliary"]),
        # A cold tungsten filament has about a tenth of its hot resistance: common practice.
        Branch("cavity-lamp", "lamp", "A", "N", lamp if hot or lamp >= OPEN else lamp / 10),
        Branch("cooling-fan", "motor", "A", "N", v["cooling-fan.ohm"], v["cooling-fan.henry"]),
    ]
    if build.turntable:
        branches.append(Branch("turntable-motor", "motor", "A", "N", v["turntable-motor.ohm"]))
    if build.stirrer:
        branches.append(Branch("stirrer", "motor", "A", "N", v["stirrer.ohm"]))
    return branches


def _windings(build: Build, values: Values) -> list[Winding]:
    part = "high-voltage-transformer"
    return [
        Winding(part, "primary", "T", "N", 1.0, values[f"{part}.primary"]),
        Winding(part, "high-voltage", "H0", "S0", values[f"{part}.turns"], 1e-3),
        Winding(
            part, "filament", "K", "FW", FILAMENT_VOLT / build.supply, values[f"{part}.filament"]
        ),
        # Core loss and shorted turns hang on a winding of their own: no direct current sees them.
        Winding(part, "core", "core", "S0", 1.0, 1e-4 * build.scale),
    ]


def _high_voltage(build: Build, values: Values, hot: bool, pair: complex) -> list[Branch]:
    v, transformer, capacitor = values, "high-voltage-transformer", "high-voltage-capacitor"
    where, case = int(v[f"{transformer}.where"]), int(v[f"{capacitor}.where"])
    kind = "short-live" if hot else "short"
    branches = [
        Branch(transformer, "return", "S0", "chassis", 1e-3),
        Branch(
            transformer,
            "secondary",
            "H0",
            "H",
            v[f"{transformer}.secondary"],
            v[f"{transformer}.leakage"],
        ),
        Branch(transformer, "loss", "core", "S0", 700.0 * build.scale),
        Branch(
            transformer,
            "shorted",
            "core",
            "S0",
            v[f"{transformer}.shorted"],
            0.5e-3 * build.scale,
        ),
        Branch(capacitor, "foil", "H1", "K", 0.5, farad=v[f"{capacitor}.farad"]),
        Branch(capacitor, "bleed", "H1", "K", v[f"{capacitor}.bleed"]),
        Branch(capacitor, "short", "H1", "K", v[f"{capacitor}.{kind}"]),
        Branch("high-voltage-diode", "short", "K", "chassis", v[f"high-voltage-diode.{kind}"]),
        *_magnetron(values, hot),
    ]
    if build.high_voltage_fuse:
        branches.append(Branch("high-voltage-fuse", "fuse", "H", "H1", v["high-voltage-fuse.ohm"]))
    else:
        branches.append(Branch("high-voltage-leads", "lead", "H", "H1", 1e-2))
    if where:
        node = {1: "T", 2: "H", 3: "K"}[where]
        branches.append(
            Branch(transformer, "to-chassis", node, "chassis", v[f"{transformer}.to-chassis"])
        )
    if case:
        node = {1: "H1", 2: "K"}[case]
        branches.append(Branch(capacitor, "to-case", node, "chassis", v[f"{capacitor}.to-case"]))
    if hot:
        branches.append(Branch("pair", "pair", "K", "chassis", pair.real, reactance=pair.imag))
    return branches


def _magnetron(values: Values, hot: bool) -> list[Branch]:
    filament = values["magnetron.filament"]
    if hot and filament < OPEN:
        filament = FILAMENT_HOT_OHM
    half = values["filament-connectors.ohm"] / 2
    kind = "to-case-live" if hot else "to-case"
    return [
        Branch("filament-connectors", "one", "K", "fa", half),
        Branch("filament-connectors", "other", "FW", "fb", half),
        Branch("magnetron", "filament", "fa", "fb", filament),
        Branch("magnetron", "to-case", "fa", "chassis", values[f"magnetron.{kind}"]),
    ]
