"""What a candidate's text adds, changes and takes away, and what in it may be mistyped."""

from __future__ import annotations

import json
from typing import Any

import pytest

from service.ruleset.shape import shape_issues
from service.trials.changes import changes
from service.trials.overlay import overlay
from tests.ruleset.rigged import documents

BASE = documents()
LAMP = BASE["checks"].data["checks"][0]
NOTHING: dict[str, Any] = {"added": [], "changed": [], "removed": [], "nothing_to_remove": []}


def told(patch: Any) -> dict[str, Any]:
    found = changes(BASE, overlay(BASE, patch, {}), patch)
    assert json.loads(json.dumps(found)) == found
    return found


def test_the_same_changes_nothing() -> None:
    assert changes(BASE, BASE) == NOTHING
    assert told({}) == NOTHING
    assert told({"checks": {"lamp": {"id": "lamp", "minutes": LAMP["minutes"]}}}) == NOTHING


def test_each_change_stands_at_its_pointer() -> None:
    found = told(
        {
            "version": "0.2.0",
            "checks": {"lamp": {"minutes": 3, "groups": ["a"]}},
            "scales": {"continuity": {"resistance": {"outcomes": {"closed": {"below": None}}}}},
            "rules": {"lamp-dark": None, "new": {"because": "So."}},
        }
    )
    assert found == {
        "added": [{"pointer": "/rules/new", "near": None}],
        "changed": [
            {
                "pointer": "/version",
                "installed": BASE["rule-set"].data["version"],
                "candidate": "0.2.0",
            },
            {"pointer": "/checks/lamp/groups", "installed": LAMP["groups"], "candidate": ["a"]},
            {"pointer": "/checks/lamp/minutes", "installed": LAMP["minutes"], "candidate": 3},
        ],
        "removed": [
            {"pointer": "/scales/continuity/resistance/outcomes/closed/below"},
            {"pointer": "/rules/lamp-dark"},
        ],
        "nothing_to_remove": [],
    }


@pytest.mark.parametrize(
    ("name", "near"), [("lamp-drak", "lamp-dark"), ("kitchen-is-told", None), ("lamp", None)]
)
def test_a_new_name_that_is_nearly_an_installed_one_is_told(name: str, near: str | None) -> None:
    whole = {**BASE["rules"].data["rules"][0], "id": name}
    assert told({"rules": {name: whole}})["added"] == [{"pointer": f"/rules/{name}", "near": near}]


def test_what_is_taken_away_and_was_not_there_is_told() -> None:
    found = told({"rules": {"lamp-drak": None, "dead-inside": None}, "checks": {"x": None}})
    assert found["removed"] == [{"pointer": "/rules/dead-inside"}]
    assert found["nothing_to_remove"] == [
        {"pointer": "/rules/lamp-drak", "near": "lamp-dark"},
        {"pointer": "/checks/x", "near": None},
    ]


def test_another_order_is_a_change() -> None:
    first, *rest = [rule["id"] for rule in BASE["rules"].data["rules"]]
    moved = [
        {"op": "move", "from": f"/rules/{first}", "path": "/x"},
        {"op": "move", "from": "/x", "path": f"/rules/{first}"},
    ]
    (found,) = told(moved)["changed"]
    assert found["pointer"] == "/rules"
    assert found["installed"] == [first, *rest]
    assert found["candidate"] == [*rest, first]


def test_all_taken_away_and_something_new() -> None:
    assert [one["pointer"] for one in told([{"op": "remove", "path": "/rules"}])["removed"]] == [
        "/rules"
    ]
    emptied = overlay(
        BASE, {"rules": {rule["id"]: None for rule in BASE["rules"].data["rules"]}}, {}
    )
    back = changes(emptied, BASE)
    assert {one["pointer"] for one in back["added"]} == {
        f"/rules/{rule['id']}" for rule in BASE["rules"].data["rules"]
    }


@pytest.mark.parametrize(
    ("patch", "message", "advice"),
    [
        ({"checks": {"lmap": {"minutes": 2}}}, "there is no check 'lmap', and", "mean 'lamp'?"),
        ({"checks": {"lmap": 2}}, "there is no check 'lmap', and", "mean 'lamp'?"),
        ({"faults": {"q": {"rate": 2}}}, "there is no fault 'q', and", "Known faults: coil-open,"),
        ({"access": {"insid": {}}}, "there is no place 'insid', and", "mean 'inside'?"),
        (
            {"scales": {"continuity": {"resistance": {"outcomes": {"closd": {"below": {}}}}}}},
            "there is no outcome 'closd', and",
            "mean 'closed'?",
        ),
        (
            {"scales": {"continuity": {"resistanc": {"unit": "Ohm"}}}},
            "there is no measure 'resistanc', and",
            "mean 'resistance'?",
        ),
        ({"nameplate": {"mak": {}}}, "there is no nameplate field 'mak', and", "mean 'make'?"),
    ],
)
def test_a_new_thing_that_is_not_whole_may_be_mistyped(
    patch: Any, message: str, advice: str
) -> None:
    issues = [
        issue
        for name, one in overlay(BASE, patch, {}, "mine.yaml").items()
        for issue in shape_issues(one, name)
    ]
    assert issues
    assert {one.file for one in issues} == {"mine.yaml"}
    assert all(one.message.startswith(message) for one in issues)
    assert all(advice in one.advice for one in issues)


def test_a_mistake_within_a_new_thing_of_a_name_of_its_own_is_told_alone() -> None:
    whole = {**LAMP, "id": "quite-another", "minutes": "long"}
    (issue,) = shape_issues(
        overlay(BASE, {"checks": {"quite-another": whole}}, {})["checks"], "checks"
    )
    assert issue.message == '"long" cannot stand here'
