"""Repairs that did not cure: what they leave behind, and what readings are worth after them."""

from __future__ import annotations

import json
import random
from typing import Any

import numpy as np
import pytest

from service.diagnosis.assessment import Reasoner
from service.diagnosis.belief import Belief, Evidence, believe, history, pair_probabilities
from service.diagnosis.case import CaseError, read_case
from service.diagnosis.findings import find_all
from service.diagnosis.states import BeliefModel, State
from service.ruleset.model import NO_FAULT, RuleSet
from tests.diagnosis.documents import drawn, drawn_reading, request, seen
from tests.diagnosis.oracle import Oracle, by_group
from tests.wanted import ALL


@pytest.fixture(scope="module")
def model(reasoner: Reasoner) -> BeliefModel:
    return reasoner.model


def ours(rule_set: RuleSet, model: BeliefModel, document: dict[str, Any]) -> Belief:
    case = read_case(rule_set, document)
    past = history(rule_set, model, case.symptom, case.repairs)
    evidence = Evidence(case.symptom, find_all(rule_set, case), past)
    return believe(model, [evidence])[0]


def agree(oven: RuleSet, oracle: Oracle, model: BeliefModel, document: dict[str, Any]) -> None:
    """The belief and the oracle say the same of each state, fault and pair."""
    remedies = [one["remedy"] for one in document["repairs"]]
    wanted = oracle.posterior(document["symptom"], seen(oven, document), remedies)
    found = ours(oven, model, document)
    assert {State(*state) for state in wanted} <= set(model.states)
    for place, state in enumerate(model.states):
        assert abs(found.states[place] - wanted.get((state.faults, state.condition), 0.0)) < 1e-9, (
            state
        )
    groups = by_group(wanted)
    by_fault = oracle.by_fault(groups)
    told = dict(zip(model.hypotheses, found.posterior.tolist(), strict=True))
    assert told == pytest.approx(by_fault, abs=1e-9)
    pairs = pair_probabilities(model, found.states)
    assert all(abs(chance - groups.get(pair, 0.0)) < 1e-9 for pair, chance in pairs.items())


@pytest.mark.parametrize("seed", range(24 if ALL else 12))
def test_the_present_posterior_equals_the_sum_over_all_that_may_have_been(
    oven: RuleSet, oracle: Oracle, model: BeliefModel, seed: int
) -> None:
    rng = random.Random(seed)
    agree(oven, oracle, model, drawn(oven, rng, repairs=1 + seed % 2))


@pytest.mark.parametrize("seed", range(12 if ALL else 6))
def test_the_same_of_repairs_of_what_was_read(
    oven: RuleSet, oracle: Oracle, model: BeliefModel, seed: int
) -> None:
    """Not just any repair: the first of what readings before it point to, the part read anew."""
    rng = random.Random(500 + seed)
    fault = rng.choice([one for one in oven.faults.values() if one.id != NO_FAULT])
    symptom = max(fault.symptoms, key=lambda one: fault.symptoms[one])
    showing = [name for name, check in oven.checks.items() if fault.id in check.rows]
    readings: list[dict[str, Any]] = []
    for name in rng.sample(showing, min(len(showing), 3)):
        check = oven.checks[name]
        row = check.rows[fault.id]
        readings.append({"check": name, "observed": check.outcomes[row.index(max(row))]})
    repairs = [{"remedy": fault.remedy, "readings_before": len(readings)}]
    readings += [drawn_reading(oven, one["check"], rng) for one in readings[:2]]
    readings += [readings[-1]] if readings else []
    if seed % 2:
        other = rng.choice(sorted(oven.remedies))
        repairs.append({"remedy": other, "readings_before": len(readings)})
        readings.append(drawn_reading(oven, rng.choice(sorted(oven.checks)), rng))
    document = {"symptom": symptom, "readings": readings, "repairs": repairs}
    agree(oven, oracle, model, document)


def test_the_drawn_repairs_move_states_and_come_between_readings(
    oven: RuleSet, oracle: Oracle
) -> None:
    between, covering_more = 0, 0
    for seed in range(40):
        document = drawn(oven, random.Random(seed), repairs=1 + seed % 2)
        stages = {one.stage for one in seen(oven, document)}
        between += len(stages) > 1
        covering_more += any(len(oracle.cured(one["remedy"])) > 1 for one in document["repairs"])
    assert between >= 20
    assert covering_more >= 5


