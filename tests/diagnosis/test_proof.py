"""The proof of a repair, walked as a client does: each `next_check` answered, to the end."""

from __future__ import annotations

from typing import Any

import pytest

from service.diagnosis.assessment import Reasoner
from service.ruleset.catalogue import Catalogue
from tests.diagnosis.documents import carry_on, request


@pytest.fixture(scope="module")
def reasoners() -> dict[str, Reasoner]:
    catalogue = Catalogue.load()
    return {name: Reasoner(catalogue.get(name)) for name in catalogue.ids()}


def walk(reasoner: Reasoner, document: dict[str, Any]) -> tuple[list[str], dict[str, Any]]:
    """The checks asked for, each answered as a healthy part does, and the last answer."""
    answer, asked = carry_on(reasoner.assess, reasoner.rule_set, document, {})
    return asked, answer


def repaired(symptom: str, remedy: str, **more: Any) -> dict[str, Any]:
    return {
        "symptom": symptom,
        "phase": "verify-repair",
        "readings": [],
        "repairs": [{"remedy": remedy, "readings_before": 0}],
        "confirmed": [],
        **more,
    }


def pairs() -> list[tuple[str, str, str]]:
    """Each remedy with one complaint, and each complaint with one remedy, of each rule set."""
    catalogue, out = Catalogue.load(), []
    for name in catalogue.ids():
        rule_set = catalogue.get(name)
        symptoms, remedies = list(rule_set.symptoms), list(rule_set.remedies)
        longest = max(len(symptoms), len(remedies))
        out += [
            (name, symptoms[i % len(symptoms)], remedies[i % len(remedies)]) for i in range(longest)
        ]
    return out


@pytest.mark.parametrize(("equipment", "symptom", "remedy"), pairs())
def test_a_good_repair_is_released(
    reasoners: dict[str, Reasoner], equipment: str, symptom: str, remedy: str
) -> None:
    reasoner = reasoners[equipment]
    rule_set = reasoner.rule_set
    asked, answer = walk(reasoner, repaired(symptom, remedy))
    assert answer["status"] == "released", answer["reasons"]
    assert sorted(asked) == sorted(one["check"] for one in answer["release"]["proof"])
    assert {one["result"] for one in answer["release"]["proof"]} == {"passed"}
    wanted = {*rule_set.remedies[remedy].checks_after, *rule_set.symptoms[symptom].proven_by}
    # What the default equipment does not have is barred, and what is barred is not shown.
    lacking = {one for one in wanted if one not in asked}
    assert all("high-voltage-parts" in rule_set.checks[one].groups for one in lacking)
    powered = [rule_set.access[rule_set.checks[one].access].powered for one in asked]
    assert powered == sorted(powered), "energised before the dead checks were done"


def test_a_proof_without_a_repair_says_what_that_means(reasoner: Reasoner) -> None:
    """Where nothing was found nothing is repaired, and the oven is to be proven all the same."""

    def reasons(answer: dict[str, Any]) -> list[str]:
        return [one["code"] for one in answer["reasons"]]

    bare = {"symptom": "no-heat", "phase": "verify-repair"}
    first = reasoner.assess(bare)
    assert (first["status"], reasons(first)) == ("check-next", ["no-repair-named"])
    _, last = walk(reasoner, {**bare, "readings": [], "confirmed": []})
    assert (last["status"], reasons(last)) == ("released", ["released", "no-repair-named"])
    failed = {"readings": [{"check": "leakage-survey", "value": 9, "unit": "mW/cm2"}]}
    ended = reasoner.assess({**bare, **failed})
    assert (ended["status"], reasons(ended)[-1]) == ("not-released", "no-repair-named")
    for document in (repaired("no-heat", "replace-diode"), {"symptom": "no-heat"}):
        assert "no-repair-named" not in reasons(reasoner.assess(document))


def test_what_a_verdict_names_is_what_the_proof_asks_for(reasoner: Reasoner) -> None:
    document = request(
        "no-heat", "display=lit", "oscillation-indicator=dark", "cooling-fan=turning"
    )
    document = {**document, "confirmed": ["supply-disconnected", "capacitor-discharged"]}
    document["readings"] += [
        {"check": "magnetron-filament-resistance", "over_range": True},
        {"check": "magnetron-filament-resistance", "over_range": True},
    ]
    verdict = reasoner.assess(document)["verdict"]
    assert verdict["fault"] == "magnetron-filament-open"
    done = {
        **document,
        "phase": "verify-repair",
        "repairs": [
            {"remedy": verdict["remedy"]["id"], "readings_before": len(document["readings"])}
        ],
    }
    asked, answer = walk(reasoner, done)
    assert answer["status"] == "released"
    assert asked == verdict["checks_after_repair"]


def test_without_the_lamp_the_water_shows_that_it_oscillates(reasoner: Reasoner) -> None:
    without = repaired("no-heat", "replace-diode", unavailable=["oscillation-indicator"])
    asked, answer = walk(reasoner, without)
    assert answer["status"] == "released"
    assert asked.count("water-load-power") == 1
    assert "oscillation-indicator" not in asked


def test_without_a_survey_nothing_is_released(reasoner: Reasoner) -> None:
    """Nothing tells the same as the survey does."""
    without = repaired("no-heat", "replace-diode", unavailable=["leakage-survey"])
    asked, answer = walk(reasoner, without)
    assert answer["status"] == "not-released"
    assert [one["code"] for one in answer["reasons"]] == ["check-unavailable"]
    assert "interlock-function" in asked, "the rest is looked at all the same"


