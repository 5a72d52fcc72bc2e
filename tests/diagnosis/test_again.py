"""What work stops on is measured again; what is found twice, or still forbids use, is settled."""

from __future__ import annotations

import random
from typing import Any

import pytest

from service.diagnosis.again import SEEN_ONCE_FOR_ALL
from service.diagnosis.assessment import Reasoner, reasoner
from service.diagnosis.planning import Candidate, choose
from service.diagnosis.states import State
from service.ruleset.catalogue import Catalogue
from service.ruleset.model import NO_FAULT
from tests.diagnosis.documents import after_repair, carry_on, reading

OVEN = Catalogue.load().get("microwave-oven")
SHUT_OFF = ["supply-disconnected", "capacitor-discharged"]
DEAD = [
    (check.id, outcome)
    for check in OVEN.checks.values()
    for outcome in check.outcomes
    if outcome not in check.expected and not OVEN.access[check.access].powered and not check.live
]


@pytest.fixture(scope="module")
def engine(catalogue: Catalogue) -> Reasoner:
    return reasoner(catalogue, "microwave-oven")


def _read(check: str, outcome: str, times: int) -> dict[str, Any]:
    return {
        "symptom": "no-heat",
        "nameplate": {"high_voltage_supply": "transformer"},
        "readings": [reading(f"{check}={outcome}") for _ in range(times)],
        "confirmed": SHUT_OFF,
    }


def test_what_work_stops_on_is_measured_again_first(engine: Reasoner) -> None:
    """A look is not taken again: the same eyes see the same."""
    again, looks, third = set(), set(), set()
    for check, outcome in DEAD:
        once = engine.assess(_read(check, outcome, 1))
        if once["status"] != "stop-work" or once["verdict"] is not None:
            continue
        step = once["next_check"]
        if engine.model.persists[check] >= SEEN_ONCE_FOR_ALL:
            assert step is None or (step["id"], step["recheck"]) != (check, True)
            looks.add(check)
            continue
        assert (step["id"], step["recheck"]) == (check, True), (check, outcome)
        twice = engine.assess(_read(check, outcome, 2))
        assert twice["status"] == "stop-work"
        if twice["next_check"] is not None and twice["next_check"]["id"] == check:
            # Two readings do not prove the danger that they name: a third one, and no more.
            assert twice["verdict"] is None
            thrice = engine.assess(_read(check, outcome, 3))
            assert thrice["verdict"]["confidence"] >= OVEN.tuning.danger_read_twice
            assert OVEN.faults[thrice["verdict"]["fault"]].dangerous
            third.add(check)
        again.add(check)
    assert len(again) >= 6
    assert looks
    assert "earth-continuity" in third


def test_a_danger_found_twice_is_named_and_a_doubtful_one_is_not(engine: Reasoner) -> None:
    enough = OVEN.tuning.danger_read_twice
    named = set()
    for check, outcome in DEAD:
        answer = engine.assess(_read(check, outcome, 3))
        if answer["status"] != "stop-work" or answer["verdict"] is None:
            continue
        found = answer["verdict"]
        if found["confidence"] < 0.9:
            assert OVEN.faults[found["fault"]].dangerous
            assert found["confidence"] >= enough
        named.add(found["fault"])
    assert len(named) >= 3
    once = engine.assess(_read("earth-continuity", "open", 1))
    assert once["verdict"] is None


def _candidate(name: str, bits: float, work: float, setup: float = 0.0) -> Candidate:
    unmet = ("supply-disconnected",) if setup else ()
    return Candidate(OVEN.checks[name], bits, setup + work, unmet, False, work)


def test_an_opening_is_paid_once_for_all_that_it_shows() -> None:
    outside = _candidate("door-latch", 0.06, 1.0)
    inside = [
        _candidate("main-fuse-resistance", 0.3, 1.0, setup=8.0),
        _candidate("wiring-continuity", 0.3, 1.0, setup=8.0),
        _candidate("power-relay-contact", 0.3, 1.0, setup=8.0),
    ]
    # Each alone tells less a minute than the look from outside; the three of them tell more.
    for one in inside:
        assert choose([outside, one], OVEN.tuning, 2.0) == outside
    chosen = choose([outside, *inside], OVEN.tuning, 2.0)
    assert chosen is not None
    assert chosen.unmet