@pytest.mark.parametrize("remedy", ["replace-door-switch-set", "replace-capacitor", "explain-use"])
def test_what_a_repair_cures_is_written_out(
    oven: RuleSet, oracle: Oracle, model: BeliefModel, remedy: str
) -> None:
    """By the parts that are new, not by the remedy's name alone."""
    wanted = {
        "replace-door-switch-set": {
            "primary-interlock-open",
            "primary-interlock-welded",
            "secondary-interlock-open",
            "secondary-interlock-welded",
            "monitor-switch-open",
            "monitor-switch-welded",
            "main-fuse-fatigue",
        },
        "replace-capacitor": {
            "capacitor-open",
            "capacitor-low",
            "capacitor-bleed-open",
            "capacitor-shorted",
            "capacitor-shorted-to-case",
        },
        "explain-use": set(),
    }[remedy]
    assert oracle.cured(remedy) == wanted
    document = {
        "symptom": "no-heat",
        "readings": [],
        "repairs": [{"remedy": remedy, "readings_before": 0}],
    }
    before = ours(oven, model, {**document, "repairs": []}).posterior
    after = ours(oven, model, document).posterior
    fell = {
        name
        for name, was, now in zip(model.hypotheses, before, after, strict=True)
        if now < was / 2
    }
    assert fell == wanted


@pytest.mark.parametrize("seed", range(3))
def test_which_readings_a_repair_leaves_standing(oven: RuleSet, oracle: Oracle, seed: int) -> None:
    """Of every check and repair: what the part gave stands until it is touched, and what the
    customer told; the rest does not."""
    rng = random.Random(seed)
    names = rng.sample(sorted(oven.checks), len(oven.checks))
    readings = [{"check": name, "observed": oven.checks[name].expected[0]} for name in names]
    for remedy in oven.remedies:
        touched = {oven.faults[fault].component for fault in oracle.cured(remedy)}
        document = {
            "symptom": "no-heat",
            "readings": readings,
            "repairs": [{"remedy": remedy, "readings_before": len(readings)}],
        }
        standing = {one.check for one in find_all(oven, read_case(oven, document)) if one.stands}
        assert standing == {
            name
            for name, check in oven.checks.items()
            if (check.scope == "component" and check.component not in touched)
            or check.asked_of == "customer"
        }
        at_the_end = {**document, "repairs": [{"remedy": remedy, "readings_before": 0}]}
        assert all(one.stands for one in find_all(oven, read_case(oven, at_the_end)))


def test_a_later_reading_stands_for_the_one_before_the_repair(oven: RuleSet) -> None:
    document = request(
        "no-heat",
        "diode-reverse=blocks",
        "capacitor-capacitance=none",
        "diode-reverse=shorted",
        repairs=[{"remedy": "replace-capacitor", "readings_before": 2}],
    )
    found = find_all(oven, read_case(oven, document))
    assert [one.stands for one in found] == [False, False, True]
    assert [one.repeats for one in found] == [0, 0, 0]
    again = request("no-heat", *["diode-reverse=blocks"] * 3, repairs=document["repairs"])
    found = find_all(oven, read_case(oven, again))
    assert [one.repeats for one in found] == [0, 1, 0], "a repair between them begins anew"


def test_what_still_stands_is_not_asked_for_again(reasoner: Reasoner) -> None:
    proven = ["diode-reverse=OL", "magnetron-filament-resistance=0.4 Ohm", "magnetron-to-case=OL"]
    before = [*proven, "oscillation-indicator=dark", "capacitor-capacitance=0 nF"]
    document = request(
        "no-heat",
        *before,
        repairs=[{"remedy": "replace-capacitor", "readings_before": len(before)}],
    )
    document["confirmed"] = [
        {"id": one, "after_reading": len(before)} for one in document["confirmed"]
    ]
    answer = reasoner.assess(document)
    stale = {one["check"] for one in answer["findings"] if one["superseded"]}
    assert stale == {"oscillation-indicator", "capacitor-capacitance"}
    unavailable: list[str] = []
    while (step := reasoner.assess({**document, "unavailable": unavailable})["next_check"]) and (
        step["kind"] != "preparation"
    ):
        unavailable.append(step["id"])
    assert len(unavailable) >= 5
    assert not {text.partition("=")[0] for text in proven} & set(unavailable)


def chances(answer: dict[str, Any]) -> dict[str, float]:
    return {row["fault"]: row["probability"] for row in answer["hypotheses"]}


def test_a_replaced_part_is_hardly_to_blame_any_more(
    oven: RuleSet, oracle: Oracle, model: BeliefModel
) -> None:
    """Of every fault, on its commonest complaint, with nothing read."""
    for fault in oven.faults.values():
        if fault.id == NO_FAULT:
            continue
        symptom = max(fault.symptoms, key=lambda one: fault.symptoms[one])
        document = {"symptom": symptom, "readings": [], "repairs": []}
        before = ours(oven, model, document).posterior
        made = [{"remedy": fault.remedy, "readings_before": 0}]
        after = ours(oven, model, {**document, "repairs": made}).posterior
        cured = [model.index(name) for name in oracle.cured(fault.remedy)]
        assert after[cured].sum() < before[cured].sum()
        assert after[cured].sum() < (0.03 if before[cured].sum() < 0.5 else 0.4)


