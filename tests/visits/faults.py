"""Faults as changes of component values.

Each function draws one way in which the fault is met and returns the values it overrides. Keys
that end in `.mark`, `.loose-wire` and `.bent` are how likely a good look shows it; `.arc` and
`.smell` how likely a user notices while it heats. All shares and ranges here are estimates.
"""

from __future__ import annotations

from collections.abc import Callable
from math import log10

from numpy.random import Generator

from tests.visits.build import AMBIENT, CLAMP_VOLT, RISE, Build, nominal_capacitor
from tests.visits.circuit import OPEN

Overrides = dict[str, float]


def log_between(rng: Generator, low: float, high: float) -> float:
    """Each decade as likely as any other."""
    return float(10 ** rng.uniform(log10(low), log10(high)))


def _open_or_high(rng: Generator, low: float = 20.0, high: float = 3000.0) -> float:
    """Mostly open, now and then a burnt contact with some resistance."""
    return OPEN if rng.random() < 0.82 else log_between(rng, low, high)


def _short(rng: Generator) -> float:
    return log_between(rng, 0.05, 30.0)


def _one(key: str, draw: Callable[[Generator], float]) -> Callable[[Generator, Build], Overrides]:
    return lambda rng, build: {key: draw(rng)}


def _welded(part: str) -> Callable[[Generator, Build], Overrides]:
    return lambda rng, build: {f"{part}.welded": 1.0}


def _cutout(part: str) -> Callable[[Generator, Build], Overrides]:
    def draw(rng: Generator, build: Build) -> Overrides:
        if rng.random() < 0.12:
            # Drifted: it conducts when cold and opens far too early.
            return {f"{part}.opens": AMBIENT + RISE[part] * float(rng.uniform(0.3, 0.9))}
        return {f"{part}.ohm": _open_or_high(rng)}

    return draw


def _cord(rng: Generator, build: Build) -> Overrides:
    side = "line" if rng.random() < 0.5 else "neutral"
    return {f"power-cord.{side}": _open_or_high(rng), "power-cord.mark": 0.15}


def _filter_open(rng: Generator, build: Build) -> Overrides:
    side = "line" if rng.random() < 0.65 else "neutral"
    return {f"filter-board.{side}": _open_or_high(rng), "filter-board.mark": 0.4}


def _wiring_open(rng: Generator, build: Build) -> Overrides:
    places = ("supply", "neutral", "control", "heating", "auxiliary")
    place = rng.choice(places, p=(0.25, 0.12, 0.13, 0.38, 0.12))
    return {
        f"wiring.{place}": _open_or_high(rng),
        "wiring.loose-wire": 0.5,
        "wiring.mark": 0.25,
    }


def _wiring_short(rng: Generator, build: Build) -> Overrides:
    """Place 1: line to chassis; 2: line to neutral; 3: heating lead to chassis."""
    return {
        "wiring.short": log_between(rng, 0.02, 3.0),
        "wiring.place": float(rng.choice((1, 2, 3), p=(0.5, 0.2, 0.3))),
        "wiring.mark": 0.55,
        "wiring.smell": 0.2,
    }


def _latch(rng: Generator, build: Build) -> Overrides:
    return {
        "door-latch.reach": float(rng.uniform(0.72, 0.86)),
        "door-latch.jitter": 0.03,
        "door-latch.loose": 1.0,
        "door-latch.bent": 0.2,
    }


def _seal(rng: Generator, build: Build) -> Overrides:
    return {
        "door.leakage": log_between(rng, 3.0, 60.0),
        "door.damaged": 1.0,
        "door.bent": 0.45,
        "door.arc": 0.25 if rng.random() < 0.5 else 0.0,
    }


def _control(rng: Generator, build: Build) -> Overrides:
    way = rng.choice(4, p=(0.40, 0.35, 0.15, 0.10))
    marks = {"control-board.mark": 0.12, "control-board.wet": 0.15}
    if way == 0:
        return {"control-board.display": 0.0, **marks}
    if way == 1:
        return {"control-board.heats": 0.0, **marks}
    if way == 2:
        return {"control-board.keys": 0.0, **marks}
    return {"control-board.stops": float(rng.uniform(0.2, 5.0)), **marks}