def test_what_was_never_opened_is_not_opened_for_its_proof(reasoner: Reasoner) -> None:
    shut, _ = walk(reasoner, repaired("no-operation", "restore-supply"))
    opened, _ = walk(reasoner, repaired("no-operation", "replace-control-board"))
    after = reasoner.rule_set.after_every_repair
    assert shut == ["outlet-voltage", "display", "keypad"]
    assert set(after) <= set(opened)
    said = repaired("no-operation", "restore-supply", confirmed=["cover-fitted"])
    assert set(after) <= set(walk(reasoner, said)[0]), "a cover that was fitted had been off"
    nothing, _ = walk(reasoner, repaired("arcing", "explain-use"))
    outside = {name for name in after if not access(reasoner, name).requires}
    assert set(nothing) == outside, "no proof is empty"
    unnamed = {**repaired("low-heat", "explain-use"), "repairs": []}
    assert set(after) <= set(walk(reasoner, unnamed)[0]), "a repair that nobody names"
    read_inside = repaired("no-operation", "restore-supply")
    read_inside["readings"].append({"check": "main-fuse-resistance", "value": 0.3, "unit": "Ohm"})
    read_inside["repairs"][0]["readings_before"] = 1
    assert set(after) <= set(walk(reasoner, read_inside)[0])


def test_what_was_unsafe_is_read_anew_though_nothing_was_opened(reasoner: Reasoner) -> None:
    """The earth read open before the outlet was mended: nothing goes back before it is proven."""
    document = repaired("no-operation", "restore-supply")
    document["readings"].append({"check": "earth-continuity", "over_range": True})
    document["repairs"][0]["readings_before"] = 1
    again = {**document, "readings": list(document["readings"])}
    asked, answer = walk(reasoner, document)
    assert answer["status"] == "released"
    powered = [access(reasoner, one).powered for one in asked]
    assert asked.index("earth-continuity") < powered.index(True)
    still = {"earth-continuity": "OL"}
    answer, _ = carry_on(reasoner.assess, reasoner.rule_set, again, still)
    assert answer["status"] == "not-released"


def access(reasoner: Reasoner, check: str) -> Any:
    return reasoner.rule_set.access[reasoner.rule_set.checks[check].access]


def test_a_barred_check_stays_barred_in_a_proof(reasoner: Reasoner) -> None:
    """The earth reads open in the proof: nothing is energised, whatever it still asks for."""
    document = repaired("no-heat", "replace-diode")
    document["readings"].append({"check": "earth-continuity", "over_range": True})
    asked, answer = walk(reasoner, document)
    assert answer["status"] == "not-released"
    assert not any(access(reasoner, one).powered for one in asked)


@pytest.mark.parametrize(
    ("symptom", "watt", "status"),
    [
        ("no-heat", 985, "released"),
        ("no-heat", 900, "released"),  # on the limit between normal and reduced
        ("no-heat", 860, "released"),
        ("no-heat", 540, "not-released"),
        ("no-heat", 0, "not-released"),
        ("low-heat", 985, "released"),
        ("low-heat", 830, "not-released"),
    ],
)
def test_how_much_power_proves_a_repair(
    reasoner: Reasoner, symptom: str, watt: int, status: str
) -> None:
    """A litre in a glass that is not counted reads low; for poor heating it has to be counted."""
    document = repaired(symptom, "replace-diode")
    document["nameplate"] = {"rated_output": {"value": 1000, "unit": "W"}}
    document["readings"].append({"check": "water-load-power", "value": watt, "unit": "W"})
    assert walk(reasoner, document)[1]["status"] == status


def test_a_dead_reading_that_fails_a_proof_once_may_be_a_slip(reasoner: Reasoner) -> None:
    """It is said of which check, and the repeated reading settles it either way."""

    def slips(answer: dict[str, Any]) -> list[str]:
        return [one["check"] for one in answer["reasons"] if one["code"] == "may-be-a-slip"]

    proof = repaired("no-heat", "replace-diode")
    bad = {"check": "magnetron-to-case", "value": 40, "unit": "kOhm"}
    once = reasoner.assess({**proof, "readings": [bad]})
    assert once["status"] == "not-released"
    assert slips(once) == ["magnetron-to-case"]
    twice = reasoner.assess({**proof, "readings": [bad, bad]})
    assert twice["status"] == "not-released"
    assert slips(twice) == []
    instead = {"check": "magnetron-to-case", "over_range": True}
    assert reasoner.assess({**proof, "readings": [instead]})["status"] == "check-next"
    # What was read on the running oven is not taken for a slip of the hand.
    weak = {"check": "water-load-power", "value": 300, "unit": "W"}
    cold = reasoner.assess({**proof, "readings": [weak]})
    assert cold["status"] == "not-released"
    assert slips(cold) == []
    # An unsafe one is said to be a possible slip, and stops all the same.
    unsafe = {"check": "monitor-switch", "value": 0.2, "unit": "Ohm"}
    stopped = reasoner.assess({**proof, "readings": [unsafe]})
    assert stopped["status"] == "not-released"
    assert slips(stopped) == ["monitor-switch"]
