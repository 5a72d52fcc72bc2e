"""How an oven is built when it leaves the works: its circuit variety and its healthy values.

Values are named `part.quantity`; a fault overrides some of them, a new part restores them. Units:
ohm, henry, farad, volt, watt, ampere, minutes, degrees Celsius; the rest are plain factors.
Unless a source stands beside a figure it is an `estimate`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import pi

from numpy.random import Generator

from tests.visits.circuit import OPEN
from tests.visits.doubler import Doubler

OUTPUTS = (600, 700, 800, 900, 1000, 1100, 1200)
FUSES = {120: (15.0, 20.0), 230: (8.0, 10.0, 12.0)}
"""Main fuse ratings in ampere by supply: common practice."""

ALL_CUTOUTS = ("cavity-cutout", "magnetron-cutout", "base-cutout")
SECONDARY_VOLT = 2150.0
"""Secondary voltage without load: common practice, about 2,000 V, a little more unloaded."""
LOADED = {60: 0.938, 50: 0.953}
"""Share of it left behind primary, cord and supply at full load, by frequency; estimate.

The heavier current of a 120 V supply loses more."""
CLAMP_VOLT = 3700.0
"""Voltage where a magnetron begins to draw; with its slope some 4,000 V loaded: common practice."""
SLOPE_OHM = 400.0
MAGNETRON_EFFICIENCY = 0.70
INPUT_EFFICIENCY = 0.60
"""Microwave output over mains input."""
FILAMENT_VOLT = 3.3
"""Filament voltage: common practice."""
FILAMENT_HOT_OHM = 0.30
"""About 11 A when hot: common practice."""
AMBIENT = 25.0
"""Degrees Celsius in the kitchen."""
RISE = {"cavity-cutout": 42.0, "magnetron-cutout": 70.0, "base-cutout": 52.0}
"""Rise of a cutout's seat in kelvin, rated power, full air, after long running."""


@dataclass(frozen=True)
class Build:
    """The variety of the oven: what is fitted and how it is wired."""

    supply: int
    frequency: int
    output: int
    inverter: bool
    fuse_ampere: float
    fitted_cutouts: tuple[str, ...]
    heating_cutouts: tuple[str, ...]
    """Cutouts in the transformer's lead alone; the others feed the whole oven."""
    high_voltage_fuse: bool
    inverter_fuse: bool
    triac: bool
    stirrer: bool
    turntable: bool
    sensor: bool
    monitor_behind_both: bool
    """Monitor across the line behind both interlocks, otherwise behind the primary alone."""
    aux_behind_primary: bool
    """Lamp, fan and turntable are fed from behind the primary interlock."""
    sense_by_secondary: bool
    """The control knows the door by the secondary interlock, otherwise by a contact of its own."""
    self_resetting: bool
    """Cutouts that close again when cold."""

    @property
    def scale(self) -> float:
        """Impedances grow with the square of the voltage at the same power."""
        return (self.supply / 120) ** 2

    @property
    def omega(self) -> float:
        return 2 * pi * self.frequency

    @property
    def rated_input(self) -> float:
        """Mains input in watt, as the plate says it: rounded to 50 W."""
        return 50 * round(self.output / INPUT_EFFICIENCY / 50)

    @property
    def rated_ampere(self) -> float:
        return self.rated_input / self.supply

    @property
    def line_cutouts(self) -> tuple[str, ...]:
        return tuple(one for one in self.fitted_cutouts if one not in self.heating_cutouts)


def draw_build(rng: Generator) -> Build:
    """An oven from the field. All shares are estimates of the trade's mix."""
    supply = 120 if rng.random() < 0.5 else 230
    inverter = rng.random() < 0.10
    output = int(rng.choice(OUTPUTS, p=(0.04, 0.16, 0.22, 0.20, 0.20, 0.12, 0.06)))
    need = 1.35 * output / INPUT_EFFICIENCY / supply
    fuse = next((one for one in FUSES[supply] if one >= need), FUSES[supply][-1])
    cutouts: tuple[str, ...] = ALL_CUTOUTS[:2]
    if rng.random() < 0.35:
        cutouts = ALL_CUTOUTS
    heating = tuple(one for one in cutouts if rng.random() < 0.3)
    return Build(
        supply=supply,
        frequency=60 if supply == 120 else 50,
        output=output,
        inverter=inverter,
        fuse_ampere=fuse,
        fitted_cutouts=cutouts,
        heating_cutouts=heating,
        high_voltage_fuse=not inverter and rng.random() < 0.25,
        inverter_fuse=inverter and rng.random() < 0.5,
        triac=not inverter and rng.random() < 0.05,
        stirrer=rng.random() < 0.20,
        turntable=rng.random() < 0.93,
        sensor=rng.random() < 0.40,
        monitor_behind_both=rng.random() < 0.35,
        aux_behind_primary=rng.random() < 0.45,
        sense_by_secondary=rng.random() < 0.45,
        self_resetting=rng.random() < 0.75,
    )