def _relay_open(rng: Generator, build: Build) -> Overrides:
    if rng.random() < 0.3 and not build.triac:
        return {"power-relay.coil": OPEN}
    return {"power-relay.contact": _open_or_high(rng, 3, 500), "power-relay.mark": 0.15}


def _fan(rng: Generator, build: Build) -> Overrides:
    way = rng.choice(4, p=(0.38, 0.40, 0.07, 0.15))
    if way == 0:
        return {"cooling-fan.ohm": OPEN}
    if way == 1:
        return {"cooling-fan.turns": 0.0, "cooling-fan.smell": 0.1}
    if way == 2:
        return {
            "cooling-fan.ohm": float(rng.uniform(0.3, 1.6)),
            "cooling-fan.henry": 0.02,
            "cooling-fan.turns": 0.0,
            "cooling-fan.mark": 0.4,
            "cooling-fan.smell": 0.5,
        }
    return {"cooling-fan.air": float(rng.uniform(0.03, 0.2)), "cooling-fan.bent": 0.7}


def _to_chassis(rng: Generator, build: Build) -> Overrides:
    """Where 1: primary; 2: the hot end of the secondary; 3: the filament winding."""
    return {
        "high-voltage-transformer.to-chassis": log_between(rng, 0.1, 3000.0),
        "high-voltage-transformer.where": float(rng.choice((1, 2, 3), p=(0.25, 0.55, 0.2))),
        "high-voltage-transformer.mark": 0.4,
        "high-voltage-transformer.smell": 0.4,
    }


def _turns(rng: Generator, build: Build) -> Overrides:
    """The shorted turns, as a resistance seen from the primary."""
    return {
        "high-voltage-transformer.shorted": log_between(rng, 1.5, 12.0) * build.scale,
        "high-voltage-transformer.mark": 0.45,
        "high-voltage-transformer.smell": 0.6,
    }


def _breakdown(
    part: str, cold: str, live: str, low: float, high: float, hidden: float
) -> Callable[[Generator, Build], Overrides]:
    """A short; with the share `hidden` it breaks down at kilovolts only, no ohmmeter shows it."""

    def draw(rng: Generator, build: Build) -> Overrides:
        ohm = log_between(rng, low, high)
        values = {f"{part}.{live}": min(ohm, log_between(rng, 30, 2500)), f"{part}.mark": 0.12}
        if rng.random() >= hidden:
            values[f"{part}.{cold}"] = ohm
        else:
            values[f"{part}.breakdown"] = log_between(rng, 300, 4000)  # V
        return values

    return draw


def _capacitor_open(rng: Generator, build: Build) -> Overrides:
    # Where the inner lead breaks decides whether the bleed resistor is still on the terminals.
    values = {"high-voltage-capacitor.farad": 1e-12}
    if rng.random() < 0.5:
        values["high-voltage-capacitor.bleed"] = OPEN
    return values


def _capacitor_low(rng: Generator, build: Build) -> Overrides:
    whole = nominal_capacitor(build.output, build.frequency)
    return {"high-voltage-capacitor.farad": whole * float(rng.uniform(0.35, 0.78))}


def _capacitor_case(rng: Generator, build: Build) -> Overrides:
    """Where 1: the terminal at the transformer; 2: the terminal at the diode."""
    return {
        "high-voltage-capacitor.to-case": log_between(rng, 0.5, 50e3),
        "high-voltage-capacitor.where": float(rng.choice((1, 2))),
        "high-voltage-capacitor.mark": 0.2,
    }


def _emission(rng: Generator, build: Build) -> Overrides:
    dead = rng.random() < 0.25
    return {"magnetron.emission": 0.02 if dead else float(rng.uniform(0.2, 0.8))}


def _magnet(rng: Generator, build: Build) -> Overrides:
    return {
        "magnetron.magnet": 0.0,
        "magnetron.clamp": CLAMP_VOLT * float(rng.uniform(0.35, 0.75)),
        "magnetron.efficiency": float(rng.uniform(0.05, 0.45)),
        "magnetron.mark": 0.15,
    }


