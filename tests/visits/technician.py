"""A simulated technician: takes readings with a real meter and a human hand, and repairs.

All shares of mistakes and of missing tools are estimates.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, field, replace
from typing import Any

from numpy.random import Generator

from tests.visits.circuit import Branch, Network, solve
from tests.visits.looks import LOOKS
from tests.visits.meter import GRADES, Meter, Reading, draw_meter
from tests.visits.network import build_network
from tests.visits.ohms import PROBES, diode, primary_henry, resistance
from tests.visits.oven import Oven
from tests.visits.remedies import renewed
from tests.visits.safety import (
    ACCESS,
    CONVERSATION,
    COVER_FITTED,
    DISCHARGED,
    ISOLATED,
    MENDED_BY,
    RUNNING,
    SUPPLY_OFF,
    State,
    danger,
    unsafe_finding,
)

CHECKS = tuple(ACCESS)
"""Every check that can be asked."""

# Mistakes of the hand, each a probability per reading.
BAD_CONTACT = 0.012
SWAPPED = 0.004
LEAD_LEFT_ON = 0.015
FINGERS = 0.008
MISHEARD = 0.035
MISSEEN = 0.006
PERSISTS = 0.4
"""How often dirt or a lead left on is still there at the next reading of the same check."""

SEEN_AGAIN = 0.9
"""How often a second look at a dead part shows what the first did; estimate."""

TOOLS = {
    # Share of technicians who have it with them, and the checks that need it.
    "capacitance-meter": (0.65, ("capacitor-capacitance",)),
    "lcr-meter": (0.10, ("transformer-primary-inductance",)),
    "bench-supply": (0.12, ("power-relay-operated",)),
    "power-meter": (0.45, ("input-power",)),
    "leakage-meter": (0.93, ("leakage-survey",)),
    "oscillation-indicator": (0.75, ("oscillation-indicator",)),
    "insulation-tester": (0.15, ("diode-insulation", "magnetron-insulation")),
    "battery": (0.85, ("diode-with-battery",)),
    "thermometer": (0.96, ("water-load-power",)),
}
HIGH_TEST_VOLT = 0.55
"""Share with an ohmmeter of 9 V or more, without which a diode cannot be tested."""

INSULATION_VOLT = 1000.0
"""Test voltage of the insulation tester: common practice."""

VOLTMETER = Branch("meter", "input", "T", "N", 10e6)
"""Input resistance of such meters: common practice."""

WORKED = frozenset(
    {
        "primary-interlock-switch",
        "secondary-interlock-switch",
        "wiring-continuity",
        "heating-path-resistance",
        "wiring-insulation",
        "power-cord-resistance",
        "earth-continuity",
        "cavity-cutout-resistance",
        "magnetron-cutout-resistance",
        "base-cutout-resistance",
        "filter-board-resistance",
        "power-relay-operated",
    }
)
"""Checks whose steps say to move, press or tap the part meanwhile and to report the worst."""

MISTAKEN_FOR = {"normal": ("loud", "silent"), "loud": ("normal",), "silent": ("normal",)}
OPPOSITES = {"lit": "dark", "turning": "stopped", "responds": "dead"}


@dataclass
class Technician:
    """One person with one van. Memory is per visit: draw a new one for each."""

    meter: Meter
    missing: frozenset[str]
    """Checks that the van has no tool for."""
    clumsiness: float
    """Factor on every mistake of the hand."""
    has_high_test_volt: bool
    state: State = field(default_factory=State)
    told: dict[str, str] = field(default_factory=dict)
    """What the customer answers, by question."""
    _sticking: dict[str, tuple[str, float]] = field(default_factory=dict)
    _seen: dict[str, tuple[tuple[object, ...], str]] = field(default_factory=dict)
    """What each look at dead parts has shown, and of which faults and repairs."""

    @property
    def instrument(self) -> dict[str, Any]:
        """What is sent as the request's `instrument`; often incomplete."""
        return self.meter.stated

    @property
    def unavailable(self) -> list[str]:
        """Checks that are known beforehand to be impossible with these tools."""
        checks = set(self.missing)
        if not self.has_high_test_volt:
            checks |= {"diode-forward"}
        return sorted(checks)

    # Readings ------------------------------------------------------------------------------

    def answer(
        self, check: str, oven: Oven, rng: Generator, *, in_passing: bool = False
    ) -> Reading | None:
        """The check carried out: a reading as the request takes it, `None` where impossible.

        In passing: in the same run or opening as the one before, so that what comes and goes is
        as it was then.
        """
        if check not in ACCESS:
            raise KeyError(f"no such check: {check!r}")
        if check in self.missing:
            return None
        if ACCESS[check] == CONVERSATION:
            return {"check": check, "observed": self.told[check]} if check in self.told else None
        if not in_passing:
            oven.settle(rng)
        if ACCESS[check] == RUNNING:
            self.state.plugged = True
        if check in WORKED:
            self._work(check, oven, rng)
        shown = self._carry_out(check, oven, rng)
        if shown is None:
            return None
        reading = {"check": check, **shown}
        reason = unsafe_finding(check, reading)
        self.state.found.pop(check, None)
        if reason:
            self.state.found[check] = reason
        return reading

    def _work(self, check: str, oven: Oven, rng: Generator) -> None:
        """Move, press or tap the part six times, until it shows its worst."""
        low = check == "wiring-insulation"
        for _ in range(5):
            true = resistance(oven, check)
            if true is None or (true < 1e6 if low else true > 1.0):
                break
            oven.settle(rng)

    def _carry_out(self, check: str, oven: Oven, rng: Generator) -> Reading | None:
        if check in LOOKS:
            seen = self._look(check, oven, rng)
            return None if seen is None else {"observed": self._misjudged(check, seen, rng)}
        if check in PROBES:
            return self._ohms(check, oven, rng)
        special = {
            "diode-forward": self._diode,
            "diode-reverse": self._diode,
            "diode-with-battery": self._battery,
            "diode-insulation": self._insulation,
            "magnetron-insulation": self._insulation,
            "outlet-voltage": self._outlet,
            "supply-under-load": self._loaded,
            "transformer-primary-voltage": self._load_voltage,
            "inverter-supply-voltage": self._load_voltage,
            "relay-drive-voltage": self._drive_voltage,
            "inverter-input-resistance": self._inverter_input,
            "capacitor-charging": self._charging,
            "capacitor-capacitance": self._capacitance,
            "transformer-primary-inductance": self._inductance,
            "keypad-membrane": self._membrane,
            "water-load-power": self._water,
            "input-power": self._input_power,
            "leakage-survey": self._leakage,
            "reassembly": self._reassembly,
        }
        return special[check](check, oven, rng)

    def _look(self, check: str, oven: Oven, rng: Generator) -> str | None:
        """The same eyes see the same at a dead part, as long as nobody has repaired anything."""
        if ACCESS[check] == RUNNING:
            return LOOKS[check](oven, rng)
        now = (oven.faults, oven.blown)
        if check in self._seen and self._seen[check][0] == now and rng.random() < SEEN_AGAIN:
            return self._seen[check][1]
        seen = LOOKS[check](oven, rng)
        if seen is not None:
            self._seen[check] = (now, seen)
        return seen

    def _chance(self, share: float, rng: Generator) -> bool:
        return bool(rng.random() < min(share * self.clumsiness, 0.5))

    def _misjudged(self, check: str, seen: str, rng: Generator) -> str:
        if check == "heating-hum" and self._chance(MISHEARD, rng):
            others = MISTAKEN_FOR[seen]
            return others[int(rng.integers(len(others)))]
        if self._chance(MISSEEN, rng):
            for one, other in OPPOSITES.items():
                if seen in (one, other):
                    return other if seen == one else one
        return seen

    def _hand(self, check: str, rng: Generator) -> tuple[str, float]:
        """What the hand does to this reading: (slip, its ohms)."""
        stuck = self._sticking.pop(check, None)
        if stuck and rng.random() < PERSISTS:
            self._sticking[check] = stuck
            return stuck
        slip = ("", 0.0)
        if self._chance(BAD_CONTACT, rng):
            slip = ("contact", float(10 ** rng.uniform(0.3, 9)))
        elif self._chance(LEAD_LEFT_ON, rng):
            slip = ("lead", 0.0)
        elif self._chance(FINGERS, rng):
            return "fingers", float(rng.uniform(0.3e6, 5e6))
        if slip[0]:
            self._sticking[check] = slip
        return slip

    def _swapped(self, check: str, rng: Generator) -> str:
        """The check whose points were really touched."""
        if not self._chance(SWAPPED, rng):
            return check
        near = [one for one in PROBES if ACCESS[one] == ACCESS[check] and one != check]
        return near[int(rng.integers(len(near)))] if near else check

    def _ohms(self, check: str, oven: Oven, rng: Generator) -> Reading | None:
        if check == "power-relay-operated" and oven.build.triac:
            return None
        if resistance(oven, check) is None:
            return {"observed": "not-fitted"} if check in NOT_FITTED else None
        slip, ohms = self._hand(check, rng)
        true = resistance(oven, self._swapped(check, rng), isolated=slip != "lead")
        return self._read_ohms(1e12 if true is None else true, slip, ohms, rng)

    def _read_ohms(self, true: float, slip: str, ohms: float, rng: Generator) -> Reading:
        if slip == "contact":
            true += ohms
        elif slip == "fingers":
            true = true * ohms / (true + ohms)
        return self.meter.read("resistance", true, rng)

    def _diode(self, check: str, oven: Oven, rng: Generator) -> Reading | None:
        if oven.build.inverter:
            return None
        forward = check == "diode-forward"
        # Without the right instrument most leave it; some measure all the same.
        if forward and not self.has_high_test_volt and rng.random() < 0.85:
            return None
        slip, ohms = self._hand(check, rng)
        true = diode(oven, forward, self.meter.test_volt, isolated=slip != "lead")
        return self._read_ohms(true, slip, ohms, rng)

    def _insulation(self, check: str, oven: Oven, rng: Generator) -> Reading | None:
        """At 1 kV: what breaks down below that shows, and what an ohmmeter shows anyhow."""
        diode = check == "diode-insulation"
        if diode and oven.build.inverter:
            return None
        v, part = oven.values, "high-voltage-diode" if diode else "magnetron"
        true = v[f"{part}.{'short' if diode else 'to-case'}"]
        if v.get(f"{part}.breakdown", 1e5) < INSULATION_VOLT:
            true = min(true, v[f"{part}.{'short-live' if diode else 'to-case-live'}"])
        slip, ohms = self._hand(check, rng)
        return self._read_ohms(true, slip, ohms, rng)

    def _battery(self, check: str, oven: Oven, rng: Generator) -> Reading | None:
        """A battery of 9 V, more or less fresh, the diode and a voltmeter in series."""
        if oven.build.inverter:
            return None
        v = oven.values
        if self._hand(check, rng)[0] == "contact":
            return {"observed": "neither-way"}
        if v["high-voltage-diode.short"] < 1e6:
            return {"observed": "both-ways"}
        volt = float(rng.uniform(8.0, 9.4))
        through = not v["high-voltage-diode.open"] and volt - v["high-voltage-diode.forward"] > 0.3
        return {"observed": "one-way" if through else "neither-way"}

    def _outlet(self, check: str, oven: Oven, rng: Generator) -> Reading:
        volt = oven.build.supply * oven.values["supply.factor"]
        return self._volts(volt * float(rng.normal(1, 0.004)), check, rng)

    def _loaded(self, check: str, oven: Oven, rng: Generator) -> Reading:
        return self._volts(oven.run(0.5).plug_volt * float(rng.normal(1, 0.004)), check, rng)

    def _volts(self, volt: float, check: str, rng: Generator) -> Reading:
        slip, _ = self._hand(check, rng)
        if slip == "contact" or volt < 1.0:
            # Nothing but what a lead picks up on a high input resistance.
            volt = float(rng.exponential(1.5))
        return self.meter.read("voltage", volt, rng)

    def _load_voltage(self, check: str, oven: Oven, rng: Generator) -> Reading | None:
        inverter = check == "inverter-supply-voltage"
        if inverter != oven.build.inverter:
            return None
        oven.move_door()
        travel, v = oven.door(), oven.values
        setting = oven.setting(travel, self._starts(oven, travel))
        load = "inverter-board" if inverter else "high-voltage-transformer"
        limit = v["main-fuse.blow"] * oven.build.fuse_ampere
        for _ in range(2):
            net = build_network(oven.build, oven.values, setting, hot=True).without((load,))
            net = Network([*net.branches, VOLTMETER], net.windings, net.henry)
            found = solve(net, oven.build.omega, "plug-N")
            if abs(found.current("power-cord", "earth")) > v["supply.trips"]:
                return self._volts(0.0, check, rng)
            if abs(found.current("main-fuse", "fuse")) < limit:
                break
            oven.damage["main-fuse.ohm"] = 1e10
            oven.changed()
        return self._volts(abs(found.volt("T", "N")), check, rng)

    def _starts(self, oven: Oven, travel: float) -> bool:
        """Whether a program begins when its keys are pressed."""
        keys = oven.values["keypad.ohm"] < 1e3 and oven.values["control-board.keys"] > 0
        return bool(oven.display_lit(travel) and keys and oven.senses_shut(travel))

    def _drive_voltage(self, check: str, oven: Oven, rng: Generator) -> Reading | None:
        """At the coil's pins; an open coil has its voltage all the same."""
        if oven.build.triac:
            return {"observed": "not-fitted"}
        oven.move_door()
        driven = self._starts(oven, oven.door()) and oven.values["control-board.heats"] > 0
        rated = float(rng.choice((12.0, 24.0)))
        volt = rated * float(rng.uniform(0.85, 1.1)) if driven else float(rng.exponential(0.05))
        if self._hand(check, rng)[0] == "contact":
            volt = 0.0
        return self.meter.read("voltage", volt, rng)

    def _inverter_input(self, check: str, oven: Oven, rng: Generator) -> Reading | None:
        """Between the board's mains pins: its fuse, then whatever is left of its input."""
        if not oven.build.inverter:
            return None
        v = oven.values
        inside = 1 / (1 / max(v["inverter-board.short"], 1e-3) + 1 / 3e5)
        slip, ohms = self._hand(check, rng)
        return self._read_ohms(v["inverter-board.fuse"] + inside, slip, ohms, rng)

    def _charging(self, check: str, oven: Oven, rng: Generator) -> Reading | None:
        """What an ohmmeter shows while it charges the capacitor through its inner resistance."""
        if oven.build.inverter:
            return None
        v = oven.values
        shorted = v["high-voltage-capacitor.short"] < 1e5
        charges = v["high-voltage-capacitor.farad"] > 5e-8 and not shorted
        seen = charges and self._hand(check, rng)[0] != "contact" and rng.random() > 0.04
        return {"observed": "climbs" if seen else "steady"}

    def _capacitance(self, check: str, oven: Oven, rng: Generator) -> Reading | None:
        if oven.build.inverter:
            return None
        v = oven.values
        if v["high-voltage-capacitor.short"] < 1e5:
            # Such meters show an overflow on a short: from memory.
            return {"over_range": True, "range": {"value": 100, "unit": "uF"}}
        farad = v["high-voltage-capacitor.farad"]
        if self._hand(check, rng)[0] == "contact":
            farad = 0.0
        return self.meter.read("capacitance", farad, rng)

    def _inductance(self, check: str, oven: Oven, rng: Generator) -> Reading | None:
        if oven.build.inverter:
            return None
        henry = primary_henry(oven, float(rng.choice((100.0, 120.0, 1000.0), p=(0.3, 0.3, 0.4))))
        if henry == float("inf") or self._hand(check, rng)[0] == "contact":
            return {"over_range": True, "range": {"value": 20, "unit": "H"}}
        return self.meter.read("inductance", henry, rng)

    def _membrane(self, check: str, oven: Oven, rng: Generator) -> Reading:
        slip, ohms = self._hand(check, rng)
        return self._read_ohms(oven.values["keypad.ohm"], slip, ohms, rng)

    def _water(self, check: str, oven: Oven, rng: Generator) -> Reading:
        """One litre, one minute, 70 W per kelvin; vessel and air take some per cent."""
        run = oven.run(1.0)
        error = GRADES[self.meter.grade].thermometer
        seconds = 60 * run.heated * float(rng.normal(1, 0.015))
        litres = float(rng.normal(1, 0.015))
        rise = run.watt * 0.97 * seconds / (4187 * litres)
        seen = rise + float(rng.normal(0, error)) - float(rng.normal(0, error))
        return {"value": float(max(5 * round(70 * seen / 5), 0)), "unit": "W"}

    def _input_power(self, check: str, oven: Oven, rng: Generator) -> Reading:
        """A plug-in meter of 2 % and a watt."""
        watt = oven.run(0.5).input_watt
        watt = watt * float(rng.normal(1, 0.01)) + float(rng.normal(0, 0.5))
        return {"value": round(max(watt, 0.0), 1), "unit": "W"}

    def _leakage(self, check: str, oven: Oven, rng: Generator) -> Reading | None:
        run = oven.run(0.5)
        if run.watt < 0.1 * oven.build.output:
            # There is nothing to survey on an oven that does not heat.
            return {"value": 0.0, "unit": "mW/cm2"} if rng.random() < 0.1 else None
        # The survey meter is good to 1 dB: 21 CFR 1030.10(c)(3).
        shown = run.leakage * float(rng.uniform(0.8, 1.25))
        return {"value": round(shown, 1), "unit": "mW/cm2"}

    def _reassembly(self, check: str, oven: Oven, rng: Generator) -> Reading:
        return {"observed": "incomplete" if self._chance(0.03, rng) else "complete"}

    # Safety and work -----------------------------------------------------------------------

    def carry_out(self, precaution: str, oven: Oven) -> None:
        """A precaution or preparation done in earnest; one that changes nothing is ignored."""
        if precaution == SUPPLY_OFF:
            self.state.plugged = False
            oven.rest(60)
        elif precaution == DISCHARGED:
            self.state.cover_on = False
            oven.capacitor_volt = 0.0
        elif precaution == ISOLATED:
            self.state.leads_off = True
        elif precaution == COVER_FITTED:
            self.state.cover_on, self.state.leads_off = True, False

    def is_dangerous(self, check: str, oven: Oven, confirmed: Collection[str]) -> str | None:
        """Why the check must not be carried out now, `None` where it is safe.

        `confirmed` is what the request carries; the physical state is the technician's own.
        """
        return danger(check, oven, self.state, confirmed)

    def repair(
        self, oven: Oven, remedy: str, parts: Iterable[str] = (), fuses: bool = True
    ) -> tuple[str, ...]:
        """Carry the remedy out; gives the parts of the circuit that are good after it.

        With `fuses`, blown fuses are renewed too, as anybody does who wants the oven to run.
        """
        new = (*renewed(remedy, parts), *(sorted(oven.blown) if fuses else ()))
        oven.restore(new)
        for check, mended in MENDED_BY.items():
            if set(mended) & set(new):
                self.state.found.pop(check, None)
        self._sticking.clear()
        self._seen.clear()
        return new


