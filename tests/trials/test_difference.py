"""What a candidate answers otherwise, and above all what it leaves out."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

import pytest

from service.candidates import judge
from service.ruleset.build import build
from service.ruleset.catalogue import Catalogue, built
from service.ruleset.model import RuleSet
from service.ruleset.own_cases import read_cases
from service.trials.difference import Loss, difference, gathered, in_words, losses_of_case, weakened
from service.trials.overlay import overlay
from service.trials.report import trial


def step(check: str) -> dict[str, Any]:
    return {"id": check, "kind": "measurement", "for_check": None}


def assessment(*precautions: str, **more: Any) -> dict[str, Any]:
    base: dict[str, Any] = {
        "status": "check-next",
        "verdict": None,
        "next_check": step("door-switch"),
        "precautions": [{"id": one} for one in ("local-codes", *precautions)],
        "explanation": {"rules": []},
    }
    return {**base, **more}


FOUND = {
    "status": "fault-found",
    "next_check": None,
    "verdict": {
        "fault": "door-switch-open",
        "confidence": 0.95,
        "remedy": {"id": "replace-door-switch"},
    },
}
INSIDE = ("supply-disconnected", "hot-and-sharp", "motor-capacitor-about")


def test_what_is_the_same_is_left_out(dryer: RuleSet) -> None:
    assert difference(dryer, assessment(*INSIDE), assessment(*INSIDE)) == {}
    assert difference(dryer, assessment(**FOUND), assessment(**FOUND)) == {}


def test_each_thing_decided_is_held_against_the_other(dryer: RuleSet) -> None:
    remedy = (*INSIDE, "never-bypass", "like-for-like")
    assert difference(dryer, assessment(*INSIDE), assessment(*remedy, **FOUND)) == {
        "status": {"installed": "check-next", "candidate": "fault-found"},
        "verdict": {"installed": None, "candidate": "door-switch-open"},
        "confidence": {"installed": None, "candidate": 0.95},
        "next_check": {"installed": "door-switch", "candidate": None},
        "precautions_gained": ["never-bypass", "like-for-like"],
    }


def test_confidences_that_hardly_differ_are_the_same(dryer: RuleSet) -> None:
    def found(confidence: float) -> dict[str, Any]:
        verdict = {**FOUND["verdict"], "confidence": confidence}  # type: ignore[dict-item]
        return assessment(**{**FOUND, "verdict": verdict})

    assert difference(dryer, found(0.95), found(0.9504)) == {}
    assert difference(dryer, found(0.95), found(0.952))["confidence"] == {
        "installed": 0.95,
        "candidate": 0.952,
    }


def test_a_lost_precaution_is_a_loss_and_a_gained_one_is_not(dryer: RuleSet) -> None:
    found = difference(dryer, assessment(*INSIDE), assessment(*INSIDE[1:]))
    assert found == {"precautions_lost": ["supply-disconnected"]}
    (loss,) = losses_of_case("stand-3", found)
    assert loss == Loss("precaution-lost", "supply-disconnected", "cases", "stand-3")
    found = difference(dryer, assessment(*INSIDE[1:]), assessment(*INSIDE))
    assert found == {"precautions_gained": ["supply-disconnected"]}
    assert list(losses_of_case("stand-3", found)) == []


OUTSIDE = ("moving-parts", "stop-if-it-smells", "hot-exhaust")


def test_what_only_another_step_needs_is_dropped_and_not_lost(dryer: RuleSet) -> None:
    outside = assessment(*OUTSIDE, next_check=step("motor-sound"))
    found = difference(dryer, assessment(*INSIDE), outside)
    assert found["precautions_dropped"] == list(INSIDE)
    assert "precautions_lost" not in found
    assert list(losses_of_case("a", found)) == []


def test_what_the_other_step_needs_is_lost_though_the_old_one_did_not(dryer: RuleSet) -> None:
    before = assessment(*OUTSIDE, next_check=step("motor-sound"))
    found = difference(dryer, before, assessment(*INSIDE[1:]))
    assert found["precautions_lost"] == ["supply-disconnected"]
    repair = difference(dryer, before, assessment(*INSIDE, **FOUND))
    assert repair["precautions_lost"] == ["like-for-like", "never-bypass"]


def test_what_a_rule_requires_is_lost_whatever_comes_next(dryer: RuleSet) -> None:
    rule = next(rule for rule in dryer.rules for one in rule.consequences if one.kind == "require")
    required = next(one.targets[0] for one in rule.consequences if one.kind == "require")
    warned = assessment(*INSIDE, required, explanation={"rules": [{"rule": rule.id}]})
    found = difference(dryer, warned, assessment(next_check=None, status="unresolved"))
    assert required in found["precautions_lost"]


def test_a_stop_that_is_none_any_more_is_a_loss(dryer: RuleSet) -> None:
    stopped = assessment(status="stop-work", next_check=None)
    losses = list(losses_of_case("a", difference(dryer, stopped, assessment(*INSIDE))))
    assert [one.kind for one in losses] == ["stop-lost"]
    assert list(losses_of_case("a", difference(dryer, assessment(), stopped))) == []


def test_a_release_that_the_installed_rule_set_refuses_is_a_loss(dryer: RuleSet) -> None:
    refused = assessment(status="not-released", next_check=None)
    released = assessment("do-not-use", status="released", next_check=None)
    (loss,) = losses_of_case("a", difference(dryer, refused, released))
    assert loss == Loss("stop-lost", "not-released", "cases", "a")
    again = difference(dryer, released, refused)
    assert "stop-lost" not in {one.kind for one in losses_of_case("a", again)}


def test_another_order_of_checks_alone_loses_nothing(
    catalogue: Catalogue, changed: Callable[[Any], RuleSet], dryer: RuleSet
) -> None:
    rng = random.Random(5)
    minutes = {name: {"minutes": rng.choice([0.2, 1, 5, 20])} for name in dryer.checks}
    given = [
        case
        for document in read_cases(catalogue.source(dryer.id).folder)
        for case in document.data["cases"]
    ]
    answer = trial(given[::3], judge(changed({"checks": minutes})), judge(dryer))
    assert answer["summary"]["differences"]["next_check"] > 5
    assert answer["errors"] == []


@pytest.fixture(scope="module")
def changed(catalogue: Catalogue) -> Callable[[Any], RuleSet]:
    documents = catalogue.source("tumble-dryer").documents
    return lambda changes: built(overlay(documents, changes, {}))


@pytest.fixture(scope="module")
def dryer(catalogue: Catalogue) -> RuleSet:
    return catalogue.get("tumble-dryer")


def test_the_same_rule_set_loses_nothing(dryer: RuleSet) -> None:
    assert list(weakened(dryer, dryer)) == []


# What an author takes away, and what is said to be lost where.
TAKEN = {
    "of all answers": (
        {"always": []},
        Loss("precaution-lost", "local-codes", "rule set", "always"),
    ),
    "of the place of a check": (
        {"access": {"outlet": {"precautions": []}}},
        Loss("precaution-lost", "live-mains-measurement", "checks", "outlet-voltage"),
    ),
    "of a check's own": (
        {"checks": {"control-thermostat-heated": {"precautions": []}}},
        Loss("precaution-lost", "heat-gun-care", "checks", "control-thermostat-heated"),
    ),
    "of a remedy": (
        {"remedies": {"replace-belt-switch": {"precautions": []}}},
        Loss("precaution-lost", "never-bypass", "remedies", "replace-belt-switch"),
    ),
    "of closing up": (
        {"access": {"panels-on": {"closes_with": []}}},
        Loss("precaution-lost", "panels-fitted", "access", "panels-on"),
    ),
    "need to confirm": (
        {"precautions": {"panels-fitted": {"confirm": False}}},
        Loss("precaution-weakened", "panels-fitted", "rule set", "need not be confirmed any more"),
    ),
    "signal word": (
        {"precautions": {"do-not-use": {"signal_word": "NOTICE"}}},
        Loss("precaution-weakened", "do-not-use", "rule set", "is NOTICE, no longer DANGER"),
    ),
    "what takes a confirmation back": (
        {"precautions": {"supply-disconnected": {"withdrawn_by": []}}},
        Loss(
            "precaution-weakened",
            "supply-disconnected",
            "rule set",
            "is no longer taken back by panels-fitted",
        ),
    ),
    "rule that stops work": (
        {"rules": {"element-on-the-chassis": None}},
        Loss("stop-lost", "element-on-the-chassis", "rule set", "no such rule stops work any more"),
    ),
}


@pytest.mark.parametrize("name", TAKEN)
def test_what_protects_people_is_missed_without_any_case(
    catalogue: Catalogue,
    dryer: RuleSet,
    name: str,
) -> None:
    changes, loss = TAKEN[name]
    # Lint may refuse some of these as well; what is lost is told apart from that.
    less = build(overlay(catalogue.source("tumble-dryer").documents, changes, {}))
    assert loss in weakened(dryer, less)
    # And the other way round nothing is lost: more protection is no error.
    assert loss not in weakened(less, dryer)


def test_one_mistake_is_one_error_with_all_its_places() -> None:
    losses = [Loss("precaution-lost", "gloves", "checks", f"check-{n}") for n in range(5)]
    losses += [
        Loss("precaution-lost", "gloves", "cases", "a"),
        Loss("stop-lost", "r", "cases", "b"),
    ]
    gloves, stop = gathered(losses)
    assert gloves.where == {"checks": [f"check-{n}" for n in range(5)], "cases": ["a"]}
    assert gloves.message == (
        "PRECAUTION LOST: gloves (checks: check-0, check-1, check-2 and 2 more; cases: a)"
    )
    assert stop.message == "STOP LOST: r (cases: b)"


def test_more_precautions_are_no_loss(changed: Callable[[Any], RuleSet], dryer: RuleSet) -> None:
    more = changed({"always": ["local-codes", "unplug-first"]})
    assert list(weakened(dryer, more)) == []


def finding(outcome: str, probability: float, reading: int = 0) -> dict[str, Any]:
    return {
        "reading": reading,
        "check": "door-switch",
        "outcome": outcome,
        "probability": probability,
    }


def test_a_finding_of_another_outcome_or_probability_is_shown(dryer: RuleSet) -> None:
    before = assessment(
        *INSIDE, findings=[finding("closed", 0.9), finding("open", 0.8, 1), finding("open", 1, 2)]
    )
    after = assessment(
        *INSIDE,
        findings=[
            finding("inconclusive", 0.9),
            finding("open", 0.8004, 1),
            finding("open", 0.7, 2),
        ],
    )
    found = difference(dryer, before, after)
    assert found == {
        "findings": [
            {
                "reading": 0,
                "check": "door-switch",
                "outcome": {"installed": "closed", "candidate": "inconclusive"},
                "probability": {"installed": 0.9, "candidate": 0.9},
            },
            {
                "reading": 2,
                "check": "door-switch",
                "outcome": {"installed": "open", "candidate": "open"},
                "probability": {"installed": 1, "candidate": 0.7},
            },
        ]
    }
    assert in_words(found["findings"]) == (
        "door-switch closed (0.900) -> inconclusive (0.900), "
        "door-switch open (1.000) -> open (0.700)"
    )
    assert difference(dryer, before, before) == {}
    # A decision of the log has none of this form.
    assert difference(dryer, assessment(*INSIDE), after) == {}


def test_a_moved_limit_shows_in_the_finding(
    changed: Callable[[Any], RuleSet], dryer: RuleSet
) -> None:
    shorted = {"outcomes": {"shorted": {"below": {"value": 2}}}}
    candidate = changed({"scales": {"to-chassis": {"resistance": shorted}}})
    reading = {"check": "heating-element-to-chassis", "value": 2.01, "unit": "MOhm"}
    given = {"symptom": "no-heat", "confirmed": ["supply-disconnected"], "readings": [reading]}
    answer = trial([{"given": given, "expect": {}}], judge(candidate), judge(dryer))
    assert answer["summary"]["differences"]["findings"] == 1
    ((found,),) = (one["difference"]["findings"] for one in answer["cases"])
    assert found["check"] == "heating-element-to-chassis"
    assert found["probability"]["candidate"] < found["probability"]["installed"]
