"""Readings taken again: what a second one promises, when it is asked for, and when not."""

from __future__ import annotations

import math
from collections import defaultdict
from typing import Any

import numpy as np
import pytest

from service.diagnosis.assessment import Reasoner
from service.diagnosis.case import read_case
from service.diagnosis.findings import find_all
from service.diagnosis.information import information_again
from service.diagnosis.states import State
from service.ruleset.model import RuleSet
from tests.diagnosis.documents import carry_on, request, seen
from tests.diagnosis.oracle import Oracle

SAID = ("display=lit", "oscillation-indicator=dark", "capacitor-capacitance=0 nF")


def entropy(chances: dict[Any, float]) -> float:
    """Bits, over what is not normalised: -sum p·log2 p."""
    return -math.fsum(p * math.log2(p) for p in chances.values() if p > 0.0)


def test_what_a_second_reading_promises_is_the_expected_drop_of_entropy(
    reasoner: Reasoner, oven: RuleSet, oracle: Oracle
) -> None:
    """Worked out from the oracle's states: the same outcome again, or another."""
    document = request("no-heat", *SAID)
    states = oracle.posterior("no-heat", seen(oven, document), out={"inverter-board-failed"})
    findings = find_all(oven, read_case(oven, document))
    model = reasoner.model
    belief = np.zeros(len(model.states))
    for (faults, condition), chance in states.items():
        belief[model.position[State(faults, condition)]] = chance
    told = information_again(model, belief, findings)
    for finding in findings:
        sets: dict[Any, float] = defaultdict(float)
        again: dict[tuple[Any, bool], float] = defaultdict(float)
        for state, chance in states.items():
            row = oracle.row(finding.check, state)
            once = math.fsum(p * q for p, q in zip(row, finding.evidence, strict=True))
            persists = oven.checks[finding.check].persists
            same = persists + (1.0 - persists) * once
            wanted = oracle.remedies(state[0])
            sets[wanted] += chance
            again[wanted, True] += chance * same
            again[wanted, False] += chance * (1.0 - same)
        total: dict[bool, float] = defaultdict(float)
        for (_, outcome), chance in again.items():
            total[outcome] += chance
        gain = entropy(sets) - (entropy(again) - entropy(total))
        assert told[finding.check] == pytest.approx(gain, abs=1e-9)
    assert told["capacitor-capacitance"] > told["display"] > 0.0


def test_a_surprising_reading_is_taken_again_before_a_part_is_replaced(
    reasoner: Reasoner,
) -> None:
    """Nothing spoke for the little transformer of the control before it read open."""
    said = ("display=dark", "outlet-voltage=120 V", "main-fuse-resistance=0.3 Ohm")
    more = ("cavity-cutout-resistance=0.3 Ohm", "control-transformer-resistance=OL")
    once = reasoner.assess(request("no-operation", *said, *more))
    assert once["verdict"] is None
    assert once["next_check"]["id"] == "control-transformer-resistance"
    assert once["next_check"]["recheck"]
    twice = reasoner.assess(request("no-operation", *said, *more, more[-1]))
    assert twice["verdict"]["fault"] == "control-transformer-open"


def test_a_live_reading_is_never_taken_again_and_no_reading_a_third_time(
    reasoner: Reasoner, oven: RuleSet
) -> None:
    document = request("no-heat", "heating-hum=normal", confirmed=[])
    world = {"oscillation-indicator": "dark", "water-load-power": "0 W"}
    carry_on(reasoner.assess, oven, document, world)
    read = [one["check"] for one in document["readings"]]
    assert max(read.count(check) for check in read) == 2, "good readings are doubted at the end"
    assert all(read.count(check) == 1 for check in read if oven.checks[check].live)


def test_work_that_stops_for_one_dead_reading_says_how_to_settle_it(reasoner: Reasoner) -> None:
    said = ("main-fuse-resistance=OL", "monitor-switch-door-open=OL")
    once = reasoner.assess(request("no-operation", *said))
    assert once["status"] == "stop-work"
    assert once["next_check"] is not None, "dead checks go on"
    everything = sorted(reasoner.rule_set.checks)
    ended = reasoner.assess(request("no-operation", said[1], unavailable=everything))
    assert (ended["status"], ended["next_check"]) == ("stop-work", None)
    assert [one["code"] for one in ended["reasons"]].count("may-be-a-slip") == 1
    survey = reasoner.assess(request("low-heat", "leakage-survey=8 mW/cm2"))
    assert survey["status"] == "stop-work"
    assert "may-be-a-slip" not in {one["code"] for one in survey["reasons"]}, "it would be run"


