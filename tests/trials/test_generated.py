"""Whatever an author sends, there is an answer: no failure of the service, no hang, no trace left.

A hang would hold the whole run: the watchdog ends it and says where it was.
"""

from __future__ import annotations

import faulthandler
import os
from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.app import create_app
from service.candidates import Job, work
from service.problems import Problem
from service.ruleset.catalogue import Catalogue, Source, load_source
from service.settings import Settings
from service.trials.submission import Part, Submission
from tests.trials.generated import (
    as_json,
    hostile_text,
    json_patches,
    merge_patches,
    nearly_valid,
    valid,
    whole_of,
)

RIG = Path(__file__).parents[1] / "ruleset" / "rig"
SOURCE: Source = load_source(RIG)
WHOLE = whole_of(SOURCE.documents)
TEXT = b"\n".join(path.read_bytes() for path in sorted(RIG.glob("*.yaml")))
CATALOGUE = Catalogue({"rig": SOURCE})
CASES: list[dict[str, Any]] = [
    {"equipment": "rig", "symptom": "dead"},
    {
        "equipment": "rig",
        "symptom": "weak",
        "readings": [
            {"check": "coil-resistance", "over_range": True},
            {"check": "store-insulation", "value": 4.9, "unit": "Ohm"},
            {"check": "outlet-voltage", "value": 231, "unit": "V"},
        ],
        "confirmed": ["supply-disconnected", "capacitor-discharged"],
        "expected": {"status": ["fault-found", "check-next"]},
    },
    {
        "equipment": "rig",
        "symptom": "dead",
        "phase": "verify-repair",
        "repairs": [{"remedy": "replace-fuse", "readings_before": 0}],
    },
]
REFUSALS = {"invalid-request", "malformed-json", "unusable-rule-set"}
TIMES = int(os.environ.get("OHMPATH_TIMES", "1"))  # so many times the usual number of examples


def many(count: int) -> settings:
    return settings(
        max_examples=count * TIMES, deadline=None, suppress_health_check=[HealthCheck.too_slow]
    )


@pytest.fixture(autouse=True)
def watchdog() -> Iterator[None]:
    yield
    faulthandler.cancel_dump_traceback_later()


def answered(what: Any, submission: Submission) -> tuple[Any, Problem | None]:
    try:
        return work(Job(what, submission, CATALOGUE)), None
    except Problem as problem:
        return {}, problem


def outcome(submission: Submission) -> str:
    """What becomes of a submission: `usable`, `unusable` or the problem of its request."""
    faulthandler.dump_traceback_later(120, exit=True)
    checked, refused = answered("check", submission)
    if refused is not None:
        assert refused.kind.name in REFUSALS, refused.detail
        _, again = answered("trial", submission)
        assert again is not None
        assert again.kind is refused.kind
        return refused.kind.name
    if not checked["usable"]:
        for one in checked["findings"]:
            assert one["message"]
            assert one["advice"]
            assert one["rule"]
            assert one["file"]
        assert checked["findings"]
        return "unusable"
    answer = work(Job("trial", submission, CATALOGUE))
    for row in answer["cases"]:
        assert row.get("problem", {}).get("type") != "/problems/internal-error", row
    assert answer["summary"]["cases"] == len(answer["cases"])
    return "usable"


def parts(raw: bytes, form: Any) -> Submission:
    return Submission((Part("body", raw, form),))


@many(100)
@given(valid(WHOLE))
def test_valid_rule_sets(whole: dict[str, Any]) -> None:
    whole["cases"] = CASES
    assert outcome(parts(as_json(whole), "json")) in {"usable", "unusable"}


@many(150)
@given(nearly_valid(WHOLE))
def test_nearly_valid_rule_sets(whole: dict[str, Any]) -> None:
    if isinstance(whole.get("cases", []), list):
        whole["cases"] = CASES
    outcome(parts(as_json(whole), "json"))


@many(500)
@given(hostile_text(TEXT))
def test_hostile_texts(raw: bytes) -> None:
    outcome(parts(raw, "yaml"))


@many(250)
@given(hostile_text(TEXT))
def test_hostile_texts_as_json(raw: bytes) -> None:
    assert outcome(parts(raw, "json")) == "malformed-json" or raw.strip()[:1] in b'0123456789"-tfn['


@many(200)
@given(st.one_of(merge_patches(WHOLE), json_patches(WHOLE)))
def test_changes(changes: Any) -> None:
    outcome(parts(as_json({"base": "rig", "changes": changes, "cases": CASES}), "json"))


def test_the_installed_rule_set_is_as_it_was() -> None:
    fresh = load_source(RIG)
    held = CATALOGUE.source("rig")
    assert whole_of(held.documents) == whole_of(fresh.documents) == WHOLE
    assert asdict(held.rule_set) == asdict(fresh.rule_set)


def test_generated_rule_sets_are_of_every_sort() -> None:
    """The generators reach the inside: many of the valid ones are usable, few of the others."""
    sorts: Counter[str] = Counter()

    @settings(max_examples=50, deadline=None, database=None)
    @given(valid(WHOLE), nearly_valid(WHOLE))
    def draw(good: dict[str, Any], bad: dict[str, Any]) -> None:
        for kind, whole in (("good", good), ("bad", bad)):
            sorts[f"{kind} {outcome(parts(as_json(whole), 'json'))}"] += 1

    draw()
    assert sorts["good usable"] > 10, sorts
    assert sorts["good unusable"] > 2, sorts
    assert sorts["bad unusable"] > 20, sorts
    assert sorts["bad usable"] > 0, sorts


@pytest.fixture(scope="module")
def client() -> FlaskClient:
    return create_app(Settings(rules=RIG)).test_client()


# Each starts a process.
@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    st.sampled_from(["/v1/rule-sets/check", "/v1/trials"]),
    st.one_of(
        nearly_valid(WHOLE).map(lambda one: (as_json(one), "application/json")),
        hostile_text(TEXT).map(lambda one: (one, "application/yaml")),
        merge_patches(WHOLE).map(
            lambda one: (as_json({"base": "rig", "changes": one}), "application/merge-patch+json")
        ),
        json_patches(WHOLE).map(
            lambda one: (as_json({"base": "rig", "changes": one}), "application/json-patch+json")
        ),
    ),
)
def test_over_http_nothing_fails_and_nothing_stays(
    client: FlaskClient, path: str, body: tuple[bytes, str]
) -> None:
    before = client.get("/v1/rule-sets/rig").data
    answer = client.post(path, data=body[0], content_type=body[1])
    assert answer.status_code in (200, 400, 422), answer.data
    assert client.get("/v1/rule-sets/rig").data == before