def _connector(rng: Generator, build: Build) -> Overrides:
    ohm = OPEN if rng.random() < 0.4 else log_between(rng, 0.05, 3.0)
    return {
        "filament-connectors.ohm": ohm,
        "filament-connectors.burnt": 1.0,
        "filament-connectors.mark": 0.6,
        "filament-connectors.smell": 0.2,
    }


def _coupling(
    part: str, low: float, high: float, arc: float, mark: float, smell: float
) -> Callable[[Generator, Build], Overrides]:
    return lambda rng, build: {
        f"{part}.coupling": float(rng.uniform(low, high)),
        f"{part}.burnt": 1.0,
        f"{part}.arc": arc,
        f"{part}.mark": mark,
        f"{part}.smell": smell,
    }


def _order(rng: Generator, build: Build) -> Overrides:
    # The monitor opens only after an interlock has closed.
    return {
        "switch-holder.monitor": float(rng.uniform(0.88, 0.96)),
        "switch-holder.bent": 0.4,
    }


def _sensor(rng: Generator, build: Build) -> Overrides:
    return {
        "temperature-sensor.good": 0.0,
        "temperature-sensor.ohm": OPEN if rng.random() < 0.6 else log_between(rng, 1, 200),
    }


def _high_voltage_lead(rng: Generator, build: Build) -> Overrides:
    # It arcs at kilovolts; cold, nothing but the eye finds it.
    return {
        "high-voltage-leads.burnt": 1.0,
        "high-voltage-leads.arc": 0.9,
        "high-voltage-leads.smell": 0.4,
        "high-voltage-leads.mark": 0.6,
        "high-voltage-leads.loss": float(rng.uniform(0.4, 1.0)),
    }


def _inverter(rng: Generator, build: Build) -> Overrides:
    values = {"inverter-board.good": 0.0 if rng.random() < 0.88 else float(rng.uniform(0.3, 0.7))}
    if rng.random() < 0.55:
        values["inverter-board.burnt"] = 1.0
        values["inverter-board.mark"] = 0.6
        values["inverter-board.smell"] = 0.3
    if values["inverter-board.good"] == 0.0:
        if build.inverter_fuse and rng.random() < 0.6:
            values["inverter-board.fuse"] = OPEN
        elif rng.random() < 0.3:
            values["inverter-board.short"] = log_between(rng, 0.05, 1.0)
    return values


def _air(rng: Generator, build: Build) -> Overrides:
    return {"air-path.flow": float(rng.uniform(0.08, 0.40)), "air-path.smell": 0.15}


def _weak_line(rng: Generator, build: Build) -> Overrides:
    """A supply that is low at rest, or one that falls under load: a long lead, a loose terminal."""
    if rng.random() < 0.5:
        return {"supply.factor": float(rng.uniform(0.70, 0.87)), "supply.ohm": 0.6}
    fall = float(rng.uniform(0.15, 0.28))
    return {"supply.ohm": fall / (1 - fall) * build.supply / build.rated_ampere}


