"""What a user does with the oven and how they put it into a complaint.

The complaint comes out of what the oven did. Weights are how readily people name a thing; all of
them are estimates.
"""

from __future__ import annotations

from dataclasses import dataclass

from numpy.random import Generator

from tests.visits.injection import draw_fault
from tests.visits.oven import Oven, Run, likelihoods

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
    "trips-breaker",
    "does-not-start",
    "runs-by-itself",
    "loud-noise",
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
    "trips-breaker": ("blows-fuse", "no-operation"),
    "does-not-start": ("no-heat", "keypad-dead"),
    "runs-by-itself": ("runs-with-door-open", "loud-hum"),
    "loud-noise": ("loud-hum", "turntable-stopped"),
}
WITHOUT_CAUSE = {
    # Wrong expectations, metal in the cavity, fan running on, child lock, an overloaded circuit.
    "no-operation": 0.05,
    "no-heat": 0.10,
    "low-heat": 0.27,
    "blows-fuse": 0.02,
    "arcing": 0.11,
    "runs-with-door-open": 0.04,
    "loud-hum": 0.09,
    "stops-mid-cycle": 0.07,
    "turntable-stopped": 0.02,
    "fan-stopped": 0.01,
    "lamp-out": 0.01,
    "keypad-dead": 0.04,
    "burning-smell": 0.07,
    "trips-breaker": 0.03,
    "does-not-start": 0.03,
    "runs-by-itself": 0.01,
    "loud-noise": 0.03,
}
LATER_DAMAGE = 0.12
"""How often running on without cooling air has already worn the magnetron; estimate."""


@dataclass(frozen=True)
class Experience:
    """What a user met in one use."""

    run: Run
    runs_open: bool
    """Something that should stop runs on with the door open."""
    off_after: bool
    """A cutout opened for good, and the whole oven is dead since."""
    no_heat_after: bool
    """A cutout opened for good, and only the heating is off since."""
    fuse_at: str = ""
    """When it went out: plug-or-shut, heating-begins, door-opened, or not at all."""
    tripped: bool = False
    """The residual-current device opened; else, if it went out, the main fuse did."""

    @property
    def fuse(self) -> bool:
        """It went out at once."""
        return bool(self.fuse_at)


def use(oven: Oven, rng: Generator) -> Experience:
    """One use of some minutes, the door opened before it has run out."""
    oven.settle(rng)
    before = len(oven.injected)
    had_fuse = "main-fuse" in oven.blown
    run = oven.run(float(rng.uniform(2, 15)))
    tripped = oven.trips(oven.setting(oven.door(), run.started))
    at_once = tripped or ("main-fuse" in oven.blown and not had_fuse)
    heating, others = oven.open_while_running() if run.started or run.heats_unasked else (0, 0)
    opened = [one.fault.removesuffix("-open") for one in oven.injected[before:]]
    if run.heated and run.air < 0.1 and rng.random() < LATER_DAMAGE:
        worn = {"magnetron-weak-emission", "magnetron-filament-open"}
        if not worn & oven.faults:
            oven.inject(draw_fault("magnetron-weak-emission", oven.build, rng))
    went = tripped or ("main-fuse" in oven.blown and not had_fuse)
    when = ("heating-begins" if run.started else "plug-or-shut") if at_once else "door-opened"
    return Experience(
        run=run,
        fuse_at=when if went else "",
        tripped=tripped,
        runs_open=bool(heating or others),
        off_after=any(one in oven.build.line_cutouts for one in opened),
        no_heat_after=any(one in oven.build.heating_cutouts for one in opened),
    )


