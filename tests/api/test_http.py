"""HTTP as such: methods, paths, caching, health, and what happens when the service itself fails."""

from __future__ import annotations

import json
import logging
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from service.api import answers as answers_module
from service.api import health as health_module
from service.app import create_app
from service.problems import PROBLEM_TYPES
from service.ruleset.source import RuleSetError
from service.settings import Settings, SettingsError

GETS = [
    "/v1/rule-sets",
    "/v1/rule-sets/microwave-oven",
    "/v1/rule-sets/microwave-oven/graph?symptom=lamp-out",
    "/v1/calculations",
    "/healthz",
    "/readyz",
    "/openapi.json",
]


def test_answer_is_one_line_in_the_order_of_the_contract(
    client: FlaskClient, case: dict[str, Any]
) -> None:
    response = client.post("/v1/assessments", json=case)
    assert response.status_code == 200
    assert response.content_type == "application/json"
    assert response.data.count(b"\n") == 1
    assert response.data.endswith(b"}\n")
    assert list(json.loads(response.data)) == [
        "status",
        "next_check",
        "plan",
        "verdict",
        "release",
        "hypotheses",
        "pairs",
        "findings",
        "precautions",
        "bring",
        "expected_cost",
        "conflicts",
        "reasons",
        "explanation",
        "rule_set",
    ]


def test_case_id_comes_back_first(client: FlaskClient, case: dict[str, Any]) -> None:
    without = client.post("/v1/assessments", json=case).get_json()
    case["case_id"] = "visit/7, ümlaut \u0000"
    response = client.post("/v1/assessments", json=case)
    answer = json.loads(response.data)
    assert next(iter(answer)) == "case_id"
    assert answer.pop("case_id") == case["case_id"]
    assert answer == without
    assert "ümlaut".encode() in response.data


def test_query_parameters_are_ignored(client: FlaskClient, case: dict[str, Any]) -> None:
    plain = client.post("/v1/assessments", json=case)
    asked = client.post("/v1/assessments?pretty=1&x", json=case)
    assert asked.status_code == 200
    assert asked.data == plain.data


@pytest.mark.parametrize("path", GETS)
def test_head_is_get_without_a_body(client: FlaskClient, path: str) -> None:
    got, head = client.get(path), client.head(path)
    assert head.status_code == got.status_code == 200
    assert head.data == b""
    assert head.headers["Content-Type"] == got.headers["Content-Type"]
    assert head.headers["Content-Length"] == got.headers["Content-Length"]


@pytest.mark.parametrize(
    ("path", "methods"),
    [("/v1/assessments", {"POST", "OPTIONS"})]
    + [(path, {"GET", "HEAD", "OPTIONS"}) for path in GETS],
)
def test_options_and_wrong_methods_name_the_right_ones(
    client: FlaskClient, path: str, methods: set[str]
) -> None:
    options = client.options(path)
    assert options.status_code == 200
    assert options.data == b""
    assert {one.strip() for one in options.headers["Allow"].split(",")} == methods
    for method in {"GET", "POST", "PUT", "PATCH", "DELETE", "TRACE"} - methods:
        wrong = client.open(path, method=method)
        assert wrong.status_code == 405
        assert wrong.content_type == "application/problem+json"
        assert {one.strip() for one in wrong.headers["Allow"].split(",")} == methods
        assert wrong.get_json()["type"] == "/problems/method-not-allowed"
        assert method in wrong.get_json()["detail"]


@pytest.mark.parametrize(
    "path",
    [
        "/v1",
        "/v1/assessments/",
        "/v1//assessments",
        "/v1/rule-sets/",
        "/v1/rule-sets/steam-engine",
        "/v1/rule-sets/..%2f..%2fetc",
        "/healthz/",
        "/problems/none",
        "/static/x",
        "/%00%ff%ed%a0%80",
        "/" + "x" * 3000,
    ],
)
def test_other_paths_are_not_found(client: FlaskClient, path: str) -> None:
    response = client.get(path)
    assert response.status_code == 404
    assert response.content_type == "application/problem+json"
    problem = response.get_json()
    assert problem["type"] == "/problems/not-found"
    assert problem["instance"].isascii()
    assert len(problem["detail"]) < 400