@pytest.mark.parametrize(
    ("symptom", "bad", "remedy", "fault", "good"),
    [
        (
            "no-heat",
            "capacitor-capacitance=0 nF",
            "replace-capacitor",
            "capacitor-open",
            "capacitor-capacitance=1 uF",
        ),
        (
            "no-operation",
            "cavity-cutout-resistance=OL",
            "replace-cavity-cutout",
            "cavity-cutout-open",
            "cavity-cutout-resistance=0.3 Ohm",
        ),
        (
            "no-heat",
            "primary-interlock-switch=OL",
            "replace-primary-interlock",
            "primary-interlock-open",
            "primary-interlock-switch=0.3 Ohm",
        ),
        (
            "no-heat",
            "magnetron-filament-resistance=OL",
            "replace-magnetron",
            "magnetron-filament-open",
            "magnetron-filament-resistance=0.4 Ohm",
        ),
    ],
)
def test_a_fault_that_was_nearly_proven_is_out_once_the_new_part_reads_well(
    reasoner: Reasoner, symptom: str, bad: str, remedy: str, fault: str, good: str
) -> None:
    repairs = [{"remedy": remedy, "readings_before": 1}]
    proven = chances(reasoner.assess(request(symptom, bad)))[fault]
    not_cured = chances(reasoner.assess(request(symptom, bad, repairs=repairs)))[fault]
    read_well = chances(reasoner.assess(request(symptom, bad, good, repairs=repairs)))[fault]
    assert proven > 0.6
    assert not_cured < proven / 2
    assert read_well < 0.01
    # As if the new part were bad too: that is believed only when it is read.
    read_bad = chances(reasoner.assess(request(symptom, bad, bad, repairs=repairs)))[fault]
    assert read_bad > not_cured


@pytest.mark.parametrize("seed", range(10))
def test_the_order_of_readings_between_two_repairs_changes_nothing(
    reasoner: Reasoner, oven: RuleSet, seed: int
) -> None:
    rng = random.Random(900 + seed)
    names = rng.sample(sorted(oven.checks), 6)
    first, second = ([drawn_reading(oven, name, rng) for name in names[at:][:3]] for at in (0, 3))
    remedy = rng.choice(sorted(oven.remedies))
    document = request("no-heat", repairs=[{"remedy": remedy, "readings_before": 3}])
    document["confirmed"] = [{"id": one, "after_reading": 6} for one in document["confirmed"]]
    one = reasoner.assess({**document, "readings": [*first, *second]})
    other = reasoner.assess({**document, "readings": [*first[::-1], *second[::-1]]})
    for part in ("status", "verdict", "hypotheses", "pairs", "bring", "precautions"):
        assert one[part] == other[part], part
    # Which of two conflicting readings is told first does follow the order.
    for part in ("id", "recheck", "for_check"):
        assert (one["next_check"] or {}).get(part) == (other["next_check"] or {}).get(part)


def test_on_which_side_of_the_repair_a_reading_was_taken_does_matter(reasoner: Reasoner) -> None:
    def told(before: int) -> float:
        made = [{"remedy": "replace-capacitor", "readings_before": before}]
        said = ("capacitor-capacitance=none", "diode-reverse=blocks")
        return chances(reasoner.assess(request("no-heat", *said, repairs=made)))["capacitor-open"]

    assert told(1) == told(2), "the diode has not been touched"
    assert told(0) > told(1)


DOCUMENTS = [
    request("no-heat", "display=lit", "oscillation-indicator=dark", "diode-reverse=0.3 Ohm"),
    request("no-operation", "display=dark", "main-fuse-resistance=OL", "monitor-switch=0.3 Ohm"),
    request("low-heat", "water-load-power=640 W", "water-load-power=650 W"),
    request("blows-fuse", confirmed=[], costs={}),
    request("lamp-out", "lamp=dark", phase="verify-repair"),
]


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda one: str(one["symptom"]))
def test_no_repairs_is_the_same_as_saying_nothing_of_them(
    reasoner: Reasoner, document: dict[str, Any]
) -> None:
    assert "repairs" not in document
    unsaid = json.dumps(reasoner.assess(document))
    assert json.dumps(reasoner.assess({**document, "repairs": []})) == unsaid
    assert json.dumps(reasoner.assess({**document, "repairs": None})) == unsaid
    made = [{"remedy": "replace-lamp", "readings_before": len(document["readings"])}]
    assert json.dumps(reasoner.assess({**document, "repairs": made})) != unsaid


