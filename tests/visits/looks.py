"""What is seen and heard: each check that is answered by one of its outcomes.

Every function gives the outcome that a careful technician finds, `None` where the oven has no such
part or the check cannot be carried out on it. How often an eye misses something is an estimate.
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp

from numpy.random import Generator

from tests.visits.build import AMBIENT
from tests.visits.customer import PLACES
from tests.visits.oven import Oven, Run, likelihoods

Look = Callable[[Oven, Generator], str | None]

SHORT_RUN = 0.4
"""Minutes that a look at a running oven takes."""
WEAK_AIR = 0.25
"""Relative air below which the hand at the vents feels little."""


def _running(judge: Callable[[Oven, Run, Generator], str | None], minutes: float) -> Look:
    return lambda oven, rng: judge(oven, oven.run(minutes), rng)


def _seen(key: str, bad: str, good: str, missed: float, false: float) -> Look:
    """A mark that is there or not, missed or imagined now and then."""

    def look(oven: Oven, rng: Generator) -> str:
        there = bool(oven.values.get(key, 0.0))
        return bad if rng.random() < (1 - missed if there else false) else good

    return look


def _display(oven: Oven, rng: Generator) -> str:
    oven.fuses_blow(oven.setting(oven.door()))
    return "lit" if oven.display_lit() else "dark"


def _code(oven: Oven, run: Run, rng: Generator) -> str:
    """Boards that watch their sensor or their inverter say so; estimate."""
    v = oven.values
    if not run.display:
        return "none"
    shown = 0.01
    if oven.build.sensor and not v["temperature-sensor.good"]:
        shown = 0.6
    elif oven.build.inverter and run.started and v["inverter-board.good"] < 1.0:
        shown = 0.35
    elif not v["control-board.keys"] or not v["control-board.heats"]:
        shown = 0.1
    return "shown" if rng.random() < shown else "none"


def _keypad(oven: Oven, run: Run, rng: Generator) -> str:
    return "responds" if run.keys else "dead"


def _fan(oven: Oven, run: Run, rng: Generator) -> str:
    if not run.fan:
        return "stopped"
    felt = 1.0 if run.air >= WEAK_AIR else 0.5
    return "turning" if rng.random() < felt else "stopped"


def _vents(oven: Oven, run: Run, rng: Generator) -> str:
    """A strip of paper at the vents; one that flutters is judged now and then as the other."""
    if run.air < 0.03:
        return "none" if rng.random() < 0.96 else "weak"
    weak = 0.85 if run.air < 0.45 else 0.05
    return "weak" if rng.random() < weak else "strong"


def _liquid(oven: Oven, rng: Generator) -> str:
    """Tide marks or droppings; harmless ones are found, too."""
    wet = max(likelihoods(oven.values, "wet").values(), default=0.0)
    return "found" if rng.random() < max(wet, 0.02) else "none"


def _fan_by_hand(oven: Oven, rng: Generator) -> str:
    v = oven.values
    if v["cooling-fan.air"] < 0.5:
        return "loose" if rng.random() < 0.85 else "free"
    if not v["cooling-fan.turns"] and v["cooling-fan.ohm"] > 2.0:
        return "stiff" if rng.random() < 0.9 else "free"
    return "free" if rng.random() < 0.985 else "stiff"


def _turntable(oven: Oven, run: Run, rng: Generator) -> str | None:
    if not oven.build.turntable:
        return None
    return "turning" if run.turntable else "stopped"


def _stirrer(oven: Oven, run: Run, rng: Generator) -> str:
    if not oven.build.stirrer:
        return "not-fitted"
    return "turning" if run.stirrer else "stopped"


def _hum(oven: Oven, run: Run, rng: Generator) -> str | None:
    if oven.build.inverter:
        return None
    if run.blew and run.watt == 0:
        # A jolt, then silence.
        return "loud" if rng.random() < 0.6 else "silent"
    return run.hum


def _click(oven: Oven, run: Run, rng: Generator) -> str:
    """The power relay behind the control; the click of the other relay passes for it at times."""
    driven = run.started and oven.relay_driven() and not oven.build.triac
    heard = 0.96 if driven else 0.18 if run.started else 0.01
    return "heard" if rng.random() < heard else "silent"


def _oscillation(oven: Oven, run: Run, rng: Generator) -> str:
    share = run.watt / oven.build.output
    return "lit" if share > 0.06 + 0.06 * rng.random() else "dark"


def _long_run(oven: Oven, run: Run, rng: Generator) -> str | None:
    if not run.started:
        return None
    heated = run.watt > 0.1 * oven.build.output
    oven.tripped = run.tripped
    for _ in range(5):  # a contact that comes and goes has twelve minutes to do so
        oven.settle(rng)
        if not oven.display_lit():
            return "goes-dark"
        if heated and oven.electric(oven.setting(oven.door(), True)).output_watt < 1.0:
            return "heating-stops"
    if run.blew or (run.stopped_itself and run.tripped in oven.build.line_cutouts):
        return "goes-dark"
    if not run.stopped_itself:
        return "runs-through"
    return "heating-stops" if run.tripped else "program-ends"


HOT_MINUTES = 6.0
"""From the stop until the meter is on the cutouts; estimate."""
COOLING = 10.0
"""Time constant in minutes of parts whose fan stands still; estimate."""
HYSTERESIS = 28.0
"""Kelvin below which a cutout that resets by itself closes again; from memory."""


def _hot_cutouts(oven: Oven, rng: Generator) -> str:
    """The cutout that ended the long run, if it has not cooled so far that it closed again."""
    v = oven.values
    for cutout in oven.build.fitted_cutouts:
        open_now = v[f"{cutout}.ohm"] > 10
        if cutout == oven.tripped and oven.build.self_resetting:
            opened = v[f"{cutout}.opens"]
            now = AMBIENT + (opened - AMBIENT) * exp(-HOT_MINUTES / COOLING)
            open_now = now > opened - HYSTERESIS
        if open_now and rng.random() < 0.98:
            return cutout
    return "none-open"


def _sparks(oven: Oven, run: Run, rng: Generator) -> str:
    """Where it is seen or heard to arc in half a minute."""
    if not run.arcs:
        return "no-sparks"
    arcing = likelihoods(oven.values, "arc")
    for part, chance in arcing.items():
        if rng.random() < chance:
            return PLACES[part]
    return "no-sparks"


BEHIND_THE_COVER = 0.75
"""Share of ovens in which the antenna can be seen through the opening; estimate."""


def _where_it_sparked(oven: Oven, rng: Generator) -> str:
    """A close look, the cover off: wherever something is burnt."""
    v = oven.values
    seen = (
        ("waveguide-cover.burnt", "cover-burnt", 0.96),
        ("cavity.burnt", "wall-burnt", 0.96),
        ("magnetron.burnt", "antenna-burnt", BEHIND_THE_COVER),
        ("door.damaged", "door-burnt", 0.8),
    )
    for key, outcome, share in seen:
        if v.get(key) and rng.random() < share:
            return outcome
    return "nothing" if rng.random() < 0.98 else "cover-burnt"


def _at_rest(oven: Oven, rng: Generator) -> str:
    """Plugged in, the door shut, no key pressed."""
    oven.move_door()
    idle = oven.setting(oven.door())
    oven.fuses_blow(idle)
    now = oven.electric(oven.setting(oven.door()))
    heard = 0.97 if now.primary_ampere > 0.04 * oven.build.rated_ampere else 0.004
    return "heats" if rng.random() < heard else "quiet"


def _starts(oven: Oven, rng: Generator) -> str:
    """Six starts, the door opened in between; one that does not heat is heard and seen."""
    heated = 0
    for _ in range(6):
        oven.settle(rng)
        run = oven.run(0.1)
        heats = run.watt > 0.06 * oven.build.output
        heated += heats if rng.random() < 0.99 else not heats
    return {0: "never", 6: "each-time"}.get(heated, "now-and-then")


def _failing_start(oven: Oven, rng: Generator) -> str:
    """How far the first of ten starts comes that does not heat; what it does is compared with one
    that heats, so a click or a hum is missed or imagined now and then only."""
    for _ in range(10):
        oven.settle(rng)
        run = oven.run(0.1)
        if run.watt <= 0.06 * oven.build.output:
            break
    else:
        return "none-failed"
    if not run.display:
        return "dark"
    if not run.started:
        return "nothing-starts"
    if (oven.relay_driven() and not oven.build.triac) == (rng.random() < 0.07):
        return "no-click"
    hums = run.hum != "silent" and not oven.build.inverter
    return "no-heat" if hums == (rng.random() < 0.97) else "no-hum"


def _interlock(oven: Oven, rng: Generator) -> str | None:
    run = oven.run(SHORT_RUN)
    if run.watt < 0.05 * oven.build.output:
        return None
    heating, others = oven.open_while_running()
    return "runs-on" if heating or (others and rng.random() < 0.5) else "stops"


def _latch(oven: Oven, rng: Generator) -> str:
    loose = oven.values["door-latch.loose"]
    return "loose" if rng.random() < (0.85 if loose else 0.02) else "seated"


def _coupling(oven: Oven, rng: Generator) -> str | None:
    if not oven.build.turntable:
        return None
    broken = not oven.values["turntable-coupling.turns"]
    return "broken" if rng.random() < (0.97 if broken else 0.01) else "sound"


def _air_path(oven: Oven, rng: Generator) -> str:
    blocked = oven.values["air-path.flow"] < 0.6
    return "blocked" if rng.random() < (0.93 if blocked else 0.03) else "clear"


def _magnet(oven: Oven, rng: Generator) -> str:
    cracked = not oven.values["magnetron.magnet"]
    return "cracked" if rng.random() < (0.88 if cracked else 0.01) else "intact"


def _sensor(oven: Oven, rng: Generator) -> str:
    if not oven.build.sensor:
        return "not-fitted"
    if oven.values["temperature-sensor.good"]:
        return "normal"
    return "open" if oven.values["temperature-sensor.ohm"] > 1e6 else "shorted"


def _order(oven: Oven, rng: Generator) -> str:
    """The door moved slowly from open to shut: monitor and interlock must never overlap."""
    overlap = any(
        state["monitor"] and (state["primary"] or state["secondary"])
        for state in (oven.switches(step / 100) for step in range(101))
    )
    return "out-of-order" if rng.random() < (0.93 if overlap else 0.03) else "in-order"


def _visual(oven: Oven, rng: Generator) -> str:
    """The first of what catches the eye; soot and dust pass for burn marks now and then."""
    kinds = (("loose-wire", "loose-wiring"), ("mark", "burn-marks"), ("bent", "deformed"))
    for kind, outcome in kinds:
        if any(rng.random() < share for share in likelihoods(oven.values, kind).values()):
            return outcome
    luck = rng.random()
    if luck < 0.02:
        return "burn-marks"
    return "loose-wiring" if luck < 0.03 else "clean"


def _transformer_fed(look: Look) -> Look:
    return lambda oven, rng: None if oven.build.inverter else look(oven, rng)


def _inverter_fed(look: Look) -> Look:
    return lambda oven, rng: look(oven, rng) if oven.build.inverter else None


LOOKS: dict[str, Look] = {
    "display": _display,
    "error-code": _running(_code, 0.1),
    "keypad": _running(_keypad, 0.1),
    "lamp": _running(lambda oven, run, rng: "lit" if run.lamp else "dark", SHORT_RUN),
    "turntable": _running(_turntable, SHORT_RUN),
    "cooling-fan": _running(_fan, SHORT_RUN),
    "vent-airflow": _running(_vents, SHORT_RUN),
    "fan-by-hand": _fan_by_hand,
    "liquid-or-insects": _liquid,
    "stirrer": _running(_stirrer, SHORT_RUN),
    "heating-hum": _running(_hum, SHORT_RUN),
    "relay-click": _running(_click, SHORT_RUN),
    "oscillation-indicator": _running(_oscillation, SHORT_RUN),
    "long-run": _running(_long_run, 12.0),
    "interlock-function": _interlock,
    "hum-at-rest": _at_rest,
    "look-where-it-sparked": _where_it_sparked,
    "sparks-seen": _running(_sparks, SHORT_RUN),
    "cutouts-while-hot": _hot_cutouts,
    "repeated-starts": _starts,
    "failing-start": _failing_start,
    "door-latch": _latch,
    "door-seal": _seen("door.damaged", "damaged", "sound", 0.10, 0.015),
    "waveguide-cover": _seen("waveguide-cover.burnt", "burnt", "clean", 0.07, 0.02),
    "cavity-inspection": _seen("cavity.burnt", "burnt", "clean", 0.07, 0.02),
    "turntable-coupling": _coupling,
    "visual-inspection": _visual,
    "magnet-inspection": _magnet,
    "magnetron-antenna": _seen("magnetron.burnt", "burnt", "sound", 0.04, 0.01),
    "filament-connector": _seen("filament-connectors.burnt", "burnt", "sound", 0.06, 0.015),
    "high-voltage-leads": _transformer_fed(
        _seen("high-voltage-leads.burnt", "burnt", "sound", 0.10, 0.01)
    ),
    "inverter-inspection": _inverter_fed(
        _seen("inverter-board.burnt", "burnt", "sound", 0.10, 0.02)
    ),
    "air-path": _air_path,
    "door-switch-order": _order,
    "sensor-resistance": _sensor,
}
