"""What flows in an oven on the mains: the network solved together with its nonlinear load."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from tests.visits.build import (
    FILAMENT_HOT_OHM,
    FILAMENT_VOLT,
    INPUT_EFFICIENCY,
    MAGNETRON_EFFICIENCY,
    Build,
    nominal_anode,
)
from tests.visits.circuit import OPEN, Solution, solve
from tests.visits.doubler import Doubler
from tests.visits.network import Setting, Values, build_network

SHORT_OHM = 5e3
"""At or below this the cathode counts as shorted: the magnetron gets no voltage; estimate."""


@dataclass(frozen=True, slots=True)
class Electric:
    """Volt and ampere r.m.s., watt. Voltages are relative to the rated supply where said so."""

    control: float
    """Voltage at the control transformer, relative."""
    auxiliary: float
    """Voltage at lamp, fan and motors, relative."""
    heating: float
    """Voltage at the transformer's or inverter's leads, relative."""
    fuse_ampere: float
    primary_ampere: float
    secondary_ampere: float
    hv_fuse_ampere: float
    anode_watt: float
    output_watt: float
    stored_volt: float
    """Peak on the high-voltage capacitor while it runs."""
    input_watt: float
    """Real power at the plug."""
    plug_volt: float
    """Voltage at the outlet under this load."""
    earth_ampere: float
    """Through the protective conductor."""

    @property
    def lost_watt(self) -> float:
        """Heat in the magnetron."""
        return self.anode_watt - self.output_watt


def coupling(values: Values) -> float:
    """Share of the microwave power that comes to the load."""
    return (
        values["waveguide-cover.coupling"]
        * values["cavity.coupling"]
        * values["magnetron.coupling"]
        * values["stirrer.coupling"]
        * values.get("high-voltage-leads.loss", 1.0)
    )


def emission(values: Values, filament: float) -> float:
    """Highest mean anode current, relative to rated, at a relative filament current.

    Below about 60 % of its current a filament emits next to nothing; estimate.
    """
    return values["magnetron.emission"] * min(max((filament - 0.6) / 0.25, 0.0), 1.0)


def operate(build: Build, values: Values, setting: Setting) -> Electric:
    """The steady state on the mains."""
    if build.inverter:
        return _with_inverter(build, values, setting)
    return _with_transformer(build, values, setting)


def _reading(
    build: Build, values: Values, found: Solution, anode: float, output: float, stored: float
) -> Electric:
    load = "inverter-board" if build.inverter else "high-voltage-transformer"
    primary = (
        abs(found.current(load, "fuse"))
        if build.inverter
        else abs(found.winding_current("primary"))
    )
    through = found.current(load, "secondary")
    secondary, much = abs(through), 1.0
    emf = found.volt("H0", "S0")
    if abs(emf) > 1.0 and (through / emf).imag > 0:
        # A leading current beyond the rated one drives the core into saturation, and the peaks
        # that it then draws are what hums and melts fuses; estimate.
        excess = secondary / nominal_anode(build.output, build.frequency)[1] - 1.15
        much = 1 + values["high-voltage-transformer.saturates"] * min(max(excess, 0.0), 0.5)
    return Electric(
        control=abs(found.volt("control", "N")) / build.supply,
        auxiliary=abs(found.volt("A", "N")) / build.supply,
        heating=abs(found.volt("T", "N")) / build.supply,
        fuse_ampere=abs(found.current("main-fuse", "fuse")) * much,
        primary_ampere=primary * much,
        secondary_ampere=secondary * much,
        hv_fuse_ampere=abs(found.current("high-voltage-fuse", "fuse")) * much,
        anode_watt=anode,
        output_watt=output,
        stored_volt=stored,
        input_watt=_at_the_plug(found),
        plug_volt=abs(found.volt("plug-L", "plug-N")),
        earth_ampere=abs(found.current("power-cord", "earth")),
    )


def _at_the_plug(found: Solution) -> float:
    ampere = found.current("supply", "source")
    return abs((found.volt("plug-L", "plug-N") * ampere.conjugate()).real)


def _cathode_shorted(values: Values) -> bool:
    """Whether cathode or hot end is held at the chassis."""
    shorts = [values["high-voltage-diode.short-live"], values["magnetron.to-case-live"]]
    if values["high-voltage-transformer.where"] >= 2:
        shorts.append(values["high-voltage-transformer.to-chassis"])
    if values["high-voltage-capacitor.where"]:
        shorts.append(values["high-voltage-capacitor.to-case"])
    return min(shorts) <= SHORT_OHM


def _pair(build: Build, v: Values, emf: float, filament: float) -> tuple[complex, float, float]:
    """Impedance of diode and magnetron, anode power and output in watt."""
    nothing = complex(OPEN), 0.0, 0.0
    if _cathode_shorted(v) or v["high-voltage-diode.open"]:
        return nothing
    leakage, omega = v["high-voltage-transformer.leakage"], build.omega
    if v["high-voltage-capacitor.short-live"] <= SHORT_OHM:
        # The diode shorts every other half wave; the leakage inductance smooths the current so far
        # that it counts as shorted all the time.
        return complex(20.0), 0.0, 0.0
    farad = v["high-voltage-capacitor.farad"]
    limit = emission(v, filament)
    if farad < 1e-9 or limit < 1e-3 or emf < 1.0:
        return nothing
    ohm = v["high-voltage-transformer.secondary"]
    if build.high_voltage_fuse:
        ohm += v["high-voltage-fuse.ohm"]
    if ohm > 1e5:
        return nothing
    load = Doubler(farad, leakage, ohm, v["magnetron.clamp"], v["magnetron.slope"]).loaded(
        emf, omega
    )
    if load.anode_watt < 1.0 or abs(load.admittance) < 1e-9:
        return nothing
    most = limit * nominal_anode(build.output, build.frequency)[0]
    part = min(1.0, most / load.anode_ampere)
    rest = complex(ohm, omega * leakage - 1 / (omega * farad))
    pair = 1 / (load.admittance * part) - rest
    anode = load.anode_watt * part
    output = anode * v["magnetron.efficiency"] * coupling(v)
    return complex(max(pair.real, 1.0), pair.imag), anode, output


def _with_transformer(build: Build, values: Values, setting: Setting) -> Electric:
    nominal = FILAMENT_VOLT / FILAMENT_HOT_OHM
    emf, filament = values["high-voltage-transformer.turns"] * build.supply, 1.0
    pair, anode, output = complex(OPEN), 0.0, 0.0
    if setting.relay:
        pair, anode, output = _pair(build, values, emf, filament)
    for _ in range(8):
        found = solve(build_network(build, values, setting, True, pair), build.omega, "plug-N")
        if not setting.relay:
            break
        last, emf = emf, abs(found.volt("H0", "S0"))
        filament = abs(found.current("magnetron", "filament")) / nominal
        pair, anode, output = _pair(build, values, emf, filament)
        if abs(emf - last) < 0.003 * last:
            break
    shorted = values["high-voltage-capacitor.short-live"] <= SHORT_OHM or _cathode_shorted(values)
    stored = 0.0 if shorted or values["high-voltage-capacitor.farad"] < 1e-9 else sqrt(2) * emf
    return _reading(build, values, found, anode, output, stored if setting.relay else 0.0)


def _with_inverter(build: Build, values: Values, setting: Setting) -> Electric:
    """An inverter holds its power down to some 85 % of the supply and stops far below; estimate."""
    resistance, anode, output = OPEN, 0.0, 0.0
    connectors = values["filament-connectors.ohm"]
    filament = FILAMENT_HOT_OHM / (FILAMENT_HOT_OHM + connectors)
    limit = emission(values, filament) if values["magnetron.filament"] < OPEN else 0.0
    runs = values["inverter-board.good"] if values["magnetron.to-case-live"] > SHORT_OHM else 0.0
    stored = 0.0
    for _ in range(4):
        net = build_network(build, values, setting, True, complex(resistance))
        found = solve(net, build.omega, "plug-N")
        volt = abs(found.volt("inverter", "N")) / build.supply
        if not setting.relay or volt < 0.65 or runs == 0.0:
            resistance, anode, output = OPEN, 0.0, 0.0
            continue
        share = runs * min(1.0, volt / 0.85) * min(1.0, limit)
        anode = build.output / MAGNETRON_EFFICIENCY * share
        output = anode * values["magnetron.efficiency"] * coupling(values)
        taken = build.output / INPUT_EFFICIENCY * max(share, 0.04)
        resistance = (volt * build.supply) ** 2 / taken
        stored = 4000.0
    return _reading(build, values, found, anode, output, stored)