def noticed(seen: Experience, oven: Oven, rng: Generator) -> dict[str, float]:
    """Complaints that the experience gives rise to, by weight; empty where all seemed well."""
    run = seen.run
    if seen.tripped:
        return {"trips-breaker": 0.8, "no-operation": 0.2}
    if seen.fuse:
        return {"blows-fuse": 0.46, "no-operation": 0.48, "trips-breaker": 0.06}
    if not run.display:
        return {"no-operation": 0.97, "keypad-dead": 0.03}
    if not run.keys:
        return {"keypad-dead": 0.78, "no-operation": 0.1, "does-not-start": 0.12}
    if run.heats_unasked:
        return {
            "runs-by-itself": 0.6,
            "runs-with-door-open": 0.1,
            "loud-hum": 0.15,
            "burning-smell": 0.15,
        }
    if not run.started:
        return {"does-not-start": 0.6, "no-operation": 0.12, "keypad-dead": 0.1, "no-heat": 0.18}
    if not (run.lamp or run.fan or run.turntable or run.watt):
        return {
            "no-heat": 0.4,
            "does-not-start": 0.35,
            "no-operation": 0.15,
            "turntable-stopped": 0.05,
            "lamp-out": 0.05,
        }
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
    heard = _noise(oven, run)
    if heard:
        weights["loud-noise"] = max(heard.values())
    return weights


def _noise(oven: Oven, run: Run) -> dict[str, float]:
    """Where something rattles or grinds, by how readily people complain of it."""
    v, heard = oven.values, {}
    if run.fan and v["cooling-fan.air"] < 0.5:
        heard["behind-the-panel"] = 1.2
    if oven.build.turntable and run.started and not v["turntable-coupling.turns"]:
        heard["under-the-plate"] = 0.5
    if oven.build.stirrer and run.started and not v["stirrer.turns"]:
        heard["under-the-roof"] = 0.4
    return heard


def pick(weights: dict[str, float], rng: Generator) -> str:
    """One key, as likely as its weight."""
    names = list(weights)
    total = sum(weights.values())
    return names[int(rng.choice(len(names), p=[weights[name] / total for name in names]))]


def complain(oven: Oven, rng: Generator, uses: int = 4) -> tuple[str, Experience | None]:
    """Use the oven until something is wrong, and say so; or complain without a cause.

    With what was met in that use, if anything was.
    """
    for _ in range(uses):
        met = use(oven, rng)
        weights = noticed(met, oven, rng)
        if weights:
            complaint = pick(weights, rng)
            if rng.random() < CARELESS:
                near = NEAR[complaint]
                complaint = near[int(rng.integers(len(near)))]
            return complaint, met
    return pick(WITHOUT_CAUSE, rng), None


UNTOLD = 0.1
"""Share of questions that a customer cannot answer; estimate."""
MISTOLD = 0.08
"""Share of answers that are given at random; estimate."""
ANSWERS: dict[str, tuple[str, ...]] = {
    "told-how-often": ("each-time", "now-and-then", "once-only"),
    "told-what-works": ("all-runs", "not-all", "display-only", "dark"),
    "told-settings": ("as-usual", "locked-or-demonstration", "low-power"),
    "told-circuit": ("of-its-own", "shared"),
    "told-when-fuse-goes": (
        "plug-or-shut",
        "heating-begins",
        "door-opened",
        "later",
        "not-noticed",
    ),
    "told-where-it-sparks": (
        "at-the-load",
        "not-seen",
        "at-waveguide",
        "at-wall",
        "at-door",
        "in-cabinet",
    ),
    "told-since-when": ("little-by-little", "at-once", "not-noticed"),
    "told-noise": ("under-the-plate", "behind-the-panel", "under-the-roof", "hum", "not-noticed"),
}
LATER_QUESTIONS = frozenset({"told-since-when", "told-noise"})
"""Those with a generator of their own, so that the visit of a seed stays what it was."""
PLACES = {
    "waveguide-cover": "at-waveguide",
    "magnetron": "at-waveguide",
    "cavity": "at-wall",
    "door": "at-door",
    "high-voltage-leads": "in-cabinet",
}
"""Where a part that arcs is seen or heard to do so."""
OWN_USE: dict[str, dict[str, float]] = {
    # What is behind a complaint where nothing is wrong with the oven; estimate.
    "keypad-dead": {"locked-or-demonstration": 0.6, "as-usual": 0.4},
    "no-operation": {"locked-or-demonstration": 0.25, "as-usual": 0.75},
    "no-heat": {"locked-or-demonstration": 0.2, "low-power": 0.1, "as-usual": 0.7},
    "low-heat": {"low-power": 0.25, "as-usual": 0.75},
    "does-not-start": {"locked-or-demonstration": 0.6, "as-usual": 0.4},
}


