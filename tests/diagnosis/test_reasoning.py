"""Chaining, conflicts, gates and explanations of the real rule set."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from service.diagnosis.assessment import Reasoner
from service.diagnosis.belief import Evidence, believe, history
from service.diagnosis.case import CaseError, read_case
from service.diagnosis.chaining import Conclusions, conclude
from service.diagnosis.confirmations import Void
from service.diagnosis.facts import tokens
from service.diagnosis.findings import UNCONFIRMED, find_all
from service.diagnosis.information import expected_information
from service.diagnosis.planning import unmet
from service.diagnosis.precautions import NOT_COUNTED
from service.ruleset.model import RuleSet
from tests.diagnosis.documents import READY, reading
from tests.diagnosis.documents import request as case
from tests.visits.confirm import confirm


def prepare(document: dict[str, Any], step: dict[str, Any]) -> None:
    """Confirm a preparation as a client does."""
    document["confirmed"] = confirm(document["confirmed"], step)


def depths(rule_set: RuleSet, reasoner: Reasoner, document: dict[str, Any]) -> dict[str, int]:
    """By derived token, how many rules stand one on another up to it."""
    given = read_case(rule_set, document)
    facts = tokens(rule_set, given, find_all(rule_set, given))
    out = dict.fromkeys(facts, 0)
    for firing in reasoner.chainer.run(facts).firings:
        level = 1 + max((out[token] for token in firing.matched), default=0)
        for token in firing.derived:
            out[token] = min(out.get(token, level), level)
    return out


def test_rules_chain_from_a_reading_to_a_precaution(oven: RuleSet, reasoner: Reasoner) -> None:
    found = depths(oven, reasoner, case("no-operation", "main-fuse-resistance=OL"))
    steps = [
        "state/fuse-blown",
        "state/short-suspected",
        "state/high-voltage-in-question",
        "admit/capacitor-resistance",
        "require/capacitor-discharged",
        "require/supply-disconnected",
    ]
    assert [found[step] for step in steps] == [1, 1, 2, 3, 4, 5]


def conclusions(oven: RuleSet, reasoner: Reasoner, document: dict[str, Any]) -> Conclusions:
    given = read_case(oven, document)
    facts = tokens(oven, given, find_all(oven, given))
    return conclude(oven, reasoner.chainer.run(facts))


def test_supply_at_the_primary_and_no_oscillation_is_the_high_voltage_side(
    oven: RuleSet, reasoner: Reasoner
) -> None:
    document = case("no-heat", "transformer-primary-voltage=119 V", "oscillation-indicator=dark")
    found = conclusions(oven, reasoner, document)
    assert "high-voltage-side" in found.states
    assert "capacitor-resistance" in found.admitted


def test_no_supply_at_the_primary_is_the_control_side_and_bars_the_other(
    oven: RuleSet, reasoner: Reasoner
) -> None:
    document = case("no-heat", "transformer-primary-voltage=0 V", "oscillation-indicator=dark")
    found = conclusions(oven, reasoner, document)
    assert "control-side" in found.states
    assert "capacitor-resistance" in found.barred
    answer = reasoner.assess(document)
    high = {row["component"] for row in answer["hypotheses"] if row["probability"] > 0.05} & {
        "magnetron",
        "capacitor",
        "diode",
    }
    assert not high


@pytest.mark.parametrize(
    "clash",
    [
        ("display=lit", "main-fuse-resistance=OL"),
        ("oscillation-indicator=lit", "magnetron-filament-resistance=OL"),
        ("oscillation-indicator=lit", "transformer-secondary-resistance=OL"),
        ("water-load-power=960 W", "oscillation-indicator=dark"),
        ("transformer-primary-voltage=119 V", "primary-interlock-switch=OL"),
        ("transformer-secondary-resistance=OL", "magnetron-filament-resistance=OL"),
    ],
)
def test_contradictory_readings_are_taken_again_not_forced(
    reasoner: Reasoner, clash: tuple[str, str]
) -> None:
    answer = reasoner.assess(case("no-heat", *clash))
    assert answer["conflicts"]
    assert answer["verdict"] is None
    assert answer["status"] == "check-next"
    step = answer["next_check"]
    names = {text.partition("=")[0] for text in clash}
    assert step["recheck"] or step["kind"] == "preparation"
    assert (step["for_check"] or step["id"]) in names
    assert {check for one in answer["conflicts"] for check in one["checks"]} <= names


def test_two_parts_that_read_bad_twice_are_never_a_verdict_on_one(reasoner: Reasoner) -> None:
    once = ("transformer-secondary-resistance=OL", "magnetron-filament-resistance=OL")
    first = reasoner.assess(case("no-heat", *once))
    assert first["conflicts"]
    assert first["next_check"]["recheck"]
    twice = ("transformer-secondary-resistance=OL", "magnetron-filament-resistance=OL") * 2
    document = case("no-heat", *twice)
    first_two = {text.partition("=")[0] for text in once}
    seen = []
    for _ in range(120):
        answer = reasoner.assess(document)
        step = answer["next_check"]
        if step is None:
            break
        assert answer["verdict"] is None
        assert step["id"] not in first_two, "both readings have been taken twice"
        seen.append(step["id"])
        if step["kind"] == "preparation":
            prepare(document, step)
        else:
            normal = next(
                one["outcome"] for one in step["expected"]["outcomes"] if one["meaning"] == "normal"
            )
            said = {"oscillation-indicator": "dark", "water-load-power": "none"}
            outcome = said.get(step["id"], normal)
            document["readings"].append({"check": step["id"], "observed": outcome})
    both = {"transformer-secondary-open", "magnetron-filament-open"}
    assert {row["fault"] for row in answer["hypotheses"][:2]} == both
    if answer["verdict"] is None:
        assert answer["status"] == "unresolved"
    else:
        found = [one["fault"] for one in answer["verdict"]["also_found"]]
        assert {answer["verdict"]["fault"], *found} == both


def test_a_changed_second_reading_ends_the_conflict(reasoner: Reasoner) -> None:
    readings = ("display=lit", "main-fuse-resistance=OL", "main-fuse-resistance=0.4 Ohm")
    answer = reasoner.assess(case("no-heat", *readings))
    assert not answer["conflicts"]


CAUSES = [
    "monitor-switch=OL",
    "primary-interlock-switch-door-open=OL",
    "secondary-interlock-switch-door-open=OL",
    "door-switch-order=in-order",
    "capacitor-resistance=10 MOhm",
    "transformer-to-chassis=OL",
]


@pytest.mark.parametrize("left_out", range(len(CAUSES)))
def test_a_blown_fuse_is_no_verdict_while_a_cause_is_unchecked(
    reasoner: Reasoner, left_out: int
) -> None:
    causes = [text for index, text in enumerate(CAUSES) if index != left_out]
    document = case("no-operation", "display=dark", "main-fuse-resistance=OL", *causes)
    answer = reasoner.assess({**document, "required_confidence": 0.5})
    assert answer["hypotheses"][0]["fault"] == "main-fuse-fatigue"
    assert answer["status"] == "check-next"
    assert answer["verdict"] is None
    assert answer["next_check"]["id"] == CAUSES[left_out].partition("=")[0]


def test_what_nothing_else_explains_may_ask_for_more_than_the_request(oven: RuleSet) -> None:
    """An aged fuse at 93 %, asked for with 80: a verdict only if the rule set sets no floor."""
    good = (*CAUSES, "capacitor-to-case=OL", "magnetron-to-case=OL", "diode-reverse=OL")
    good += ("wiring-insulation=OL", "filter-board-insulation=OL", "door-switch-order=in-order")
    document = case("no-operation", "display=dark", "main-fuse-resistance=OL", *good)
    document = {**document, "required_confidence": 0.8}
    fuse = oven.faults["main-fuse-fatigue"]
    faults = {**oven.faults, fuse.id: replace(fuse, least_confidence=0.0)}
    answers = [Reasoner(one).assess(document) for one in (oven, replace(oven, faults=faults))]
    assert 0.8 < answers[0]["hypotheses"][0]["probability"] < fuse.least_confidence
    assert [one["status"] for one in answers] == ["check-next", "fault-found"]


def test_a_complaint_alone_is_no_verdict(reasoner: Reasoner) -> None:
    answer = reasoner.assess({"symptom": "lamp-out", "readings": [], "required_confidence": 0.5})
    assert answer["hypotheses"][0]["fault"] == "lamp-open"
    assert answer["status"] == "check-next"


def test_live_check_comes_only_when_no_dead_one_serves(oven: RuleSet, reasoner: Reasoner) -> None:
    """Nothing hums, and every dead check reads good: what is left is relay, board or harness."""
    document = case("no-heat", "display=lit", "oscillation-indicator=dark", confirmed=[])
    said = {
        "heating-hum": "silent",
        "water-load-power": "none",
        "input-power": "auxiliaries",
        "repeated-starts": "never",
    }
    seen: list[str] = []
    for _ in range(60):
        step = reasoner.assess(document)["next_check"]
        if step is None or step["id"] == "transformer-primary-voltage":
            break
        seen.append(step["id"])
        if step["kind"] == "preparation":
            prepare(document, step)
            continue
        check = oven.checks[step["id"]]
        outcome = said.get(check.id, check.expected[0])
        document["readings"].append({"check": check.id, "observed": outcome})
    assert step is not None, seen
    assert step["precautions"], "a live check comes with its precautions"
    assert "transformer-isolation" in seen
    # Each dead alternative has been read, or would tell under a tenth of what the live one does.
    model, given = reasoner.model, read_case(oven, document)
    past = history(oven, model, given.symptom, ())
    evidence = Evidence(given.symptom, find_all(oven, given), past)
    (belief,) = believe(model, [evidence])
    worth = expected_information(model, belief.states)
    enough = max(oven.tuning.least_information, worth["transformer-primary-voltage"] / 10)
    for other in oven.checks["transformer-primary-voltage"].dead_alternatives:
        assert other in seen or worth[other] < enough


def test_the_explanation_adds_up(reasoner: Reasoner) -> None:
    document = case(
        "no-heat", "display=lit", "oscillation-indicator=dark", "capacitor-resistance=0.3 Ohm"
    )
    answer = reasoner.assess(document)
    told = answer["explanation"]
    final = {row["fault"]: row["probability"] for row in answer["hypotheses"]}
    last = told["readings"][-1]
    assert last["check"] == "capacitor-resistance"
    for one in last["moved"]:
        assert one["after"] == pytest.approx(final[one["fault"]], abs=2e-6)
        assert (one["decibans"] > 0) == (one["after"] > one["before"])
    assert [one["check"] for one in told["readings"]] == [
        one["check"] for one in answer["findings"]
    ]
    rules = [one["rule"] for one in told["rules"]]
    assert rules.index("heating-complaint") < rules.index("high-voltage-checks")
    assert rules.index("high-voltage-checks") < rules.index("stored-energy")
    assert all(one["facts"] for one in told["rules"])


def test_the_same_case_gives_the_same_answer_whatever_came_before(
    oven: RuleSet, reasoner: Reasoner
) -> None:
    document = case("blows-fuse", "main-fuse-resistance=OL", "monitor-switch=OL")
    first = json.dumps(Reasoner(oven).assess(document))
    for symptom in oven.symptoms:
        reasoner.assess({"symptom": symptom, "readings": []})
    assert json.dumps(reasoner.assess(document)) == first


@pytest.mark.parametrize(
    ("document", "pointer", "says"),
    [
        ({"symptom": "no-heet"}, "/symptom", "no-heat"),
        ({"readings": [{"check": "main-fuse", "observed": "open"}]}, "/readings/0/check", "main-"),
        (
            {"readings": [{"check": "display", "observed": "dim"}]},
            "/readings/0/observed",
            "lit, dark",
        ),
        (
            {"readings": [{"check": "display", "value": 5, "unit": "V"}]},
            "/readings/0",
            "observation",
        ),
        (
            {"readings": [{"check": "main-fuse-resistance", "value": 5, "unit": "V"}]},
            "/readings/0/unit",
            "resistance",
        ),
        (
            {"readings": [{"check": "main-fuse-resistance", "value": 5, "unit": "ohm"}]},
            "/readings/0/unit",
            "Ohm",
        ),
        (
            {"readings": [{"check": "main-fuse-resistance", "value": -5, "unit": "Ohm"}]},
            "/readings/0/value",
            "less than any reading",
        ),
        (
            {"readings": [{"check": "main-fuse-resistance", "value": 1e300, "unit": "MOhm"}]},
            "/readings/0/value",
            "not a real reading",
        ),
        ({"confirmed": ["local-codes"]}, "/confirmed/0", "none to confirm"),
        (
            {"nameplate": {"supply_voltage": {"value": 12, "unit": "V"}}},
            "/nameplate/supply_voltage/value",
            "outside",
        ),
        (
            {"nameplate": {"supply_voltage": {"value": 120, "unit": "A"}}},
            "/nameplate/supply_voltage/unit",
            "voltage",
        ),
        ({"nameplate": {"colour": "white"}}, "/nameplate/colour", "nameplate field"),
        ({"nameplate": {"high_voltage_supply": "magic"}}, "/nameplate/high_voltage_supply", "inv"),
        ({"instrument": {"luck": {"counts": 1}}}, "/instrument/luck", "resistance"),
        (
            {"instrument": {"resistance": {"resolution": {"value": 0, "unit": "Ohm"}}}},
            "/instrument/resistance/resolution/value",
            "greater than 0",
        ),
        (
            {"instrument": {"voltage": {"lead_resistance": {"value": 1, "unit": "Ohm"}}}},
            "/instrument/voltage/lead_resistance",
            "resistance only",
        ),
    ],
)
def test_what_a_rule_set_cannot_take_is_named_with_its_pointer(
    oven: RuleSet, document: dict[str, Any], pointer: str, says: str
) -> None:
    with pytest.raises(CaseError) as caught:
        read_case(oven, {"symptom": "no-heat", **document})
    assert [found for found, _ in caught.value.errors] == [pointer]
    assert says in caught.value.errors[0][1]


def test_all_that_is_wrong_with_a_case_is_told_at_once(oven: RuleSet) -> None:
    document = {
        "symptom": "x",
        "readings": [{"check": "y", "observed": "z"}],
        "confirmed": ["w"],
        "nameplate": {"v": "u"},
    }
    with pytest.raises(CaseError) as caught:
        read_case(oven, document)
    assert len(caught.value.errors) == 4


def test_an_inverter_is_not_measured(reasoner: Reasoner) -> None:
    document = case("no-heat", "display=lit", nameplate={"high_voltage_supply": "inverter"})
    answer = reasoner.assess(document)
    probability = {row["fault"]: row["probability"] for row in answer["hypotheses"]}
    assert probability["capacitor-shorted"] == 0.0
    assert probability["transformer-secondary-open"] == 0.0
    assert "inverter-hazard" in {one["id"] for one in answer["precautions"]}


@pytest.mark.parametrize("symptom", ["no-heat", "low-heat", "blows-fuse"])
def test_what_a_preparation_prepares_is_what_comes_next(
    oven: RuleSet, reasoner: Reasoner, symptom: str
) -> None:
    said = ("display=dark", "outlet-voltage=119 V", "lamp=dark", "relay-click=silent") * 2
    if symptom == "low-heat":
        runs = ("cooling-fan=turning", "heating-hum=normal", "oscillation-indicator=lit")
        said = ("display=lit", "outlet-voltage=119 V", "water-load-power=300 W", *runs)
        said = (*said, "stirrer=not-fitted", "supply-under-load=116 V", "input-power=300 W")
    document = case(symptom, *said, "door-latch=seated", confirmed=[])
    first = reasoner.assess(document)["next_check"]
    assert first["kind"] == "preparation"
    while (step := reasoner.assess(document)["next_check"])["kind"] == "preparation":
        assert step["for_check"] == first["for_check"]
        prepare(document, step)
    assert step["id"] == first["for_check"]


def test_parts_that_the_fault_took_with_it_are_replaced_too(reasoner: Reasoner) -> None:
    shorted = ("capacitor-resistance=0.3 Ohm", "capacitor-capacitance=OL")
    whole = reasoner.assess(case("no-heat", "display=lit", "heating-hum=loud", *shorted))
    assert whole["verdict"]["fault"] == "capacitor-shorted"
    assert whole["verdict"]["also_replace"] == []
    fuse = ("main-fuse-resistance=OL", "monitor-switch=OL")
    blown = reasoner.assess(case("blows-fuse", *fuse, *shorted))
    assert blown["verdict"]["fault"] == "capacitor-shorted"
    assert blown["verdict"]["also_replace"] == ["main-fuse"]


def test_a_check_that_cannot_be_done_is_not_asked_for(reasoner: Reasoner) -> None:
    document = case("no-operation", "display=dark", "outlet-voltage=119 V")
    first = reasoner.assess(document)["next_check"]["id"]
    second = reasoner.assess({**document, "unavailable": [first]})["next_check"]["id"]
    assert second != first


def test_what_could_not_be_done_is_said_at_the_end(oven: RuleSet, reasoner: Reasoner) -> None:
    document = case("no-heat", "display=lit", "oscillation-indicator=dark")
    answer = reasoner.assess({**document, "unavailable": sorted(oven.checks)})
    assert answer["status"] == "unresolved"
    assert "check-unavailable" in {reason["code"] for reason in answer["reasons"]}


def test_a_cause_that_cannot_be_checked_still_bars_the_effect(reasoner: Reasoner) -> None:
    causes = CAUSES[:-1]
    document = case("no-operation", "display=dark", "main-fuse-resistance=OL", *causes)
    left = CAUSES[-1].partition("=")[0]
    answer = reasoner.assess({**document, "unavailable": [left], "required_confidence": 0.5})
    assert answer["verdict"] is None


def test_an_unknown_unavailable_check_is_refused(oven: RuleSet) -> None:
    with pytest.raises(CaseError) as caught:
        read_case(oven, {"symptom": "no-heat", "unavailable": ["dispaly"]})
    assert caught.value.errors[0][0] == "/unavailable/0"
    assert "display" in caught.value.errors[0][1]


def test_a_live_reading_takes_the_confirmations_back(reasoner: Reasoner) -> None:
    live = [*READY, "transformer-isolated"]
    document = case("no-heat", "display=lit", "transformer-primary-voltage=119 V", confirmed=live)
    answer = reasoner.assess(document)
    assert answer["next_check"]["id"] == "supply-disconnection"
    told = {one["id"]: one for one in answer["precautions"]}
    assert told["supply-disconnected"]["confirmed"] is False
    assert told["supply-disconnected"]["text"].endswith(NOT_COUNTED[Void.ENERGISED])
    assert told["supply-disconnected"]["void_because"] == "energised"
    assert told["local-codes"]["void_because"] is None
    anew = [{"id": one, "after_reading": 2} for one in READY]
    assert reasoner.assess({**document, "confirmed": anew})["next_check"]["kind"] == "measurement"


def test_a_discharge_counts_only_beside_the_disconnection_that_it_is_done_under(
    reasoner: Reasoner,
) -> None:
    readings = ("display=lit", "oscillation-indicator=dark", "door-latch=seated")
    document = case("no-heat", *readings, confirmed=["capacitor-discharged"])
    answer = reasoner.assess(document)
    assert answer["next_check"]["id"] == "supply-disconnection"
    assert answer["next_check"]["withdraws"] == ["capacitor-discharged"]
    told = {one["id"]: one for one in answer["precautions"]}
    assert told["capacitor-discharged"]["confirmed"] is False
    assert told["capacitor-discharged"]["text"].endswith(NOT_COUNTED[Void.TOO_EARLY])
    anew = reasoner.assess({**document, "confirmed": ["supply-disconnected"]})
    assert anew["next_check"]["id"] == "capacitor-discharge"
    assert anew["next_check"]["withdraws"] == []
    alone = case("no-heat", *readings, confirmed=["transformer-isolated"])
    assert reasoner.assess(alone)["next_check"]["withdraws"] == ["transformer-isolated"]


def test_a_discharge_that_does_not_count_still_means_that_the_equipment_may_be_open(
    oven: RuleSet,
) -> None:
    document = case("no-heat", "display=lit", confirmed=["capacitor-discharged"])
    needed = unmet(oven, read_case(oven, document), oven.checks["oscillation-indicator"])
    assert needed[-1] == "cover-fitted"


def test_a_reading_on_dead_equipment_that_nobody_says_was_made_dead_is_noted(
    oven: RuleSet,
) -> None:
    def noted(*readings: str, **more: Any) -> list[bool]:
        found = find_all(oven, read_case(oven, case("no-heat", *readings, **more)))
        return [UNCONFIRMED in one.notes for one in found]

    dead = ("display=lit", "diode-forward=120 kOhm")
    assert noted(*dead, confirmed=[]) == [False, True]
    assert noted(*dead, confirmed=["supply-disconnected"]) == [False, True]
    assert noted(*dead, confirmed=READY) == [False, False]
    assert noted(*dead, confirmed=["cover-fitted"]) == [False, False]  # closed up again since


def test_too_high_a_supply_keeps_the_oven_unplugged(reasoner: Reasoner) -> None:
    plate = {"supply_voltage": {"value": 120, "unit": "V"}}
    answer = reasoner.assess(case("no-operation", "outlet-voltage=231 V", nameplate=plate))
    assert answer["status"] == "stop-work"
    near = reasoner.assess(case("no-heat", "outlet-voltage=126.5 V", nameplate=plate))
    assert near["status"] == "check-next"
    assert near["next_check"]["id"] not in ("display", "oscillation-indicator", "cooling-fan")


def test_a_relay_is_no_verdict_for_an_open_door_while_a_switch_is_unproven(
    reasoner: Reasoner,
) -> None:
    document = case("runs-with-door-open", "power-relay-contact=0.1 Ohm")
    answer = reasoner.assess(document)
    assert answer["verdict"] is None
    assert answer["next_check"]["id"].endswith("-door-open")


def test_an_open_bleed_resistor_is_warned_of(reasoner: Reasoner) -> None:
    answer = reasoner.assess(case("no-heat", "capacitor-resistance=OL"))
    assert "bleed-resistor-open" in {one["id"] for one in answer["precautions"]}


def test_an_inconclusive_reading_is_asked_for_again_once(reasoner: Reasoner) -> None:
    said = ["display=lit", "oscillation-indicator=dark", "heating-hum=normal"]
    said += ["magnetron-to-case=OL", "magnetron-filament-resistance=0.4 Ohm"]
    said += ["transformer-secondary-resistance=90 Ohm", "capacitor-capacitance=1 uF"]
    said += ["filament-connector=sound", "high-voltage-fuse-resistance=not-fitted"]
    document = case("no-heat", *said, "diode-forward=OL")
    asked = []
    for _ in range(30):
        step = reasoner.assess(document)["next_check"]
        if step is None or step["id"] == "diode-forward":
            break
        asked.append(step["id"])
        document["unavailable"] = asked
    assert step is not None
    assert step["recheck"]
    assert "test voltage" in step["why"]
    document["readings"].append(reading("diode-forward=OL"))
    after = reasoner.assess(document)["next_check"]
    assert after is None or after["id"] != "diode-forward"


def test_an_outlet_repair_does_not_open_the_oven(reasoner: Reasoner) -> None:
    dark = case("no-operation", "display=dark", "outlet-voltage=0 V")
    answer = reasoner.assess({**dark, "confirmed": []})
    assert answer["verdict"]["fault"] == "supply-outlet-dead"
    assert answer["verdict"]["checks_after_repair"] == ["outlet-voltage", "display", "keypad"]


def test_the_order_of_independent_readings_changes_no_digit(reasoner: Reasoner) -> None:
    said = ["display=lit", "heating-hum=loud", "diode-reverse=OL", "magnetron-to-case=9 MOhm"]
    said += ["capacitor-resistance=4 MOhm", "outlet-voltage=117 V", "cooling-fan=turning"]
    one, other = (
        reasoner.assess(case("no-heat", *order))["hypotheses"] for order in (said, said[::-1])
    )
    assert one == other


def test_an_unsafe_reading_is_not_undone_by_a_later_one(reasoner: Reasoner) -> None:
    said = ("main-fuse-resistance=OL", "monitor-switch=0.3 Ohm", "monitor-switch=OL")
    answer = reasoner.assess(case("blows-fuse", *said))
    assert answer["findings"][1]["superseded"]
    assert answer["status"] == "stop-work"
    assert "still counts" in answer["findings"][1]["notes"][-1]


def test_dead_keys_are_not_no_fault(reasoner: Reasoner) -> None:
    said = ("keypad=dead", "display=lit", "turntable=turning", "cooling-fan=turning")
    more = ("door-latch=seated", "lamp=lit", "heating-hum=normal", "oscillation-indicator=lit")
    answer = reasoner.assess(
        case("keypad-dead", *said, *more, "water-load-power=980 W", confirmed=[])
    )
    assert answer["status"] != "no-fault-found"


def test_a_meter_that_cannot_test_a_diode_is_not_asked_to(reasoner: Reasoner) -> None:
    document = case("no-heat", "display=lit", "oscillation-indicator=dark", "heating-hum=normal")
    document["instrument"] = {"resistance": {"test_voltage": {"value": 3, "unit": "V"}}}
    for _ in range(120):
        step = reasoner.assess(document)["next_check"]
        if step is None:
            break
        assert step["id"] != "diode-forward"
        if step["kind"] == "preparation":
            prepare(document, step)
        else:
            normal = step["expected"]["outcomes"]
            outcome = next(one["outcome"] for one in normal if one["meaning"] == "normal")
            said = {"water-load-power": "none"}.get(step["id"], outcome)
            document["readings"].append({"check": step["id"], "observed": said})
    assert step is None


@pytest.mark.parametrize(
    ("confirmed", "waiting"),
    [
        ([], ("supply-disconnected", "capacitor-discharged", "cover-fitted")),
        (["supply-disconnected"], ("capacitor-discharged", "cover-fitted")),
        (READY, ("cover-fitted",)),
        (["cover-fitted"], ()),
        ([*READY, "cover-fitted"], ()),
    ],
)
def test_the_cover_goes_back_on_only_over_a_dead_and_discharged_oven(
    oven: RuleSet, confirmed: list[str], waiting: tuple[str, ...]
) -> None:
    document = case("no-heat", "magnetron-filament-resistance=0.4 Ohm", confirmed=confirmed)
    given = read_case(oven, document)
    assert unmet(oven, given, oven.checks["water-load-power"]) == waiting


def test_an_assumed_rating_is_asked_for_at_the_end(oven: RuleSet, reasoner: Reasoner) -> None:
    document = case("low-heat", "water-load-power=640 W", nameplate={})
    answer = reasoner.assess({**document, "unavailable": sorted([*oven.checks, *oven.plates])})
    assert answer["status"] == "unresolved"
    told = [one["text"] for one in answer["reasons"] if one["code"] == "nameplate-assumed"]
    assert any("rated_output" in text for text in told)


def test_a_fuse_that_reads_whole_does_not_clear_what_blows_it(reasoner: Reasoner) -> None:
    answer = reasoner.assess(case("blows-fuse", "main-fuse-resistance=0.3 Ohm"))
    leading = [row["fault"] for row in answer["hypotheses"][:4]]
    assert "monitor-switch-welded" in leading


@pytest.mark.parametrize("said", ["absent", "inconclusive"])
def test_a_second_live_check_waits_for_new_confirmations(reasoner: Reasoner, said: str) -> None:
    """What was confirmed for the first live check is done again, step by step, for a second."""
    live = {"value": 60.2, "unit": "V"} if said == "inconclusive" else {"value": 0.4, "unit": "V"}
    document = case("no-heat", "display=lit", "heating-hum=silent", "relay-click=silent")
    document["readings"].append({"check": "transformer-primary-voltage", **live})
    document["confirmed"] = [*document["confirmed"], "transformer-isolated"]
    prepared: list[str] = []
    for _ in range(80):
        step = reasoner.assess(document)["next_check"]
        assert step is not None, "no second live check"
        if step["id"] in {"transformer-primary-voltage", "relay-drive-voltage"}:
            break
        if step["kind"] == "preparation":
            prepared += [one["id"] for one in step["confirms"]]
            prepare(document, step)
        else:
            document.setdefault("unavailable", []).append(step["id"])
    assert prepared[-3:] == ["supply-disconnected", "capacitor-discharged", "transformer-isolated"]


def open_end(reasoner: Reasoner, *more: str) -> dict[str, Any]:
    """An oven that magnetises and does not heat, in which nothing more can be done."""
    said = ("display=lit", "oscillation-indicator=dark", "input-power=95 W")
    everything = sorted(reasoner.rule_set.checks)
    plate = {"high_voltage_supply": "transformer"}
    return reasoner.assess(case("no-heat", *said, *more, unavailable=everything, nameplate=plate))


def test_a_case_that_ends_open_says_the_best_guess_and_what_would_settle_it(
    reasoner: Reasoner,
) -> None:
    answer = open_end(reasoner)
    assert answer["status"] == "unresolved"
    told = {one["code"]: one for one in answer["reasons"]}
    rows = {one["fault"]: one["probability"] for one in answer["hypotheses"]}
    faults = reasoner.rule_set.faults.values()
    by_remedy = {
        one.remedy: sum(rows[other.id] for other in faults if other.remedy == one.remedy)
        for one in faults
    }
    remedy, right = max(by_remedy.items(), key=lambda pair: pair[1])
    assert f"{remedy} is right in" in told["best-guess"]["text"]
    # Pairs count for both of their remedies there, and half or not at all in the rows.
    shown = int(told["best-guess"]["text"].partition(" is right in ")[2].partition("%")[0]) / 100
    assert right - 0.01 <= shown <= right + 0.1
    assert told["would-settle"]["check"] in reasoner.rule_set.checks
    assert "wants: " in told["would-settle"]["text"]
    # Once that has been read, it is not named again.
    check = reasoner.rule_set.checks[told["would-settle"]["check"]]
    again = open_end(reasoner, f"{check.id}={check.expected[0]}")
    named = [one["check"] for one in again["reasons"] if one["code"] == "would-settle"]
    assert named
    assert named != [check.id]
