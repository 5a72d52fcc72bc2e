"""What is measured through the whole path, while hot, and where it sparks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.visits.customer import PLACES, answers
from tests.visits.looks import LOOKS
from tests.visits.ohms import resistance
from tests.visits.oven import Oven
from tests.visits.population import make_oven
from tests.visits.report import course
from tests.visits.technician import draw_technician

PATH = "heating-path-resistance"
IN_SERIES = [
    "power-cord-open",
    "main-fuse-fatigue",
    "filter-board-open",
    "primary-interlock-open",
    "secondary-interlock-open",
    "door-latch-misaligned",
]


def _ovens(*faults: str, seed: int, count: int = 12) -> list[Oven]:
    rng = np.random.default_rng(seed)
    return [make_oven(faults, rng, lasting=True) for _ in range(count)]


def _ohm(oven: Oven) -> float:
    found = resistance(oven, PATH)
    assert found is not None
    return found


@pytest.mark.parametrize("fault", IN_SERIES)
def test_the_path_takes_in_all_that_the_heating_current_flows_through(fault: str) -> None:
    assert max(_ohm(one) for one in _ovens(seed=1)) < 1.0
    assert np.mean([_ohm(one) > 2.0 for one in _ovens(fault, seed=2)]) > 0.8


def test_the_path_leaves_the_relay_and_what_is_not_in_it_out() -> None:
    for fault in ("power-relay-open", "lamp-open", "magnetron-filament-open"):
        assert max(_ohm(one) for one in _ovens(fault, seed=3)) < 1.0


@pytest.mark.parametrize(
    ("check", "fault"),
    [
        ("plug-resistance", "power-relay-welded"),
        ("plug-resistance", "filter-board-shorted"),
        ("behind-fuse-resistance", "monitor-switch-welded"),
        ("behind-fuse-resistance", "filter-board-shorted"),
        ("behind-fuse-resistance-door-open", "filter-board-shorted"),
        ("behind-fuse-resistance-door-open", "primary-interlock-welded"),
    ],
)
def test_a_short_of_the_line_shows_from_the_plug_and_behind_the_fuse(
    check: str, fault: str
) -> None:
    whole = [resistance(one, check) or 0.0 for one in _ovens(seed=4)]
    assert min(whole) > 50.0
    for one in _ovens(fault, seed=5):
        found = resistance(one, check)
        assert found is not None
        hidden = fault == "primary-interlock-welded" and one.build.monitor_behind_both
        hidden = hidden or (fault == "power-relay-welded" and one.build.inverter)
        assert (found < 10.0) != hidden


@pytest.mark.parametrize("fault", ["main-fuse-fatigue", "power-cord-open"])
def test_what_is_open_before_the_control_shows_at_the_plug(fault: str) -> None:
    found = [resistance(one, "plug-resistance") or 0.0 for one in _ovens(fault, seed=6)]
    assert np.mean([ohm > 1e6 for ohm in found]) > 0.7


@pytest.mark.parametrize(
    ("fault", "part"),
    [
        ("waveguide-cover-burnt", "waveguide-cover"),
        ("cavity-coating-burnt", "cavity"),
        ("magnetron-antenna-burnt", "magnetron"),
        ("high-voltage-lead-arcing", "high-voltage-leads"),
    ],
)
def test_it_sparks_where_it_has_burnt_and_nowhere_else(fault: str, part: str) -> None:
    rng = np.random.default_rng(4)
    seen = [LOOKS["sparks-seen"](one, rng) for one in _ovens(fault, seed=5, count=30)]
    assert set(seen) <= {PLACES[part], "no-sparks"}
    assert seen.count(PLACES[part]) >= 12
    assert {LOOKS["sparks-seen"](one, rng) for one in _ovens(seed=6)} == {"no-sparks"}


def test_a_closer_look_finds_the_antenna_behind_the_cover() -> None:
    rng = np.random.default_rng(7)
    look = LOOKS["look-where-it-sparked"]
    seen = [look(one, rng) for one in _ovens("magnetron-antenna-burnt", seed=8, count=40)]
    assert 20 < seen.count("antenna-burnt") < 40
    good = [look(one, rng) for one in _ovens(seed=9, count=40)]
    assert good.count("nothing") > 35


def test_a_cutout_that_opened_early_is_found_while_it_is_hot_and_not_cold() -> None:
    rng, found = np.random.default_rng(10), 0
    for oven in _ovens("magnetron-cutout-open", seed=11, count=60):
        if "magnetron-cutout.opens" not in oven.injected[0].overrides:
            continue
        oven.build = replace(oven.build, self_resetting=True)
        oven.changed()
        if LOOKS["long-run"](oven, rng) not in ("heating-stops", "goes-dark"):
            continue
        cold = resistance(oven, "magnetron-cutout-resistance")
        assert cold is not None
        assert cold < 1.0
        found += LOOKS["cutouts-while-hot"](oven, rng) == "magnetron-cutout"
    assert found >= 2
    for oven in _ovens(seed=12):
        LOOKS["long-run"](oven, rng)
        assert LOOKS["cutouts-while-hot"](oven, rng) == "none-open"


def test_who_complains_of_sparks_says_where_and_who_does_not_has_seen_none() -> None:
    rng = np.random.default_rng(13)
    said = [
        answers(one, "arcing", None, rng).get("told-where-it-sparks")
        for one in _ovens("cavity-coating-burnt", seed=14, count=60)
    ]
    assert said.count("at-wall") > 25
    load = [
        answers(one, "arcing", None, rng).get("told-where-it-sparks")
        for one in _ovens(seed=15, count=60)
    ]
    assert load.count("at-the-load") > 15
    other = [
        answers(one, "low-heat", None, rng).get("told-where-it-sparks")
        for one in _ovens(seed=16, count=60)
    ]
    assert other.count("not-seen") > 40


def test_what_is_seen_along_is_of_the_same_run_and_no_new_danger() -> None:
    """A survey that shows a leak is no reason against the lamp seen in the same run."""
    found = course(62376, profile="careful")
    assert found.unsafe == []


def test_a_technician_answers_each_new_check() -> None:
    rng = np.random.default_rng(17)
    technician, (oven,) = draw_technician(rng), _ovens(seed=18, count=1)
    for check in (PATH, "sparks-seen", "look-where-it-sparked", "cutouts-while-hot"):
        assert technician.answer(check, oven, rng) is not None


def test_who_has_a_worn_magnetron_has_seen_it_fade_and_who_has_a_broken_wire_has_not() -> None:
    rng = np.random.default_rng(17)

    def told(*faults: str) -> list[str | None]:
        ovens = _ovens(*faults, seed=18, count=80)
        return [answers(one, "low-heat", None, rng).get("told-since-when") for one in ovens]

    broken = told("diode-open")
    assert broken.count("at-once") > 2 * broken.count("little-by-little")
    blocked = told("air-path-blocked")
    assert blocked.count("little-by-little") > 2 * blocked.count("at-once")
    worn = told("magnetron-weak-emission")  # or its emission is gone for good
    assert worn.count("little-by-little") > worn.count("at-once")
    whole = told()
    assert whole.count("not-noticed") > whole.count("at-once")