def answers(oven: Oven, complaint: str, met: Experience | None, rng: Generator) -> dict[str, str]:
    """What the customer answers to each question; one that is not answered is left out."""
    told = {
        "told-how-often": pick(_how_often(oven), rng),
        "told-what-works": "all-runs" if met is None else _what_works(met, oven),
        "told-settings": "as-usual",
        "told-circuit": pick(_circuit(oven), rng),
        "told-when-fuse-goes": "not-noticed",
    }
    if not oven.faults:
        told["told-settings"] = pick(OWN_USE.get(complaint, {"as-usual": 1.0}), rng)
    if met is not None and met.fuse and rng.random() < 0.75:
        told["told-when-fuse-goes"] = met.fuse_at
    told["told-where-it-sparks"] = pick(_where(oven, complaint), rng.spawn(1)[0])
    own = rng.spawn(1)[0]
    told["told-since-when"] = pick(_since_when(oven), own)
    told["told-noise"] = pick(_what_noise(oven, met), own)
    for question, known in ANSWERS.items():
        source = own if question in LATER_QUESTIONS else rng
        if source.random() < MISTOLD:
            told[question] = known[int(source.integers(len(known)))]
        if source.random() < UNTOLD:
            del told[question]
    return told


def _how_often(oven: Oven) -> dict[str, float]:
    """By the most lasting of the faults: each time, or as often as it acts."""
    acts = max((one.acts for one in oven.injected), default=None)
    if acts is None:
        return {"each-time": 0.4, "now-and-then": 0.35, "once-only": 0.25}
    if acts >= 1.0:
        return {"each-time": 0.89, "now-and-then": 0.08, "once-only": 0.03}
    return {"each-time": acts**4, "now-and-then": 0.9 - 0.8 * acts**4, "once-only": 0.1}


def _what_works(met: Experience, oven: Oven) -> str:
    run = met.run
    if met.fuse or met.off_after or not run.display:
        return "dark"
    if not run.started or not (run.lamp or run.fan or run.turntable):
        return "display-only"
    stands = not run.lamp or (oven.build.turntable and not run.turntable)
    return "not-all" if stands else "all-runs"


def _where(oven: Oven, complaint: str) -> dict[str, float]:
    """Where whoever complains of sparks saw them: at what arcs, or at metal in the load."""
    if complaint != "arcing":
        return {"not-seen": 1.0}
    arcs = {PLACES[part]: chance for part, chance in likelihoods(oven.values, "arc").items()}
    if not any(arcs.values()):
        return {"at-the-load": 0.5, "not-seen": 0.3, "at-wall": 0.2}
    seen = {place: 0.7 * chance / sum(arcs.values()) for place, chance in arcs.items()}
    return {**seen, "not-seen": 0.22, "at-the-load": 0.08}


def _what_noise(oven: Oven, met: Experience | None) -> dict[str, float]:
    heard = _noise(oven, met.run) if met is not None else {}
    if met is not None and met.run.hum == "loud":
        heard["hum"] = 1.0
    if not heard:
        return {"hum": 0.25, "behind-the-panel": 0.25, "under-the-plate": 0.1, "not-noticed": 0.4}
    total = sum(heard.values())
    return {**{place: 0.85 * share / total for place, share in heard.items()}, "not-noticed": 0.15}


def _circuit(oven: Oven) -> dict[str, float]:
    """A line that sags under load does so for a long lead or for what else is on it."""
    weak = oven.values["supply.ohm"] * oven.build.rated_ampere > 0.1 * oven.build.supply
    return {"shared": 0.8, "of-its-own": 0.2} if weak else {"shared": 0.28, "of-its-own": 0.72}


def _since_when(oven: Oven) -> dict[str, float]:
    """What wears away under use, a cathode or a way for air, fades; what breaks does so at once."""
    if not oven.faults:
        return {"not-noticed": 0.55, "little-by-little": 0.25, "at-once": 0.2}
    values = oven.values
    if 0.1 < values["magnetron.emission"] < 1.0 or values["air-path.flow"] < 0.6:
        return {"little-by-little": 0.6, "at-once": 0.15, "not-noticed": 0.25}
    return {"at-once": 0.58, "little-by-little": 0.12, "not-noticed": 0.3}
