"""Cases that come to the same have one answer, and that answer is the one worked out afresh."""

from __future__ import annotations

import json
import random
from dataclasses import replace
from typing import Any

import pytest

from service.api.cases import assess_case, load_case
from service.diagnosis.assessment import Judged, Reasoner, judge
from service.diagnosis.case import read_case
from service.diagnosis.findings import find_all
from service.documents import Written, dump_json
from service.ruleset.catalogue import Catalogue
from service.ruleset.model import RuleSet
from tests.bench.make_cases import originals, varied

CASES = [one for one in originals() if one["equipment"] == "microwave-oven"]


def judged(rule_set: RuleSet, document: dict[str, Any]) -> Judged:
    case = read_case(rule_set, load_case(document))
    return judge(rule_set, case, find_all(rule_set, case))


def test_a_kept_answer_is_the_one_worked_out_afresh(reasoner: Reasoner, oven: RuleSet) -> None:
    """Whatever was asked before: the same bytes as from one that keeps nothing."""
    fresh, rng = Reasoner(oven, answers_kept=0), random.Random(11)
    for _ in range(100):
        document = load_case(varied(rng.choice(CASES), rng))
        kept, anew = reasoner.assess(document), fresh.assess(document)
        assert dict(kept) == dict(anew)
        assert dump_json(kept) == dump_json(dict(anew))
    assert reasoner.answers.cache_info().hits > 0


def test_other_values_with_the_same_meaning_are_one_case(oven: RuleSet) -> None:
    def read(ohm: float) -> Judged:
        reading = {"check": "main-fuse-resistance", "value": ohm, "unit": "Ohm"}
        return judged(
            oven, {"equipment": oven.equipment, "symptom": "no-heat", "readings": [reading]}
        )

    assert read(40) == read(50)
    assert hash(read(40)) == hash(read(50))
    assert read(40) != read(0.2)


@pytest.mark.parametrize(
    "change",
    [
        {"symptom": "no-operation"},
        {"nameplate": {"supply_voltage": {"value": 120, "unit": "V"}}},
        {"confirmed": ["disconnected"]},
        {"unavailable": ["display"]},
        {"required_confidence": 0.95},
        {"costs": {}},
        {"phase": "verify-repair"},
        {"repairs": [{"remedy": "replace-main-fuse", "readings_before": 1}]},
        {"instrument": {"resistance": {"test_voltage": {"value": 1, "unit": "V"}}}},
    ],
    ids=lambda change: next(iter(change)),
)
def test_whatever_an_answer_may_rest_on_tells_cases_apart(
    oven: RuleSet, change: dict[str, Any]
) -> None:
    reading = {"check": "main-fuse-resistance", "value": 0.3, "unit": "Ohm"}
    case = {"equipment": oven.equipment, "symptom": "no-heat", "readings": [reading]}
    known = {**change}
    if "confirmed" in known:
        known["confirmed"] = [next(k for k, one in oven.precautions.items() if one.confirm)]
    if "repairs" in known:
        known["repairs"] = [{"remedy": next(iter(oven.remedies)), "readings_before": 1}]
    assert judged(oven, case) != judged(oven, {**case, **known})


def test_nothing_of_what_was_measured_is_left(oven: RuleSet) -> None:
    """So that nothing which differs between equal cases can slip into an answer."""
    for case in CASES:
        found = judged(oven, case)
        assert not found.case.instruments
        for finding in found.findings:
            empty = replace(finding.reading, value=None, unit=None, beyond=None, uncertainty=None)
            assert finding.reading == empty
            assert finding.value is finding.uncertainty is None
            assert finding.edges == ()


def test_answers_are_kept_up_to_a_bound(oven: RuleSet) -> None:
    few = Reasoner(oven, answers_kept=2)
    for symptom in list(oven.symptoms)[:4]:
        few.assess(load_case({"equipment": oven.equipment, "symptom": symptom}))
    assert few.answers.cache_info().currsize == 2


def test_what_was_written_before_is_what_would_be_written() -> None:
    catalogue = Catalogue.load()
    for case in CASES[:40]:
        found = assess_case(catalogue, load_case({**case, "case_id": "a-1"}))
        assert isinstance(found, Written)
        assert json.loads(dump_json(found)) == dict(found)
        assert dump_json(found) == dump_json(dict(found))
        assert next(iter(found)) == "case_id"