@lru_cache(maxsize=64)
def nominal_capacitor(output: int, frequency: int) -> float:
    """Farad. 0.7 to 1.2 uF by output: common practice; a little more at 50 Hz."""
    micro = 0.72 + (output - 600) / 600 * 0.40 + (0.05 if frequency == 50 else 0.0)
    return round(micro, 2) * 1e-6


@lru_cache(maxsize=64)
def nominal_leakage(output: int, frequency: int) -> float:
    """Leakage inductance in henry, seen from the secondary, that gives the rated output.

    The magnetic shunt of these transformers makes it: it sets the anode current with the capacitor.
    """
    farad, omega = nominal_capacitor(output, frequency), 2 * pi * frequency
    low, high = 0.0, 0.85 / (omega**2 * farad)
    for _ in range(40):
        middle = (low + high) / 2
        load = Doubler(farad, middle, secondary_ohm(output), CLAMP_VOLT, SLOPE_OHM).loaded(
            LOADED[frequency] * SECONDARY_VOLT, omega
        )
        if load.anode_watt * MAGNETRON_EFFICIENCY < output:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def secondary_ohm(output: int) -> float:
    """Winding resistance in ohm; tens to some 200: common practice."""
    return 90.0 * 850 / output


@lru_cache(maxsize=64)
def nominal_anode(output: int, frequency: int) -> tuple[float, float]:
    """Mean anode current and r.m.s. secondary current at rated voltage, ampere."""
    omega = 2 * pi * frequency
    load = Doubler(
        nominal_capacitor(output, frequency),
        nominal_leakage(output, frequency),
        secondary_ohm(output),
        CLAMP_VOLT,
        SLOPE_OHM,
    ).loaded(LOADED[frequency] * SECONDARY_VOLT, omega)
    return load.anode_ampere, abs(load.admittance) * LOADED[frequency] * SECONDARY_VOLT


def _residual_current(build: Build, rng: Generator) -> float:
    """Ampere to earth at which the installation's residual-current device opens, if it has one.

    30 mA where 230 V is the supply, 5 mA where 120 V is: common practice; how many: estimate.
    """
    share, ampere = (0.2, 0.005) if build.supply == 120 else (0.75, 0.03)
    own = rng.spawn(1)[0]  # the oven of a seed stays what it was
    return ampere if own.random() < share else 1e9