@pytest.mark.parametrize(
    "path", ["/v1/rule-sets", "/v1/rule-sets/microwave-oven", "/v1/calculations", "/openapi.json"]
)
def test_etag_saves_the_body(client: FlaskClient, path: str) -> None:
    first = client.get(path)
    tag = first.headers["ETag"]
    again = client.get(path, headers={"If-None-Match": tag})
    assert again.status_code == 304
    assert again.data == b""
    assert again.headers["ETag"] == tag
    other = client.get(path, headers={"If-None-Match": '"something-else"'})
    assert other.status_code == 200
    assert other.data == first.data


def test_etag_follows_the_content(client: FlaskClient) -> None:
    tags = {
        client.get(path).headers["ETag"] for path in GETS if path not in ("/healthz", "/readyz")
    }
    assert len(tags) == len(GETS) - 2


@pytest.mark.parametrize("name", PROBLEM_TYPES)
def test_type_of_a_problem_resolves(client: FlaskClient, name: str) -> None:
    response = client.get(PROBLEM_TYPES[name].uri)
    assert response.status_code == 200
    assert response.get_json() == {
        "type": f"/problems/{name}",
        "title": PROBLEM_TYPES[name].title,
        "status": PROBLEM_TYPES[name].status,
        "description": PROBLEM_TYPES[name].description,
    }


def test_health(client: FlaskClient) -> None:
    assert client.get("/healthz").data == b'{"status":"ok"}\n'


def test_readiness_names_the_rule_sets(client: FlaskClient) -> None:
    summaries = client.get("/v1/rule-sets").get_json()
    ready = client.get("/readyz").get_json()
    assert ready["status"] == "ready"
    assert [one["content_hash"] for one in ready["rule_sets"]] == [
        one["content_hash"] for one in summaries
    ]


def fail(*_: Any) -> Any:
    raise RuntimeError("the secret of the house")


def test_not_ready_if_cases_cannot_be_assessed(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(health_module, "assess_case", fail)
    with caplog.at_level(logging.ERROR):
        response = client.get("/readyz")
    assert response.status_code == 503
    assert response.content_type == "application/problem+json"
    assert response.get_json()["type"] == "/problems/not-ready"
    assert b"secret" not in response.data
    assert "the secret of the house" in caplog.text
    assert client.get("/healthz").status_code == 200


def test_own_failure_says_nothing_of_its_insides(
    client: FlaskClient,
    case: dict[str, Any],
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    monkeypatch.setattr(answers_module, "assess_case", fail)
    with caplog.at_level(logging.ERROR):
        response = client.post("/v1/assessments", json={**case, "case_id": "not asked before"})
    assert response.status_code == 500
    assert response.content_type == "application/problem+json"
    assert response.get_json()["type"] == "/problems/internal-error"
    assert b"secret" not in response.data
    assert "Traceback" in caplog.text
    assert "the secret of the house" in caplog.text


def test_settings_come_from_the_environment(tmp_path: Path) -> None:
    assert Settings.from_environment({}) == Settings()
    environment = {"OHMPATH_RULES": str(tmp_path), "OHMPATH_MAX_BODY_BYTES": "2048"}
    assert Settings.from_environment(environment) == Settings(tmp_path, 2048)


@pytest.mark.parametrize("value", ["0", "-1", "1e6", "many", "9" * 30, "١٢"])
def test_unusable_settings_are_named(value: str) -> None:
    with pytest.raises(SettingsError, match="OHMPATH_MAX_BODY_BYTES"):
        Settings.from_environment({"OHMPATH_MAX_BODY_BYTES": value})


def test_body_limit_is_a_setting(case: dict[str, Any]) -> None:
    client = create_app(Settings(max_body_bytes=100)).test_client()
    assert client.post("/v1/assessments", json=case).status_code == 413


def test_app_without_usable_rule_sets_is_not_made(tmp_path: Path) -> None:
    with pytest.raises(RuleSetError):
        create_app(Settings(rules=tmp_path))


def test_two_apps_do_not_share_state(app: Flask) -> None:
    other = create_app(Settings())
    assert other.test_client().get("/v1/rule-sets").data == (
        app.test_client().get("/v1/rule-sets").data
    )