def test_a_new_part_that_reads_well_is_no_conflict_with_the_old_one(reasoner: Reasoner) -> None:
    proven = ["display=lit", "oscillation-indicator=dark", "heating-hum=normal"]
    proven += ["diode-forward=conducts", "magnetron-filament-resistance=0.4 Ohm"]
    proven += ["high-voltage-fuse-resistance=not-fitted", "filament-connector=sound"]
    before = [*proven, "capacitor-capacitance=0 nF"]
    document = request(
        "no-heat",
        *before,
        "capacitor-capacitance=1 uF",
        repairs=[{"remedy": "replace-capacitor", "readings_before": len(before)}],
    )
    answer = reasoner.assess(document)
    assert answer["conflicts"] == []


@pytest.mark.parametrize(
    ("repairs", "pointer", "says"),
    [
        ([{"remedy": "replace-lamb", "readings_before": 0}], "/repairs/0/remedy", "replace-lamp"),
        ([{"remedy": "lamp-open", "readings_before": 0}], "/repairs/0/remedy", "remed"),
        ([{"remedy": "replace-lamp", "readings_before": 3}], "/repairs/0/readings_before", "2"),
        (
            [
                {"remedy": "replace-lamp", "readings_before": 2},
                {"remedy": "replace-door", "readings_before": 1},
            ],
            "/repairs/1/readings_before",
            "order",
        ),
    ],
)
def test_repairs_that_cannot_be_are_named_with_their_pointer(
    oven: RuleSet, repairs: list[dict[str, Any]], pointer: str, says: str
) -> None:
    with pytest.raises(CaseError) as caught:
        read_case(oven, request("lamp-out", "lamp=dark", "display=lit", repairs=repairs))
    assert [found for found, _ in caught.value.errors] == [pointer]
    assert says in caught.value.errors[0][1]


@pytest.mark.parametrize("symptom", ["low-heat", "no-heat", "keypad-dead", "turntable-stopped"])
def test_what_does_not_bring_the_complaint_does_not_explain_that_it_stays(
    oven: RuleSet, model: BeliefModel, symptom: str
) -> None:
    """A leaking door heats as well as any: a repair that did not help makes it no likelier."""
    unnoticed = {
        fault.id: fault.unnoticed
        for fault in oven.faults.values()
        if fault.unnoticed is not None and symptom not in fault.symptoms
    }
    assert unnoticed
    for remedy in oven.remedies:
        repairs = [{"remedy": remedy, "readings_before": 0}]
        found = ours(oven, model, {"symptom": symptom, "readings": [], "repairs": repairs})
        told = dict(zip(model.hypotheses, found.posterior.tolist(), strict=True))
        for fault, share in unnoticed.items():
            if oven.faults[fault].remedy != remedy:
                assert told[fault] <= 2 * share + 0.002, (remedy, fault)


def test_what_does_bring_it_explains_that_it_stays(oven: RuleSet, model: BeliefModel) -> None:
    """Of two things that each end the heating, the one that is left is no surprise."""
    past = history(oven, model, "no-heat", ["replace-capacitor"])

    def stays(other: str) -> float:
        places = [
            place
            for place, state in enumerate(model.states)
            if set(state.faults) == {"capacitor-open", other}
        ]
        return float(past.log_chance[places[0]])

    assert stays("diode-open") > stays("door-seal-damaged") + 2.0
    assert stays("diode-open") > np.log(0.5)


@pytest.mark.parametrize("seed", range(6))
def test_what_a_customer_tells_is_of_the_time_before_any_repair(
    oven: RuleSet, model: BeliefModel, reasoner: Reasoner, seed: int
) -> None:
    rng = random.Random(700 + seed)
    asked = [one.id for one in oven.checks.values() if one.asked_of == "customer"]
    told = [drawn_reading(oven, name, rng) for name in asked]
    remedy = rng.choice(sorted(oven.remedies))
    symptom = rng.choice(["low-heat", "no-heat", "no-operation", "stops-mid-cycle"])
    before = {
        "symptom": symptom,
        "readings": told,
        "repairs": [{"remedy": remedy, "readings_before": len(told)}],
    }
    after = {**before, "repairs": [{"remedy": remedy, "readings_before": 0}]}
    first, second = ours(oven, model, before), ours(oven, model, after)
    assert first.states == pytest.approx(second.states, abs=1e-12)
    answer = reasoner.assess(before)
    step = answer["next_check"]
    assert step is None or step["id"] not in asked
    assert step is None or not {one["id"] for one in step["also"]} & set(asked)