def healthy_values(build: Build, rng: Generator) -> dict[str, float]:
    """Every value of a good oven with its spread between specimens."""

    def spread(nominal: float, percent: float) -> float:
        return nominal * float(rng.lognormal(0, percent / 100))

    def between(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    scale, power = build.scale, build.output / 850
    contact = (between(0.004, 0.03) for _ in range(100))
    values: dict[str, float] = {
        "supply.factor": min(max(float(rng.normal(1.0, 0.013)), 0.955), 1.045),
        "supply.ohm": between(0.08, 0.22) * (1.0 if build.supply == 120 else 1.6),
        "supply.trips": _residual_current(build, rng),
        "power-cord.line": between(0.02, 0.06),
        "power-cord.neutral": between(0.02, 0.06),
        "power-cord.earth": between(0.02, 0.08),
        "main-fuse.ohm": between(0.01, 0.05),
        "main-fuse.blow": between(1.7, 2.3),
        "filter-board.line": between(0.01, 0.08),
        "filter-board.neutral": between(0.01, 0.08),
        "filter-board.bleed": between(0.47e6, 1.0e6) if rng.random() < 0.7 else OPEN,
        "filter-board.farad": between(0.1e-6, 0.7e-6),
        "filter-board.short": OPEN,
        "wiring.supply": next(contact),
        "wiring.neutral": next(contact),
        "wiring.control": next(contact),
        "wiring.heating": next(contact),
        "wiring.auxiliary": next(contact),
        "wiring.short": OPEN,
        "wiring.insulation": 10 ** between(8.5, 9.5),
        "wiring.place": 0.0,
        "control-board.transformer": spread(250.0, 25) * scale,
        "control-board.henry": spread(8.0, 15) * scale,
        "control-board.auxiliary": next(contact),
        "control-board.display": 1.0,
        "control-board.keys": 1.0,
        "control-board.heats": 1.0,
        "control-board.stops": 1e9,
        "keypad.ohm": between(20, 250),
        "power-relay.coil": spread(160.0, 45),
        "power-relay.contact": next(contact),
        "power-relay.welded": 0.0,
        "primary-interlock-switch.ohm": next(contact),
        "primary-interlock-switch.welded": 0.0,
        "secondary-interlock-switch.ohm": next(contact),
        "secondary-interlock-switch.welded": 0.0,
        "monitor-switch.ohm": next(contact),
        "monitor-switch.welded": 0.0,
        "switch-holder.monitor": between(0.70, 0.76),
        "switch-holder.primary": between(0.80, 0.86),
        "switch-holder.secondary": between(0.80, 0.86),
        "door-latch.reach": 1.0,
        "door-latch.jitter": 0.0,
        "door-latch.loose": 0.0,
        "door.leakage": float(rng.lognormal(-1.6, 0.8)),
        "door.damaged": 0.0,
        "cavity-lamp.ohm": build.supply**2 / between(20, 30),
        "cooling-fan.ohm": spread(45.0, 30) * scale,
        "cooling-fan.henry": spread(1.1, 20) * scale,
        "cooling-fan.turns": 1.0,
        "cooling-fan.air": 1.0,
        "turntable-motor.ohm": spread(2600.0, 25) * scale,
        "turntable-motor.turns": 1.0,
        "turntable-coupling.turns": 1.0,
        "stirrer.ohm": spread(2600.0, 25) * scale,
        "stirrer.turns": 1.0,
        "stirrer.coupling": 1.0,
        "air-path.flow": 1.0,
        "temperature-sensor.ohm": spread(100e3, 20),
        "temperature-sensor.good": 1.0,
        "high-voltage-transformer.primary": spread(0.38 / power, 15) * scale,
        "high-voltage-transformer.henry": spread(0.080, 15) * scale,
        "high-voltage-transformer.turns": SECONDARY_VOLT / build.supply,
        "high-voltage-transformer.secondary": spread(secondary_ohm(build.output), 12),
        "high-voltage-transformer.leakage": spread(
            nominal_leakage(build.output, build.frequency), 2.5
        ),
        "high-voltage-transformer.filament": between(0.008, 0.03),
        "high-voltage-transformer.shorted": OPEN,
        "high-voltage-transformer.to-chassis": OPEN,
        "high-voltage-transformer.where": 0.0,
        "high-voltage-transformer.saturates": between(1.0, 6.0),
        "high-voltage-fuse.ohm": between(0.5, 12.0),
        "high-voltage-fuse.blow": between(1.7, 2.1)
        * nominal_anode(build.output, build.frequency)[1],
        "high-voltage-capacitor.farad": spread(
            nominal_capacitor(build.output, build.frequency), 2.5
        ),
        "high-voltage-capacitor.bleed": spread(10e6, 6),
        "high-voltage-capacitor.short": OPEN,
        "high-voltage-capacitor.short-live": OPEN,
        "high-voltage-capacitor.to-case": OPEN,
        "high-voltage-capacitor.where": 0.0,
        "high-voltage-diode.forward": between(4.5, 7.5),
        "high-voltage-diode.open": 0.0,
        "high-voltage-diode.short": OPEN,
        "high-voltage-diode.short-live": OPEN,
        "high-voltage-leads.to-chassis": OPEN,
        "magnetron.filament": between(0.03, 0.08),
        "magnetron.to-case": OPEN,
        "magnetron.to-case-live": OPEN,
        "magnetron.emission": between(1.5, 2.2),
        "magnetron.clamp": spread(CLAMP_VOLT, 1.2),
        "magnetron.slope": spread(SLOPE_OHM, 12),
        "magnetron.efficiency": spread(MAGNETRON_EFFICIENCY * between(0.99, 1.05), 1.0),
        "magnetron.magnet": 1.0,
        "magnetron.coupling": 1.0,
        "filament-connectors.ohm": between(0.002, 0.01),
        "waveguide-cover.coupling": 1.0,
        "cavity.coupling": 1.0,
        "inverter-board.good": 1.0,
        "inverter-board.short": OPEN,
        "inverter-board.fuse": between(0.02, 0.08),
        "inverter-board.efficiency": spread(0.90, 1.5),
    }
    for cutout, opens in zip(ALL_CUTOUTS, (128.0, 135.0, 105.0), strict=True):
        values[f"{cutout}.ohm"] = next(contact)
        values[f"{cutout}.opens"] = spread(opens, 4)
    if build.triac:
        values["power-relay.contact"] = 0.08
    return values
