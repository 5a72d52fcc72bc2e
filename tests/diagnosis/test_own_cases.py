"""The rule set's own cases, kept as data beside it: reading set in, expectation out."""

from __future__ import annotations

from typing import Any

import pytest

from service.api.cases import assess_case
from service.ruleset.catalogue import Catalogue, bundled_rules
from service.ruleset.own_cases import read_cases
from service.trials.expectations import unmet

FOLDERS = sorted(path.parent for path in bundled_rules().glob("*/rule-set.yaml"))
CASES = [
    (folder.name, case)
    for folder in FOLDERS
    for document in read_cases(folder)
    for case in document.data["cases"]
]


@pytest.mark.parametrize(
    ("equipment", "case"), CASES, ids=[f"{folder}:{case['id']}" for folder, case in CASES]
)
def test_case(equipment: str, case: dict[str, Any], catalogue: Catalogue) -> None:
    got = assess_case(catalogue, {"equipment": equipment, **case["given"]})
    assert unmet(case["expect"], got) == []


def test_there_are_enough_cases_and_each_id_is_used_once() -> None:
    ids = [case["id"] for _, case in CASES]
    assert len(ids) >= 40
    assert len(set(ids)) == len(ids)


def test_every_rule_fires_in_some_case_and_holds_back_in_another(catalogue: Catalogue) -> None:
    fired: dict[str, int] = {}
    for equipment, case in CASES:
        got = assess_case(catalogue, {"equipment": equipment, **case["given"]})
        for one in got["explanation"]["rules"]:
            fired[one["rule"]] = fired.get(one["rule"], 0) + 1
    for rule_set_id in catalogue.ids():
        for rule in catalogue.get(rule_set_id).rules:
            assert 0 < fired.get(rule.id, 0) < len(CASES), rule.id