NOT_FITTED = frozenset(
    {"high-voltage-fuse-resistance", "inverter-fuse-resistance", "base-cutout-resistance"}
)


def draw_technician(rng: Generator) -> Technician:
    """A technician with meter, tools and habits."""
    high = float(rng.choice((9.0, 9.0, 50.0, 250.0))) if rng.random() < HIGH_TEST_VOLT else None
    missing = [
        check for share, checks in TOOLS.values() if rng.random() >= share for check in checks
    ]
    return Technician(
        draw_meter(rng, high),
        frozenset(missing),
        float(rng.lognormal(-0.2, 0.5)),
        high is not None,
    )


METER_ONLY = frozenset(check for _, checks in TOOLS.values() for check in checks)
"""The checks that want more than a meter and a torch."""


def _equipped(drawn: Technician) -> Technician:
    """All tools, an ohmmeter of 9 V among them."""
    meter = drawn.meter
    if not drawn.has_high_test_volt:
        stated = dict(meter.stated)
        if "test_voltage" in stated.get("resistance", {}):
            volt = {"value": 9.0, "unit": "V"}
            stated["resistance"] = {**stated["resistance"], "test_voltage": volt}
        meter = replace(meter, test_volt=9.0, stated=stated)
    return replace(drawn, meter=meter, missing=frozenset(), has_high_test_volt=True)


def _careful(drawn: Technician) -> Technician:
    return replace(_equipped(drawn), clumsiness=0.0)


def _sparse(drawn: Technician) -> Technician:
    return replace(drawn, missing=METER_ONLY, has_high_test_volt=False)


PROFILES: dict[str, Callable[[Technician], Technician]] = {
    "careful": _careful,
    "equipped": _equipped,
    "as-drawn": lambda drawn: drawn,
    "sparse": _sparse,
}
"""What a technician as drawn becomes: all tools and no slips; all tools; as drawn; meter only."""
