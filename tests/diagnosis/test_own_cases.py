"""The rule set's own cases, kept as data beside it: reading set in, expectation out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from service.diagnosis.assessment import assess_document
from service.ruleset.build import shape_issues
from service.ruleset.catalogue import Catalogue, bundled_rules
from service.ruleset.source import read_document

FOLDERS = sorted(bundled_rules().glob("*/cases/*.yaml"))


def load(path: Path) -> list[dict[str, Any]]:
    document = read_document(path, path.name)
    assert shape_issues(document, "cases") == []
    return list(document.data["cases"])


CASES = [(path.parent.parent.name, case) for path in FOLDERS for case in load(path)]


def many(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [value]


def differences(expect: dict[str, Any], got: dict[str, Any]) -> list[str]:
    """Every expectation that the assessment does not meet, in words."""
    verdict, following = got["verdict"], got["next_check"]
    probability = {row["fault"]: row["probability"] for row in got["hypotheses"]}
    outcomes = {one["check"]: one["outcome"] for one in got["findings"] if not one["superseded"]}
    listed = {one["id"] for one in got["precautions"]}
    leading = [row["fault"] for row in got["hypotheses"][:4]]
    out = []

    def check(ok: bool, message: str) -> None:
        if not ok:
            out.append(message)

    for key, wanted in expect.items():
        match key:
            case "status":
                check(got["status"] in many(wanted), f"status {got['status']}, not {wanted}")
            case "fault":
                found = verdict and verdict["fault"]
                check(found in many(wanted), f"verdict {found}, not {wanted}; leading {leading}")
            case "most_probable":
                check(leading[0] in many(wanted), f"leading {leading}, not {wanted}")
            case "least_confidence":
                found = verdict["confidence"] if verdict else 0.0
                check(found >= wanted, f"confidence {found}, under {wanted}")
            case "outcomes":
                for name, outcome in wanted.items():
                    check(outcomes[name] == outcome, f"{name}: {outcomes[name]}, not {outcome}")
            case "next_check":
                found = following and following["id"]
                check(found in many(wanted), f"next {found}, not among {wanted}")
            case "not_next_check":
                found = following and following["id"]
                check(found not in wanted, f"next {found}, which is wrong here")
            case "precautions":
                check(set(wanted) <= listed, f"precautions lack {sorted(set(wanted) - listed)}")
            case "conflicts":
                check(bool(got["conflicts"]) == wanted, f"conflicts {got['conflicts']}")
            case "no_verdict":
                check((verdict is None) == wanted, f"verdict {verdict and verdict['fault']}")
            case "also_found":
                found = sorted(one["fault"] for one in verdict["also_found"]) if verdict else None
                check(found == sorted(wanted), f"also found {found}, not {wanted}")
            case "reasons":
                codes = {reason["code"] for reason in got["reasons"]}
                check(set(wanted) <= codes, f"reasons {sorted(codes)} lack some of {wanted}")
            case "bring":
                parts = {part["id"] for part in got["bring"]["parts"]}
                check(set(wanted) <= parts, f"parts to bring lack {sorted(set(wanted) - parts)}")
            case "improbable":
                for name, most in wanted.items():
                    check(probability[name] <= most, f"{name} {probability[name]}, over {most}")
            case _:
                out.append(f"unknown expectation {key!r}")
    return out


@pytest.mark.parametrize(
    ("equipment", "case"), CASES, ids=[f"{folder}:{case['id']}" for folder, case in CASES]
)
def test_case(equipment: str, case: dict[str, Any], catalogue: Catalogue) -> None:
    got = assess_document(catalogue, {"equipment": equipment, **case["given"]})
    assert differences(case["expect"], got) == []


def test_there_are_enough_cases_and_each_id_is_used_once() -> None:
    ids = [case["id"] for _, case in CASES]
    assert len(ids) >= 40
    assert len(set(ids)) == len(ids)


def test_every_rule_fires_in_some_case_and_holds_back_in_another(catalogue: Catalogue) -> None:
    fired: dict[str, int] = {}
    for equipment, case in CASES:
        got = assess_document(catalogue, {"equipment": equipment, **case["given"]})
        for one in got["explanation"]["rules"]:
            fired[one["rule"]] = fired.get(one["rule"], 0) + 1
    for rule_set_id in catalogue.ids():
        for rule in catalogue.get(rule_set_id).rules:
            assert 0 < fired.get(rule.id, 0) < len(CASES), rule.id