@pytest.mark.parametrize("seed", range(8))
def test_an_opening_is_worth_no_less_than_its_best_check_and_no_more_than_is_in_doubt(
    seed: int,
) -> None:
    rng = random.Random(seed)
    names = rng.sample(sorted(OVEN.checks), 6)
    alike = [
        _candidate(name, rng.uniform(0.02, 0.4), rng.uniform(0.5, 5.0), setup=9.0) for name in names
    ]
    chosen = choose(alike, OVEN.tuning, 1.0)
    assert chosen is not None
    assert chosen.worth >= max(one.worth for one in alike) - 1e-12
    assert chosen.information <= 1.0
    by_work = max(alike, key=lambda one: (one.information / one.work, one.check.id))
    assert chosen.check == by_work.check
    assert choose(reversed(alike), OVEN.tuning, 1.0) == chosen


@pytest.mark.parametrize(
    ("read", "repair"),
    [
        ("visual-inspection=deformed", "replace-cooling-fan"),
        ("door-latch=loose", "replace-magnetron"),
        ("visual-inspection=deformed", "replace-diode"),
    ],
)
def test_what_forbade_use_before_the_repair_is_looked_at_anew(
    engine: Reasoner, read: str, repair: str
) -> None:
    check = read.partition("=")[0]
    document = after_repair(
        {"symptom": "low-heat", "readings": [reading(read)], "confirmed": []}, repair
    )
    answer, asked = carry_on(engine.assess, OVEN, {**document, "phase": "verify-repair"}, {})
    assert check in asked
    assert answer["status"] == "released", answer["reasons"]
    bad, _ = carry_on(
        engine.assess, OVEN, {**document, "phase": "verify-repair"}, {check: read.partition("=")[2]}
    )
    assert bad["status"] == "not-released"


def test_an_aged_fuse_leaves_whatever_else_is_wrong(engine: Reasoner) -> None:
    """What seldom blows the fuse may be there beside an aged one, and is left as it is alone."""
    model, left = engine.model, 0
    for effect in OVEN.faults.values():
        if not effect.effect:
            continue
        goes_to = model.repairs[effect.remedy].goes_to
        for row, state in enumerate(model.states):
            if len(state.faults) != 2 or effect.id not in state.faults:
                continue
            other = next(name for name in state.faults if name != effect.id)
            if other == NO_FAULT or state.condition not in effect.conditions:
                continue
            assert model.states[int(goes_to[row])] == State((other,), None)
            left += 1
    assert left > 60
    names = {state.faults for state in model.states}
    assert ("cooling-fan-failed", "main-fuse-fatigue") in names or (
        "main-fuse-fatigue",
        "cooling-fan-failed",
    ) in names


@pytest.mark.parametrize("symptom", ["no-heat", "low-heat", "keypad-dead", "arcing"])
def test_no_live_reading_is_taken_again_but_to_clear_up_a_contradiction(
    engine: Reasoner, symptom: str
) -> None:
    """All else is good, and a live check alone speaks of a fault."""
    tried = 0
    for check in OVEN.checks.values():
        for outcome in set(check.outcomes) - set(check.expected) if check.live else ():
            document: dict[str, Any] = {
                "symptom": symptom,
                "readings": [{"check": check.id, "observed": outcome}],
                "confirmed": [],
            }

            def assess(case: dict[str, Any]) -> dict[str, Any]:
                answer = engine.assess(case)
                step = answer["next_check"]
                if step is not None and step["recheck"] and OVEN.checks[step["id"]].live:
                    texts = [one["message"] for one in answer["conflicts"]]
                    assert any(text in step["why"] for text in texts), step["why"]
                return answer

            carry_on(assess, OVEN, document, {})
            tried += 1
    assert tried > 4
