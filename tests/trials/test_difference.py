"""What a candidate answers otherwise, and above all what it leaves out."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from service.ruleset.build import build
from service.ruleset.catalogue import Catalogue, built
from service.ruleset.model import RuleSet
from service.trials.difference import difference, losses_of_case, weakened
from service.trials.overlay import overlay


def assessment(**more: Any) -> dict[str, Any]:
    base: dict[str, Any] = {
        "status": "check-next",
        "verdict": None,
        "next_check": {"id": "display"},
        "precautions": [{"id": "local-codes"}, {"id": "supply-disconnected"}],
    }
    return {**base, **more}


FOUND = {
    "status": "fault-found",
    "next_check": None,
    "verdict": {"fault": "diode-open", "confidence": 0.95},
}


def test_what_is_the_same_is_left_out() -> None:
    assert difference(assessment(), assessment()) == {}
    assert difference(assessment(**FOUND), assessment(**FOUND)) == {}


def test_each_thing_decided_is_held_against_the_other() -> None:
    found = difference(assessment(), assessment(**FOUND))
    assert found == {
        "status": {"installed": "check-next", "candidate": "fault-found"},
        "verdict": {"installed": None, "candidate": "diode-open"},
        "confidence": {"installed": None, "candidate": 0.95},
        "next_check": {"installed": "display", "candidate": None},
    }


def test_a_lost_precaution_is_a_loss_and_a_gained_one_is_not() -> None:
    fewer = assessment(precautions=[{"id": "local-codes"}])
    found = difference(assessment(), fewer)
    assert found == {"precautions_lost": ["supply-disconnected"]}
    (loss,) = losses_of_case("stand-3", found)
    assert (loss.kind, loss.where, loss.lost) == (
        "precaution-lost",
        "stand-3",
        "supply-disconnected",
    )
    assert loss.message.startswith("PRECAUTION LOST: case stand-3")
    found = difference(fewer, assessment())
    assert found == {"precautions_gained": ["supply-disconnected"]}
    assert list(losses_of_case("stand-3", found)) == []


def test_a_loss_says_if_the_next_step_is_another() -> None:
    other = assessment(precautions=[{"id": "local-codes"}], next_check={"id": "lamp"})
    (loss,) = losses_of_case("a", difference(assessment(), other))
    assert "what comes next is another (next_check)" in loss.message


def test_a_stop_that_is_none_any_more_is_a_loss() -> None:
    stopped = assessment(status="stop-work", next_check=None)
    losses = list(losses_of_case("a", difference(stopped, assessment())))
    assert [one.kind for one in losses] == ["stop-lost"]
    assert list(losses_of_case("a", difference(assessment(), stopped))) == []


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
    "of all answers": ({"always": []}, "precaution-lost", "always", "local-codes"),
    "of a check's own": (
        {"checks": {"outlet-voltage": {"precautions": []}}},
        "precaution-lost",
        "outlet-voltage",
        "live-mains-measurement",
    ),
    "need to confirm": (
        {"precautions": {"panels-fitted": {"confirm": False}}},
        "precaution-lost",
        "panels-fitted",
        "confirmation",
    ),
    "signal word": (
        {"precautions": {"do-not-use": {"signal_word": "NOTICE"}}},
        "precaution-lost",
        "do-not-use",
        "DANGER",
    ),
    "what takes a confirmation back": (
        {"precautions": {"supply-disconnected": {"withdrawn_by": []}}},
        "precaution-lost",
        "supply-disconnected",
        "panels-fitted",
    ),
    "rule that stops work": (
        {"rules": {"element-on-the-chassis": None}},
        "stop-lost",
        "element-on-the-chassis",
        "stop-work",
    ),
}


@pytest.mark.parametrize("name", TAKEN)
def test_what_protects_people_is_missed_without_any_case(
    changed: Callable[[Any], RuleSet],
    catalogue: Catalogue,
    dryer: RuleSet,
    name: str,
) -> None:
    changes, kind, where, lost = TAKEN[name]
    # Lint may refuse some of these as well; what is lost is told apart from that.
    documents = overlay(catalogue.source("tumble-dryer").documents, changes, {})
    losses = list(weakened(dryer, build(documents)))
    assert (kind, where, lost) in {(one.kind, one.where, one.lost) for one in losses}
    assert all(one.message.startswith(("PRECAUTION LOST", "STOP LOST")) for one in losses)
    # And the other way round nothing is lost: more protection is no error.
    back = {(one.kind, one.where, one.lost) for one in weakened(build(documents), dryer)}
    assert (kind, where, lost) not in back


def test_more_precautions_are_no_loss(changed: Callable[[Any], RuleSet], dryer: RuleSet) -> None:
    more = changed({"always": ["local-codes", "unplug-first"]})
    assert list(weakened(dryer, more)) == []
