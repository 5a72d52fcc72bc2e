"""A simulated oven: its state, what it does when it is run, and what a repair restores.

Units: minutes, degrees Celsius, watt, milliwatt per square centimetre, volt.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from math import exp, log

from numpy.random import Generator

from tests.visits.build import AMBIENT, MAGNETRON_EFFICIENCY, RISE, Build, nominal_anode
from tests.visits.circuit import OPEN, Network
from tests.visits.electric import Electric, operate
from tests.visits.injection import Injected
from tests.visits.network import Setting, build_network

WARMING = 5.0
"""Time constant of the magnetron and its surroundings in minutes; estimate."""
HUM_LOUD, HUM_SILENT = 1.35, 0.04
"""Transformer current over rated: above and below these it is heard as loud and not at all."""
CONTROL_VOLT = 0.62
"""Relative supply voltage below which the control does not start; estimate."""
MOTOR_VOLT = 0.55
"""Relative supply voltage below which a motor does not start; estimate."""
DOOR_OPEN = 0.0
DOOR_SHUT = 1.0


@dataclass(frozen=True)
class Run:
    """What one run at full power shows, door shut."""

    display: bool = False
    keys: bool = False
    started: bool = False
    lamp: bool = False
    fan: bool = False
    air: float = 0.0
    """Cooling air, relative."""
    turntable: bool = False
    stirrer: bool = False
    hum: str = "silent"
    watt: float = 0.0
    """Microwave power into the load while it heats."""
    heated: float = 0.0
    """Minutes of heating until it stopped itself or the time was up."""
    stopped_itself: bool = False
    blew: bool = False
    """A fuse blew in this run, or the installation's residual-current device opened."""
    tripped: str = ""
    """The cutout that opened."""
    arcs: float = 0.0
    """How likely sparks are seen."""
    smells: float = 0.0
    leakage: float = 0.0
    input_watt: float = 0.0
    """Power taken at the plug, once it has settled."""
    plug_volt: float = 0.0
    """Voltage at the outlet meanwhile."""
    heats_unasked: bool = False
    """Heating power is on without a key pressed, the door shut."""


