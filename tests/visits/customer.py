"""What a user does with the oven and how they put it into a complaint.

The complaint comes out of what the oven did. Weights are how readily people name a thing; all of
them are estimates.
"""

from __future__ import annotations

from dataclasses import dataclass

from numpy.random import Generator

from tests.visits.injection import draw_fault
from tests.visits.oven import Oven, Run

SYMPTOMS = (
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
)

CARELESS = 0.04
"""Share of complaints put wrongly; estimate."""
NEAR: dict[str, tuple[str, ...]] = {
    "no-operation": ("no-heat", "keypad-dead", "blows-fuse"),
    "no-heat": ("low-heat", "no-operation"),
    "low-heat": ("no-heat", "stops-mid-cycle"),
    "blows-fuse": ("no-operation", "burning-smell"),
    "arcing": ("burning-smell", "loud-hum"),
    "runs-with-door-open": ("no-operation",),
    "loud-hum": ("no-heat", "arcing"),
    "stops-mid-cycle": ("no-heat", "no-operation"),
    "turntable-stopped": ("low-heat",),
    "fan-stopped": ("loud-hum", "stops-mid-cycle"),
    "lamp-out": ("no-operation",),
    "keypad-dead": ("no-operation",),
    "burning-smell": ("arcing",),
}
WITHOUT_CAUSE = {
    # Wrong expectations, metal in the cavity, fan running on, child lock, an overloaded circuit.
    "no-operation": 0.06,
    "no-heat": 0.12,
    "low-heat": 0.30,
    "blows-fuse": 0.05,
    "arcing": 0.12,
    "runs-with-door-open": 0.04,
    "loud-hum": 0.09,
    "stops-mid-cycle": 0.07,
    "turntable-stopped": 0.02,
    "fan-stopped": 0.01,
    "lamp-out": 0.01,
    "keypad-dead": 0.04,
    "burning-smell": 0.07,
}
LATER_DAMAGE = 0.12
"""How often running on without cooling air has already worn the magnetron; estimate."""


@dataclass(frozen=True)
class Experience:
    """What a user met in one use."""

    run: Run
    fuse: bool
    """The main fuse went."""
    runs_open: bool
    """Something that should stop runs on with the door open."""
    off_after: bool
    """A cutout opened for good, and the whole oven is dead since."""
    no_heat_after: bool
    """A cutout opened for good, and only the heating is off since."""


def use(oven: Oven, rng: Generator) -> Experience:
    """One use of some minutes, the door opened before it has run out."""
    oven.settle(rng)
    before = len(oven.injected)
    had_fuse = "main-fuse" in oven.blown
    run = oven.run(float(rng.uniform(2, 15)))
    heating, others = oven.open_while_running() if run.started or run.heats_unasked else (0, 0)
    opened = [one.fault.removesuffix("-open") for one in oven.injected[before:]]
    if run.heated and run.air < 0.1 and rng.random() < LATER_DAMAGE:
        worn = {"magnetron-weak-emission", "magnetron-filament-open"}
        if not worn & oven.faults:
            oven.inject(draw_fault("magnetron-weak-emission", oven.build, rng))
    return Experience(
        run=run,
        fuse="main-fuse" in oven.blown and not had_fuse,
        runs_open=bool(heating or others),
        off_after=any(one in oven.build.line_cutouts for one in opened),
        no_heat_after=any(one in oven.build.heating_cutouts for one in opened),
    )


def noticed(seen: Experience, oven: Oven, rng: Generator) -> dict[str, float]:
    """Complaints that the experience gives rise to, by weight; empty where all seemed well."""
    run = seen.run
    if seen.fuse:
        return {"blows-fuse": 0.5, "no-operation": 0.5}
    if not run.display:
        return {"no-operation": 0.97, "keypad-dead": 0.03}
    if not run.keys:
        return {"keypad-dead": 0.85, "no-operation": 0.15}
    if run.heats_unasked:
        return {"runs-with-door-open": 0.6, "loud-hum": 0.2, "burning-smell": 0.2}
    if not run.started:
        return {"no-operation": 0.35, "keypad-dead": 0.3, "no-heat": 0.35}
    if not (run.lamp or run.fan or run.turntable or run.watt):
        return {"no-heat": 0.5, "no-operation": 0.4, "turntable-stopped": 0.05, "lamp-out": 0.05}
    weights: dict[str, float] = {}
    share = run.watt / oven.build.output
    if seen.runs_open:
        weights["runs-with-door-open"] = 5.0
    if share < 0.10 or seen.no_heat_after:
        weights["no-heat"] = 3.0
    elif share < 0.80:
        weights["low-heat"] = 2.5 * min(1.0, (0.85 - share) / 0.3)
    if seen.off_after:
        weights["no-operation"] = 3.0
    if run.hum == "loud":
        weights["loud-hum"] = 1.5
    if rng.random() < run.arcs:
        weights["arcing"] = 4.0
    if rng.random() < run.smells:
        weights["burning-smell"] = 1.5
    if run.stopped_itself and not (seen.off_after or seen.no_heat_after):
        weights["stops-mid-cycle"] = 3.0
    if not run.fan:
        weights["fan-stopped"] = 0.8
    if oven.build.turntable and not run.turntable:
        weights["turntable-stopped"] = 2.0
    if not run.lamp:
        weights["lamp-out"] = 1.5
    return weights


def pick(weights: dict[str, float], rng: Generator) -> str:
    """One key, as likely as its weight."""
    names = list(weights)
    total = sum(weights.values())
    return names[int(rng.choice(len(names), p=[weights[name] / total for name in names]))]


def complain(oven: Oven, rng: Generator, uses: int = 4) -> str:
    """Use the oven until something is wrong, and say so; or complain without a cause."""
    for _ in range(uses):
        weights = noticed(use(oven, rng), oven, rng)
        if weights:
            complaint = pick(weights, rng)
            if rng.random() < CARELESS:
                near = NEAR[complaint]
                complaint = near[int(rng.integers(len(near)))]
            return complaint
    return pick(WITHOUT_CAUSE, rng)
