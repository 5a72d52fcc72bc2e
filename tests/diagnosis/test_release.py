"""Nothing that says that something is wrong is passed over when equipment is released."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from typing import Any

import pytest

from service.diagnosis.assessment import Reasoner, reasoner
from service.ruleset.catalogue import Catalogue
from service.ruleset.repairs import cured_by, touched_by
from tests.diagnosis.documents import carry_on, reading
from tests.visits.play import SURVEY
from tests.wanted import ALL

EQUIPMENT = ["microwave-oven", "tumble-dryer"]
# The short form tries one in so many of the combinations.
ONE_IN = 1 if ALL else 12


@cache
def _engine(equipment: str) -> Reasoner:
    return reasoner(Catalogue.load(), equipment)


def _complaint(engine: Reasoner, remedy: str) -> str:
    """What is complained of most, of the faults that the remedy takes away."""
    symptoms: dict[str, float] = dict.fromkeys(engine.rule_set.symptoms, 0.0)
    for fault in cured_by(engine.rule_set, remedy):
        for symptom, chance in engine.rule_set.faults[fault].symptoms.items():
            symptoms[symptom] += chance * engine.rule_set.faults[fault].rate
    return max(symptoms, key=lambda one: symptoms[one])


@cache
def _proven(equipment: str, remedy: str) -> dict[str, Any]:
    """A case whose repair is proven completely, which is released."""
    engine = _engine(equipment)
    document: dict[str, Any] = {
        "symptom": _complaint(engine, remedy),
        "phase": "verify-repair",
        "repairs": [{"remedy": remedy, "readings_before": 0}],
        "readings": [],
        "confirmed": [],
    }
    answer, _ = carry_on(engine.assess, engine.rule_set, document, {})
    assert answer["status"] == "released", (remedy, answer["reasons"])
    return document


def _abnormal(engine: Reasoner) -> Iterator[dict[str, Any]]:
    """Each check with each outcome that a healthy part does not give and no proof accepts."""
    for check in engine.rule_set.checks.values():
        for outcome in check.outcomes:
            if outcome not in check.expected and outcome not in check.passes:
                taken = reading(f"{check.id}={outcome}")
                if check.conditions:
                    taken["conditions"] = SURVEY
                yield taken


def _with(
    proven: dict[str, Any], added: dict[str, Any], place: int, before: int = 0
) -> dict[str, Any]:
    """The case with a reading added, of which so many come before the repair."""
    readings = list(proven["readings"])
    readings.insert(place, added)
    repairs = [{**one, "readings_before": before} for one in proven["repairs"]]
    return {**proven, "readings": readings, "repairs": repairs, "confirmed": []}


def _combinations(equipment: str) -> Iterator[tuple[str, dict[str, Any]]]:
    engine = _engine(equipment)
    rule_set = engine.rule_set
    for nth, remedy in enumerate(rule_set.remedies):
        proven = _proven(equipment, remedy)
        shown = {one["check"] for one in proven["readings"]}
        touched = touched_by(rule_set, remedy)
        for at, added in enumerate(_abnormal(engine), start=nth):
            many = len(proven["readings"])
            told = f"{remedy}: {added['check']}={added['observed']}"
            # Over three remedies each reading comes before, in and after a proof.
            place, word = ((0, "before"), (many // 2, "in"), (many, "after"))[at % 3]
            yield f"{told} {word} its proof", _with(proven, added, place)
            check = rule_set.checks[added["check"]]
            # What no repair has touched and nobody has read again is as it was.
            if (
                added["check"] not in shown
                and check.scope == "component"
                and check.component not in touched
                and not _given_by(engine, remedy, added)
            ):
                yield f"{told} before the repair", _with(proven, added, 0, before=1)


def _given_by(engine: Reasoner, remedy: str, added: dict[str, Any]) -> bool:
    """Whether a fault that the remedy takes away gives this reading more often than not."""
    check = engine.rule_set.checks[added["check"]]
    which = check.outcomes.index(added["observed"])
    return any(
        max(engine.model.tables[check.id][engine.model.alone[fault], which]) >= 0.5
        for fault in cured_by(engine.rule_set, remedy)
    )


def _released(engine: Reasoner, cases: list[tuple[str, dict[str, Any]]]) -> list[str]:
    answers = engine.decide_all([engine.read(case) for _, case in cases])
    return [
        told
        for (told, _), answer in zip(cases, answers, strict=True)
        if answer["status"] == "released"
    ]


@pytest.mark.parametrize("equipment", EQUIPMENT)
def test_no_abnormal_reading_is_released(equipment: str) -> None:
    tried = list(_combinations(equipment))[::ONE_IN]
    assert len(tried) * ONE_IN > 4500
    assert _released(_engine(equipment), tried) == []


@pytest.mark.parametrize("equipment", EQUIPMENT)
def test_what_keeps_it_from_release_is_named(equipment: str) -> None:
    """Of a reading after a complete proof: its check stands in the reasons."""
    engine = _engine(equipment)
    remedy = next(iter(engine.rule_set.remedies))
    proven = _proven(equipment, remedy)
    for added in _abnormal(engine):
        answer = engine.assess(_with(proven, added, len(proven["readings"])))
        assert answer["status"] == "not-released"
        assert added["check"] in {one["check"] for one in answer["reasons"]}, answer["reasons"]


def test_a_good_reading_has_to_outweigh_a_bad_one() -> None:
    engine, proven = _engine("microwave-oven"), _proven("microwave-oven", "replace-diode")
    bad, good = reading("door-latch=loose"), reading("door-latch=seated")
    known = proven["readings"]
    statuses = [
        engine.assess({**proven, "readings": [*known, bad, *[good] * times]})["status"]
        for times in range(3)
    ]
    # A latch that was loose once keeps the oven out of use: a safety rule asks for `possible`.
    assert statuses == ["not-released"] * 3
    bad, good = reading("lamp-resistance=open"), reading("lamp-resistance=intact")
    answers = [
        engine.assess({**proven, "readings": [*known, bad, *[good] * times], "confirmed": []})
        for times in range(3)
    ]
    assert [one["status"] for one in answers] == ["not-released", "check-next", "released"]
    assert answers[1]["next_check"]["for_check"] == "lamp-resistance"


def test_what_forbids_use_forbids_release(catalogue: Catalogue) -> None:
    """Whatever else a rule set says of it."""
    rule_set = catalogue.get("microwave-oven")
    proven = _proven("microwave-oven", "replace-diode")
    forbidding = {
        name: replace(one, forbids_use=name == "local-codes" or one.forbids_use)
        for name, one in rule_set.precautions.items()
    }
    rule = next(one for one in rule_set.rules if one.id == "proof-of-repair")
    wanted = replace(
        rule,
        id="forbidding",
        consequences=(replace(rule.consequences[-1], kind="require", targets=("local-codes",)),),
    )
    changed = replace(rule_set, precautions=forbidding, rules=(*rule_set.rules, wanted))
    answer = Reasoner(changed).assess(proven)
    assert answer["status"] == "not-released"
    assert answer["reasons"][0]["code"] == "use-forbidden"


@pytest.mark.parametrize("equipment", EQUIPMENT)
def test_a_danger_that_may_be_left_is_looked_for(equipment: str) -> None:
    """Of every dangerous fault: replaced by mistake, with its reading never taken."""
    engine = _engine(equipment)
    rule_set = engine.rule_set
    dangerous = [one for one in rule_set.faults.values() if one.dangerous]
    assert len(dangerous) > 5
    for fault in dangerous:
        # A check that shows it, read as it mostly is, and a repair that does not touch it.
        check, outcome = next(
            (one, outcome)
            for one in rule_set.checks.values()
            for outcome, chance in zip(one.outcomes, one.rows.get(fault.id, ()), strict=False)
            if chance > 0.5 and outcome not in one.expected and one.scope == "component"
        )
        remedy = next(
            one for one in rule_set.remedies if check.component not in touched_by(rule_set, one)
        )
        document: dict[str, Any] = {
            "symptom": _complaint(engine, remedy),
            "phase": "verify-repair",
            "readings": [reading(f"{check.id}={outcome}")],
            "repairs": [{"remedy": remedy, "readings_before": 1}],
        }
        answer = engine.assess(document)
        asked = {one["check"] for one in answer["release"]["proof"]}
        assert check.id in asked or answer["status"] == "not-released", fault.id