@dataclass
class Oven:
    """One specimen with its faults."""

    build: Build
    healthy: dict[str, float]
    injected: list[Injected] = field(default_factory=list)
    damage: dict[str, float] = field(default_factory=dict)
    """Consequences of a fault, such as a blown fuse: not a root cause, yet to be put right."""
    capacitor_volt: float = 0.0
    acting: list[bool] = field(default_factory=list)
    tripped: str = ""
    """The cutout that ended the last long run."""
    wobble: float = 0.0
    """How far the door falls short or over at the moment, share of its travel."""
    _values: dict[str, float] | None = field(default=None, repr=False)
    _cache: dict[Setting, Electric] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        self.acting = [True] * len(self.injected)

    # State ---------------------------------------------------------------------------------

    @property
    def values(self) -> dict[str, float]:
        """Component values as they are now."""
        if self._values is None:
            values = dict(self.healthy)
            for fault, acts in zip(self.injected, self.acting, strict=True):
                if acts:
                    values.update(fault.overrides)
            values.update(self.damage)
            self._values = values
        return self._values

    def changed(self) -> None:
        """A component has changed: forget what was worked out."""
        self._values = None
        self._cache.clear()

    def settle(self, rng: Generator) -> None:
        """Each fault that comes and goes shows now or does not; the door falls shut anew."""
        acting = [one.acts >= 1 or rng.random() < one.acts for one in self.injected]
        if acting != self.acting:
            self.acting = acting
            self.changed()
        jitter = self.values["door-latch.jitter"]
        self.wobble = float(rng.normal(0, jitter)) if jitter else 0.0

    def show_all(self) -> None:
        """Let every fault act."""
        self.acting = [True] * len(self.injected)
        self.changed()

    @property
    def faults(self) -> frozenset[str]:
        """Root faults that are still there."""
        return frozenset(one.fault for one in self.injected if one.present)

    def inject(self, fault: Injected) -> None:
        """Another fault befalls the oven."""
        self.injected.append(fault)
        self.acting.append(True)
        self.changed()

    def restore(self, parts: Iterable[str]) -> None:
        """New parts: whatever was wrong with them is gone, the rest stays."""
        gone = tuple(f"{part}." for part in parts)
        for fault in self.injected:
            fault.overrides = {
                key: value for key, value in fault.overrides.items() if not key.startswith(gone)
            }
        self.damage = {k: v for k, v in self.damage.items() if not k.startswith(gone)}
        self.changed()

    # Contacts ------------------------------------------------------------------------------

    def door(self, position: float = DOOR_SHUT) -> float:
        """Travel that the actuators see when the door is moved to a position."""
        return min(position, self.values["door-latch.reach"] + self.wobble)

    def switches(self, travel: float) -> dict[str, bool]:
        """Which of the three door switches conduct at a travel of their actuators."""
        v = self.values
        return {
            "primary": bool(v["primary-interlock-switch.welded"])
            or travel >= v["switch-holder.primary"],
            "secondary": bool(v["secondary-interlock-switch.welded"])
            or travel >= v["switch-holder.secondary"],
            "monitor": bool(v["monitor-switch.welded"]) or travel < v["switch-holder.monitor"],
        }

    def senses_shut(self, travel: float) -> bool:
        """Whether the control believes that the door is shut."""
        if not self.build.sense_by_secondary:
            return travel >= 0.79
        works = self.values["secondary-interlock-switch.ohm"] < 1e3
        return self.switches(travel)["secondary"] and works

    def relay_driven(self) -> bool:
        """Whether the control pulls the armature in when it is to heat."""
        coil = self.values["power-relay.coil"] < 1e4 or self.build.triac
        return coil and self.values["control-board.heats"] > 0

    def relay_closed(self, commanded: bool) -> bool:
        """Whether the heating contact is closed."""
        return bool(self.values["power-relay.welded"]) or (commanded and self.relay_driven())

    def setting(self, travel: float, commanded: bool = False, plugged: bool = True) -> Setting:
        """Contacts at a travel of the door, a program commanded or not."""
        return Setting(
            plugged,
            **self.switches(travel),
            auxiliary=commanded,
            relay=self.relay_closed(commanded),
        )

    def network(self, setting: Setting) -> Network:
        """The cold oven as an ohmmeter sees it."""
        return build_network(self.build, self.values, setting, hot=False)

    def electric(self, setting: Setting) -> Electric:
        """Currents and voltages on the mains, worked out once a state."""
        if setting not in self._cache:
            self._cache[setting] = operate(self.build, self.values, setting)
        return self._cache[setting]

    # Events --------------------------------------------------------------------------------

    def fuses_blow(self, setting: Setting) -> bool:
        """Whether a fuse melts in this state; if so it has melted. The smaller one goes first.

        Or whether the residual-current device opens, which is closed again for the next try.
        """
        v, now = self.values, self.electric(setting)
        if self.trips(setting):
            return True
        if v["high-voltage-fuse.ohm"] < 1e3 and now.hv_fuse_ampere > v["high-voltage-fuse.blow"]:
            self.damage["high-voltage-fuse.ohm"] = OPEN
            self.changed()
            self.fuses_blow(setting)
            return True
        limit = v["main-fuse.blow"] * self.build.fuse_ampere
        if v["main-fuse.ohm"] < 1.0 and now.fuse_ampere > limit:
            self.damage["main-fuse.ohm"] = OPEN
            self.changed()
            return True
        return False

    def trips(self, setting: Setting) -> bool:
        """Whether the residual-current device opens: sooner than any fuse melts."""
        return self.electric(setting).earth_ampere > self.values["supply.trips"]

    def move_door(self, commanded: bool = False) -> bool:
        """Open and shut the door, plugged in; whether a fuse blew on the way."""
        v = self.values
        marks = sorted(
            (0.0, v["switch-holder.monitor"], v["switch-holder.primary"],
             v["switch-holder.secondary"], 1.0)
        )  # fmt: skip
        blew = False
        for low, high in pairwise(marks):
            travel = min((low + high) / 2, self.door())
            state = self.switches(travel)
            # Only where interlock and monitor conduct together is there a path past all loads.
            if state["primary"] and state["monitor"]:
                going = commanded and self.senses_shut(travel)
                blew = self.fuses_blow(self.setting(travel, going)) or blew
        return blew

    def open_while_running(self) -> tuple[bool, bool]:
        """(heating goes on, the rest goes on) with the door half open."""
        going = self.senses_shut(0.5)
        setting = self.setting(0.5, going)
        self.fuses_blow(setting)
        now = self.electric(setting)
        return now.output_watt > 0.05 * self.build.output, going and now.auxiliary > MOTOR_VOLT

    # Running -------------------------------------------------------------------------------

    def display_lit(self, travel: float | None = None) -> bool:
        """Whether the control has its supply."""
        setting = self.setting(self.door() if travel is None else travel)
        now, v = self.electric(setting), self.values
        if self.trips(setting):
            return False
        alive = v["control-board.transformer"] < 1e6 and v["control-board.display"] > 0
        return alive and now.control > CONTROL_VOLT

    def run(self, minutes: float) -> Run:
        """Plug in, open and shut the door, start full power with a water load."""
        blew = self.move_door()
        travel = self.door()
        idle = self.setting(travel)
        unasked = self.electric(idle).output_watt > 0.05 * self.build.output
        blew = self.fuses_blow(idle) or blew
        display = self.display_lit(travel)
        v = self.values
        keys = display and v["keypad.ohm"] < 1e3 and v["control-board.keys"] > 0
        started = keys and self.senses_shut(travel)
        setting = self.setting(travel, started)
        if not started and not setting.relay:
            idle, off = self.electric(setting), self.trips(setting)
            return Run(
                display,
                keys,
                blew=blew,
                hum="loud" if blew else "silent",
                input_watt=0.0 if off else idle.input_watt,
                plug_volt=0.0 if off else idle.plug_volt,
            )
        surge = self._hum(self.electric(setting))
        if self.fuses_blow(setting):
            blew, surge = True, "loud"
            dead = self.values["main-fuse.ohm"] > 1e3 or self.trips(setting)
            if self.build.inverter or dead:
                return Run(
                    display, keys, started, hum="loud", blew=True, smells=self._sign("smell")
                )
        now, v = self.electric(setting), self.values
        fan, air = self._air(now)
        limit, tripped = self._stops_after(now, air, started)
        heating = now.output_watt > 1.0
        self.capacitor_volt = max(now.stored_volt, self.capacitor_volt)
        if tripped and limit < minutes and not self.build.self_resetting:
            self.inject(Injected(f"{tripped}-open", {f"{tripped}.ohm": OPEN}))
        return Run(
            display=display,
            keys=keys,
            started=started,
            lamp=now.auxiliary > 0.3 and v["cavity-lamp.ohm"] < 1e6,
            fan=fan,
            air=air,
            turntable=self.build.turntable
            and now.auxiliary > MOTOR_VOLT
            and v["turntable-motor.ohm"] < 1e6
            and v["turntable-motor.turns"] * v["turntable-coupling.turns"] > 0,
            stirrer=self.build.stirrer
            and now.auxiliary > MOTOR_VOLT
            and v["stirrer.ohm"] < 1e6
            and v["stirrer.turns"] > 0,
            hum=surge,
            watt=now.output_watt,
            heated=min(limit, minutes) if heating else 0.0,
            stopped_itself=limit < minutes,
            blew=blew,
            tripped=tripped if limit < minutes else "",
            arcs=self._sign("arc") if heating or self._arcs_unloaded(now) else 0.0,
            smells=self._sign("smell") if now.heating > 0.3 or v["wiring.place"] else 0.0,
            leakage=v["door.leakage"] * now.output_watt / self.build.output,
            input_watt=now.input_watt,
            plug_volt=now.plug_volt,
            heats_unasked=unasked,
        )

    def _arcs_unloaded(self, now: Electric) -> bool:
        return bool(self.values.get("high-voltage-leads.burnt")) and now.stored_volt > 1000

    def _sign(self, kind: str) -> float:
        missed = 1.0
        for key, value in self.values.items():
            if key.endswith(f".{kind}"):
                missed *= 1 - value
        return 1 - missed

    def _hum(self, now: Electric) -> str:
        """The transformer's hum by its current; an inverter has only its fan."""
        level = now.primary_ampere / self.build.rated_ampere
        if not self.build.inverter:
            rated = nominal_anode(self.build.output, self.build.frequency)[1]
            level = max(level, now.secondary_ampere / rated)
        if level < HUM_SILENT:
            return "silent"
        return "loud" if level > HUM_LOUD else "normal"

    def _air(self, now: Electric) -> tuple[bool, float]:
        v = self.values
        turns = now.auxiliary > MOTOR_VOLT and v["cooling-fan.ohm"] < 1e6 and v["cooling-fan.turns"]
        return bool(turns), v["cooling-fan.air"] * v["air-path.flow"] if turns else 0.0

    def _stops_after(self, now: Electric, air: float, started: bool) -> tuple[float, str]:
        """Minutes until something ends the heating, and the cutout that does, if one does."""
        v, first, which = self.values, 1e9, ""
        if started:
            first = v["control-board.stops"]
            if self.build.sensor and not v["temperature-sensor.good"]:
                first = min(first, 0.7)
        loss = now.lost_watt / (self.build.output * (1 / MAGNETRON_EFFICIENCY - 1))
        # Natural convection is worth some 4 % of the fan's air; estimate.
        cooling = max(air, 0.04) ** 0.6
        for cutout in self.build.fitted_cutouts:
            final, allowed = RISE[cutout] * loss / cooling, v[f"{cutout}.opens"] - AMBIENT
            if final > allowed:
                when = -WARMING * log(1 - allowed / final)
                if when < first:
                    first, which = when, cutout
        return first, which

    # Time ----------------------------------------------------------------------------------

    def rest(self, seconds: float) -> None:
        """The capacitor bleeds: V = V0 exp(-t / RC)."""
        v = self.values
        constant = v["high-voltage-capacitor.bleed"] * max(v["high-voltage-capacitor.farad"], 1e-12)
        self.capacitor_volt *= exp(-seconds / constant)

    @property
    def blown(self) -> frozenset[str]:
        """Fuses that a fault has taken with it."""
        return frozenset(key.partition(".")[0] for key in self.damage)


def likelihoods(values: Mapping[str, float], kind: str) -> dict[str, float]:
    """Part -> how likely a good look shows marks of a kind on it."""
    return {key.rpartition(".")[0]: v for key, v in values.items() if key.endswith(f".{kind}")}