DRAWS: dict[str, Callable[[Generator, Build], Overrides]] = {
    "supply-outlet-dead": lambda rng, build: {"supply.factor": 0.0},
    "supply-voltage-low": _weak_line,
    "supply-of-another-voltage": lambda rng, build: {
        "supply.factor": float(rng.uniform(0.46, 0.56))
    },
    "power-cord-open": _cord,
    "protective-earth-open": _one("power-cord.earth", lambda rng: _open_or_high(rng, 3, 500)),
    "main-fuse-fatigue": _one("main-fuse.ohm", lambda rng: OPEN),
    "filter-board-open": _filter_open,
    "filter-board-shorted": lambda rng, build: {
        "filter-board.short": log_between(rng, 0.05, 2.0),
        "filter-board.mark": 0.5,
        "filter-board.smell": 0.3,
    },
    "cavity-cutout-open": _cutout("cavity-cutout"),
    "magnetron-cutout-open": _cutout("magnetron-cutout"),
    "base-cutout-open": _cutout("base-cutout"),
    "high-voltage-fuse-open": _one("high-voltage-fuse.ohm", lambda rng: OPEN),
    "wiring-open": _wiring_open,
    "wiring-shorted": _wiring_short,
    "primary-interlock-open": _one("primary-interlock-switch.ohm", _open_or_high),
    "secondary-interlock-open": _one("secondary-interlock-switch.ohm", _open_or_high),
    "primary-interlock-welded": _welded("primary-interlock-switch"),
    "secondary-interlock-welded": _welded("secondary-interlock-switch"),
    "monitor-switch-welded": _welded("monitor-switch"),
    "monitor-switch-open": _one("monitor-switch.ohm", _open_or_high),
    "door-latch-misaligned": _latch,
    "door-seal-damaged": _seal,
    "control-board-failed": _control,
    "keypad-failed": _one(
        "keypad.ohm", lambda rng: OPEN if rng.random() < 0.7 else log_between(rng, 3e3, 1e6)
    ),
    "power-relay-open": _relay_open,
    "power-relay-welded": _welded("power-relay"),
    "cooling-fan-failed": _fan,
    "turntable-motor-open": _one("turntable-motor.ohm", lambda rng: OPEN),
    "lamp-open": _one("cavity-lamp.ohm", lambda rng: OPEN),
    "transformer-primary-open": _one("high-voltage-transformer.primary", lambda rng: OPEN),
    "transformer-secondary-open": _one("high-voltage-transformer.secondary", lambda rng: OPEN),
    "transformer-filament-open": _one("high-voltage-transformer.filament", lambda rng: OPEN),
    "transformer-shorted-to-chassis": _to_chassis,
    "transformer-turns-shorted": _turns,
    "capacitor-shorted": _breakdown(
        "high-voltage-capacitor", "short", "short-live", 0.1, 20e3, hidden=0.06
    ),
    "capacitor-open": _capacitor_open,
    "capacitor-low": _capacitor_low,
    "capacitor-shorted-to-case": _capacitor_case,
    "diode-shorted": _breakdown(
        "high-voltage-diode", "short", "short-live", 0.05, 300.0, hidden=0.06
    ),
    "diode-open": lambda rng, build: {"high-voltage-diode.open": 1.0},
    "magnetron-filament-open": _one("magnetron.filament", lambda rng: OPEN),
    "magnetron-shorted-to-case": _breakdown(
        "magnetron", "to-case", "to-case-live", 0.1, 3e6, hidden=0.08
    ),
    "magnetron-weak-emission": _emission,
    "magnetron-magnet-cracked": _magnet,
    "filament-connector-burnt": _connector,
    "waveguide-cover-burnt": _coupling("waveguide-cover", 0.82, 1.0, arc=0.85, mark=0.6, smell=0.4),
    "air-path-blocked": _air,
    "stirrer-stopped": lambda rng, build: {
        "stirrer.turns": 0.0,
        "stirrer.coupling": float(rng.uniform(0.65, 0.92)),
    },
    "turntable-coupling-broken": lambda rng, build: {"turntable-coupling.turns": 0.0},
    "control-transformer-open": _one("control-board.transformer", lambda rng: OPEN),
    "temperature-sensor-failed": _sensor,
    "cavity-coating-burnt": _coupling("cavity", 0.9, 1.0, arc=0.85, mark=0.4, smell=0.2),
    "magnetron-antenna-burnt": _coupling("magnetron", 0.5, 0.9, arc=0.6, mark=0.2, smell=0.4),
    "door-switch-order-wrong": _order,
    "capacitor-bleed-open": _one("high-voltage-capacitor.bleed", lambda rng: OPEN),
    "auxiliary-relay-open": _one("control-board.auxiliary", lambda rng: OPEN),
    "high-voltage-lead-arcing": _high_voltage_lead,
    "inverter-board-failed": _inverter,
}
"""Every fault that can be injected; `no-fault-present` injects nothing."""
