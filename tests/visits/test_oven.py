"""What ovens do: good ones work, each fault shows what a technician would expect of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from tests.visits.build import draw_build
from tests.visits.faults import DRAWS
from tests.visits.injection import INVERTER_ONLY, draw_fault, possible
from tests.visits.oven import Oven, Run
from tests.visits.population import make_oven
from tests.visits.remedies import CURES, PROPOSED, RENEWS, renewed

SPECIMENS = 30


def ovens(*faults: str, count: int = SPECIMENS, **build: object) -> list[Oven]:
    """Specimens with lasting faults, of a variety where wanted."""
    rng = np.random.default_rng(sum(map(ord, "".join(faults))) + 11)
    found: list[Oven] = []
    inverter = build.pop("inverter", any(fault in INVERTER_ONLY for fault in faults))
    while len(found) < count:
        drawn = draw_build(rng)
        if drawn.inverter == inverter:
            drawn = replace(drawn, **build)  # type: ignore[arg-type]
            found.append(make_oven(faults, rng, drawn, lasting=True))
    return found


def share(one: Oven, run: Run) -> float:
    return run.watt / one.build.output


@pytest.mark.parametrize("inverter", [False, True])
def test_good_ovens_do_everything(inverter: bool) -> None:
    shares = []
    for one in ovens(inverter=inverter, count=60):
        run = one.run(14)
        assert run.display
        assert run.started
        assert run.lamp
        assert run.fan
        assert run.turntable == one.build.turntable
        assert run.hum == "normal"
        assert not run.stopped_itself
        assert not run.blew
        assert run.leakage < 5
        assert one.open_while_running() == (False, False)
        shares.append(share(one, run))
    assert 0.95 < np.mean(shares) < 1.05
    assert min(shares) > 0.80


def test_input_power_is_about_the_rated_one() -> None:
    for one in ovens(count=20):
        now = one.electric(one.setting(1.0, commanded=True))
        assert 0.75 < now.fuse_ampere / one.build.rated_ampere < 1.3
        assert 2500 < now.stored_volt < 3300


def test_power_falls_about_with_the_square_of_the_supply() -> None:
    for one in ovens(count=10):
        full = one.electric(one.setting(1.0, commanded=True)).output_watt
        before = one.values["supply.factor"]
        one.healthy["supply.factor"] = 0.9 * before
        one.changed()
        low = one.electric(one.setting(1.0, commanded=True)).output_watt
        assert 0.4 < low / full < 0.9**2 + 0.02


def heats_not(one: Oven, run: Run) -> bool:
    return share(one, run) < 0.1


def dead(one: Oven, run: Run) -> bool:
    return not run.display and run.watt == 0 and not run.lamp


EXPECTED: dict[str, tuple[Callable[[Oven, Run], bool], float]] = {
    # Fault -> what shows, in at least which share of the specimens.
    "supply-outlet-dead": (dead, 1.0),
    "supply-voltage-low": (lambda one, run: share(one, run) < 0.85, 0.95),
    "power-cord-open": (dead, 0.75),
    "main-fuse-fatigue": (dead, 1.0),
    "filter-board-open": (dead, 0.6),
    "filter-board-shorted": (lambda one, run: "main-fuse" in one.blown, 1.0),
    "cavity-cutout-open": (lambda one, run: heats_not(one, run) or run.stopped_itself, 0.8),
    "magnetron-cutout-open": (lambda one, run: heats_not(one, run) or run.stopped_itself, 0.8),
    "base-cutout-open": (lambda one, run: heats_not(one, run) or run.stopped_itself, 0.8),
    "high-voltage-fuse-open": (heats_not, 1.0),
    "wiring-shorted": (lambda one, run: run.blew, 0.9),
    "primary-interlock-open": (heats_not, 0.9),
    "secondary-interlock-open": (heats_not, 0.8),
    "monitor-switch-welded": (lambda one, run: "main-fuse" in one.blown, 1.0),
    "door-switch-order-wrong": (lambda one, run: "main-fuse" in one.blown, 1.0),
    "door-latch-misaligned": (lambda one, run: run.watt == 0, 0.3),
    "keypad-failed": (lambda one, run: run.display and not run.keys, 1.0),
    "power-relay-open": (heats_not, 0.85),
    "power-relay-welded": (lambda one, run: run.heats_unasked, 1.0),
    "cooling-fan-failed": (lambda one, run: run.stopped_itself, 0.95),
    "air-path-blocked": (lambda one, run: run.fan and run.stopped_itself, 0.4),
    "turntable-motor-open": (lambda one, run: not run.turntable and run.watt > 0, 1.0),
    "turntable-coupling-broken": (lambda one, run: not run.turntable and run.watt > 0, 1.0),
    "stirrer-stopped": (lambda one, run: not run.stirrer, 1.0),
    "lamp-open": (lambda one, run: not run.lamp and run.fan and run.watt > 0, 1.0),
    "auxiliary-relay-open": (
        lambda one, run: not (run.lamp or run.fan or run.turntable) and run.watt > 0,
        1.0,
    ),
    "control-transformer-open": (dead, 1.0),
    "temperature-sensor-failed": (lambda one, run: run.stopped_itself, 1.0),
    "transformer-primary-open": (lambda one, run: run.watt == 0 and run.hum == "silent", 1.0),
    "transformer-secondary-open": (lambda one, run: run.watt == 0 and run.lamp, 1.0),
    "transformer-filament-open": (lambda one, run: run.watt == 0 and run.lamp, 1.0),
    "transformer-shorted-to-chassis": (heats_not, 0.7),
    "transformer-turns-shorted": (lambda one, run: run.hum == "loud", 0.9),
    "capacitor-shorted": (lambda one, run: run.watt == 0 and run.hum == "loud", 1.0),
    "capacitor-open": (heats_not, 1.0),
    "capacitor-low": (lambda one, run: 0.15 < share(one, run) < 0.85, 0.95),
    "diode-shorted": (heats_not, 1.0),
    "diode-open": (heats_not, 1.0),
    "magnetron-filament-open": (heats_not, 1.0),
    "magnetron-shorted-to-case": (heats_not, 0.95),
    "magnetron-weak-emission": (lambda one, run: share(one, run) < 0.85, 1.0),
    "magnetron-magnet-cracked": (lambda one, run: share(one, run) < 0.7, 1.0),
    "magnetron-antenna-burnt": (lambda one, run: run.arcs > 0.4, 1.0),
    "filament-connector-burnt": (lambda one, run: share(one, run) < 0.85, 0.7),
    "waveguide-cover-burnt": (lambda one, run: run.arcs > 0.5, 1.0),
    "cavity-coating-burnt": (lambda one, run: run.arcs > 0.5, 1.0),
    "high-voltage-lead-arcing": (lambda one, run: run.arcs > 0.5, 1.0),
    "inverter-board-failed": (lambda one, run: share(one, run) < 0.85, 1.0),
    "door-seal-damaged": (lambda one, run: run.leakage > 5, 0.6),
}


@pytest.mark.parametrize("fault", EXPECTED)
def test_each_fault_shows(fault: str) -> None:
    shows, least = EXPECTED[fault]
    found = [shows(one, one.run(12)) for one in ovens(fault)]
    assert np.mean(found) >= least


@pytest.mark.parametrize(
    "fault",
    ["protective-earth-open", "capacitor-bleed-open", "monitor-switch-open"],
)
def test_hidden_faults_let_the_oven_work(fault: str) -> None:
    for one in ovens(fault):
        run = one.run(5)
        assert share(one, run) > 0.8
        assert not run.blew


def test_a_shorted_capacitor_blows_the_fuse_by_its_severity() -> None:
    blown = []
    for one in ovens("capacitor-shorted", count=80):
        one.run(1)
        blown.append(bool(one.blown))
    assert 0.3 < np.mean(blown) < 0.95


def test_a_high_voltage_fuse_spares_the_main_fuse() -> None:
    spared = []
    for one in ovens("capacitor-shorted", high_voltage_fuse=True):
        one.run(1)
        spared.append(one.blown == {"high-voltage-fuse"})
    assert np.mean(spared) > 0.85


def test_a_welded_primary_interlock_blows_the_fuse_where_the_monitor_watches_it() -> None:
    for one in ovens("primary-interlock-welded", monitor_behind_both=False, count=10):
        one.run(1)
        assert one.blown == {"main-fuse"}
    for one in ovens("primary-interlock-welded", monitor_behind_both=True, count=10):
        one.run(1)
        assert not one.blown


def test_both_interlocks_welded_and_no_monitor_heats_with_the_door_open() -> None:
    faults = ("primary-interlock-welded", "secondary-interlock-welded", "monitor-switch-open")
    found = [one.open_while_running()[0] for one in ovens(*faults, sense_by_secondary=True)]
    assert np.mean(found) > 0.7


def test_without_earth_a_short_to_chassis_blows_nothing() -> None:
    for one in ovens("wiring-shorted", count=10):
        for fault in one.injected:
            fault.overrides["wiring.place"] = 1.0
        one.changed()
        one.healthy["power-cord.earth"] = 1e10
        one.run(1)
        assert not one.blown


@pytest.mark.parametrize("place", [1.0, 3.0])
def test_a_residual_current_device_opens_before_a_fuse_melts(place: float) -> None:
    """1: at the plug at once; 3: when it begins to heat."""
    for one in ovens("wiring-shorted", count=10, triac=False):
        for fault in one.injected:
            fault.overrides["wiring.place"] = place
        one.healthy["supply.trips"] = 0.03
        one.changed()
        run = one.run(1)
        assert run.blew
        assert not one.blown
        assert run.display == (place == 3.0)
        assert not run.watt
        assert not run.input_watt
        assert one.display_lit() == run.display
    for one in ovens(count=10):
        one.healthy["supply.trips"] = 0.005
        one.changed()
        assert not one.run(1).blew


def test_two_open_cutouts_hide_each_other() -> None:
    for one in ovens("cavity-cutout-open", "magnetron-cutout-open", heating_cutouts=(), count=10):
        for fault in one.injected:
            part = fault.fault.removesuffix("-open")
            fault.overrides = {f"{part}.ohm": 1e10}
        one.changed()
        assert dead(one, one.run(1))
        one.restore(("cavity-cutout",))
        assert dead(one, one.run(1))
        one.restore(("magnetron-cutout",))
        assert one.run(1).watt > 0


@pytest.mark.parametrize("fault", sorted(DRAWS))
def test_the_right_remedy_makes_the_oven_good(fault: str) -> None:
    for one in ovens(fault, count=6):
        one.run(2)
        one.restore(renewed(sorted(CURES[fault])[-1]))
        # A cutout that opened for good while the fan stood, and blown fuses, are renewed too.
        for other in one.faults:
            one.restore(renewed(sorted(CURES[other])[0]))
        one.restore(one.blown)
        assert not one.faults
        one.show_all()
        run = one.run(14)
        assert share(one, run) > 0.8
        assert not run.stopped_itself
        assert not run.blew


def test_a_wrong_part_cures_nothing() -> None:
    for one in ovens("diode-open", count=5):
        one.restore(renewed("replace-magnetron"))
        assert one.faults == {"diode-open"}
        assert one.run(1).watt == 0


def test_a_new_fuse_alone_blows_again() -> None:
    for one in ovens("monitor-switch-welded", count=5):
        one.run(1)
        one.restore(("main-fuse",))
        assert not one.blown
        one.run(1)
        assert one.blown == {"main-fuse"}


def test_an_intermittent_fault_comes_and_goes() -> None:
    rng = np.random.default_rng(4)
    (one,) = ovens("wiring-open", count=1)
    one.injected[0].acts = 0.5
    one.injected[0].overrides = {"wiring.heating": 1e10}
    seen = set()
    for _ in range(30):
        one.settle(rng)
        seen.add(one.run(0.3).watt > 0)
    assert seen == {True, False}


def test_the_capacitor_bleeds_unless_its_resistor_is_open() -> None:
    good, bad = ovens(count=1)[0], ovens("capacitor-bleed-open", count=1)[0]
    for one in (good, bad):
        one.run(1)
        assert one.capacitor_volt > 2000
        one.rest(60)
    assert good.capacitor_volt < 42.4
    assert bad.capacitor_volt > 2000


def test_one_seed_gives_one_oven() -> None:
    def one() -> dict[str, float]:
        rng = np.random.default_rng(9)
        return make_oven(("capacitor-low",), rng).values

    assert one() == one()


def test_every_fault_has_a_remedy_and_a_place() -> None:
    assert set(CURES) == set(DRAWS) | {"no-fault-present"}
    known = set(RENEWS) | set(PROPOSED)
    rng = np.random.default_rng(1)
    for fault, remedies in CURES.items():
        assert remedies <= known
        if fault == "no-fault-present":
            continue
        build = next(b for b in iter(lambda: draw_build(rng), None) if possible(fault, b))
        for _ in range(10):
            overrides = draw_fault(fault, build, rng).overrides
            assert overrides
            for remedy in remedies:
                covered = renewed(remedy)
                assert all(key.partition(".")[0] in covered for key in overrides), (fault, remedy)