def test_a_check_of_a_part_that_the_oven_lacks_is_not_waited_for(
    reasoner: Reasoner, oven: RuleSet
) -> None:
    """No meter for the capacitor, and no inverter board to look at: the magnetron is named."""
    document = request(
        "low-heat",
        confirmed=[],
        nameplate={"high_voltage_supply": "transformer"},
        unavailable=["capacitor-capacitance"],
    )
    world = {"water-load-power": "420 W", "input-power": "560 W"}
    answer, asked = carry_on(reasoner.assess, oven, document, world)
    assert answer["verdict"]["fault"] == "magnetron-weak-emission"
    assert "inverter-inspection" not in asked


def test_what_is_assumed_of_the_equipment_is_said_where_the_case_ends_open(
    reasoner: Reasoner, oven: RuleSet
) -> None:
    out = sorted(name for name in oven.checks if name != "oscillation-indicator")
    document = request("no-heat", "oscillation-indicator=dark", unavailable=out)
    answer, _ = carry_on(reasoner.assess, oven, document, {"oscillation-indicator": "dark"})
    assert answer["status"] == "unresolved"
    told = [one["text"] for one in answer["reasons"] if one["code"] == "nameplate-assumed"]
    assert any(text.startswith("high_voltage_supply is assumed to be transformer") for text in told)


def test_what_cannot_be_proven_does_not_hide_what_else_is_wrong(
    reasoner: Reasoner, oven: RuleSet
) -> None:
    """Without a survey meter it is not released; the open earth is found all the same."""
    document = request(
        "low-heat",
        "water-load-power=960 W",
        phase="verify-repair",
        unavailable=["leakage-survey"],
        confirmed=[],
    )
    answer, asked = carry_on(reasoner.assess, oven, dict(document), {"earth-continuity": "OL"})
    assert answer["status"] == "not-released"
    assert "earth-continuity" in asked
    answer, _ = carry_on(reasoner.assess, oven, document, {})
    assert answer["status"] == "not-released"
    codes = {one["code"] for one in answer["reasons"]}
    assert "check-unavailable" in codes
    assert "check-failed" not in codes


def test_a_repair_that_mends_no_door_does_not_make_a_damaged_door_good(
    reasoner: Reasoner, oven: RuleSet
) -> None:
    """Found on the bench: after another repair the oven was run with its door seal torn."""
    said = ("oscillation-indicator=dark", "magnetron-to-case=0.1 kOhm", "door-seal=damaged")
    document = request("no-heat", *said, *said[1:], unavailable=["leakage-survey"])
    made = {"remedy": "replace-magnetron", "readings_before": len(document["readings"])}
    proof = {**document, "repairs": [made], "phase": "verify-repair", "confirmed": []}
    answer = reasoner.assess(proof)
    assert answer["status"] == "not-released"
    assert "door-damaged" in {one["code"] for one in answer["reasons"]}
    # Looked at again after the repair, and sound: the first look was a slip.
    again = {**proof, "readings": [*proof["readings"], {"check": "door-seal", "observed": "sound"}]}
    answer, asked = carry_on(reasoner.assess, oven, again, {"water-load-power": "960 W"})
    assert "water-load-power" in asked
    # A new door mends it.
    door = {"remedy": "replace-door", "readings_before": len(document["readings"])}
    mended = {**proof, "repairs": [made, door]}
    answer, asked = carry_on(reasoner.assess, oven, mended, {"water-load-power": "960 W"})
    assert "water-load-power" in asked


def test_work_never_stops_with_the_verdict_that_nothing_is_wrong(reasoner: Reasoner) -> None:
    said = ("water-load-power=790 W", "outlet-voltage=120 V", "door-seal=damaged")
    answer = reasoner.assess(request("no-operation", "display=lit", *said))
    assert answer["status"] == "stop-work"
    verdict = answer["verdict"]
    assert verdict is None or verdict["fault"] != "no-fault-present"
