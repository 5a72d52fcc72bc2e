"""POST /v1/rule-sets/check and /v1/trials over HTTP: media types, forms, limits, isolation."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from service.api import trials
from service.api.examples import OVERLAY, RULE_SET_TEXT
from service.app import create_app
from service.ruleset.build import FILES
from service.ruleset.catalogue import bundled_rules
from service.settings import Settings
from service.trials import sandbox
from service.trials.sandbox import Limits
from tests.api.documented import wrong_with

DRYER = bundled_rules() / "tumble-dryer"
CHECK, TRIALS = "/v1/rule-sets/check", "/v1/trials"


def files(*names: str, **changed: bytes) -> dict[str, Any]:
    read = {name: (DRYER / f"{name}.yaml").read_bytes() for name in names}
    return {
        "files": [(io.BytesIO(raw), f"{name}.yaml") for name, raw in {**read, **changed}.items()]
    }


@pytest.mark.parametrize("path", [CHECK, TRIALS])
def test_documented_examples_are_answered_as_documented(client: FlaskClient, path: str) -> None:
    schema = {CHECK: "Checked", TRIALS: "Trial"}[path]
    answer = client.post(path, json=OVERLAY)
    assert answer.status_code == 200
    assert wrong_with(schema, answer.get_json()) == []


def test_the_example_in_yaml(client: FlaskClient) -> None:
    answer = client.post(CHECK, data=RULE_SET_TEXT, content_type="application/yaml")
    assert answer.get_json()["usable"] is True


@pytest.mark.parametrize(
    "media_type",
    ["application/yaml", "application/yaml; charset=utf-8", "text/yaml", "application/x-yaml"],
)
def test_a_folder_strung_together_is_one_document(client: FlaskClient, media_type: str) -> None:
    whole = b"".join((DRYER / f"{name}.yaml").read_bytes() for name in FILES)
    answer = client.post(CHECK, data=whole, content_type=media_type).get_json()
    assert answer["usable"] is True
    assert answer["candidate"]["id"] == "tumble-dryer"


def test_a_form_with_the_files_of_a_folder(client: FlaskClient) -> None:
    answer = client.post(CHECK, data=files(*FILES), content_type="multipart/form-data").get_json()
    described = client.get("/v1/rule-sets/tumble-dryer").get_json()
    assert answer["candidate"]["content_hash"] == described["content_hash"]


def test_a_form_with_one_file_and_the_base_of_the_rest(client: FlaskClient) -> None:
    bad = (DRYER / "faults.yaml").read_bytes().replace(b"    rate: ", b"    rate: -", 1)
    data = {"base": "tumble-dryer", **files(faults=bad)}
    answer = client.post(CHECK, data=data, content_type="multipart/form-data").get_json()
    assert answer["usable"] is False
    assert {one["file"] for one in answer["findings"]} == {"faults.yaml"}
    assert all(one["line"] > 0 and one["column"] > 0 for one in answer["findings"])
    assert wrong_with("Checked", answer) == []


def test_a_trial_of_an_unusable_candidate_says_what_is_wrong_with_it(client: FlaskClient) -> None:
    changes = {"rules": {"nothing-more-to-hear": {"because": ""}}}
    answer = client.post(TRIALS, json={"base": "tumble-dryer", "changes": changes})
    assert answer.status_code == 422
    assert answer.content_type == "application/problem+json"
    document = answer.get_json()
    assert document["type"] == "/problems/unusable-rule-set"
    assert document["findings"][0]["about"] == "nothing-more-to-hear"
    assert wrong_with("Problem", document) == []


@pytest.mark.parametrize(
    ("path", "body", "media_type", "status", "kind"),
    [
        (CHECK, b"", "application/json", 400, "malformed-json"),
        (CHECK, b"{", "application/json", 400, "malformed-json"),
        (CHECK, b"id: x", "application/x-www-form-urlencoded", 415, "unsupported-media-type"),
        (CHECK, b"id: x", "text/plain", 415, "unsupported-media-type"),
        (CHECK, b"", "multipart/form-data", 422, "invalid-request"),
        (CHECK, b"nonsense", "multipart/form-data; boundary=x", 422, "invalid-request"),
        (CHECK, b'{"changes": {}}', "application/json", 422, "invalid-request"),
        (CHECK, b'{"base": "x", "changes": {}}', "application/json", 422, "invalid-request"),
        (
            CHECK,
            b'{"base": "tumble-dryer", "changes": []}',
            "application/merge-patch+json",
            422,
            "invalid-request",
        ),
        (
            CHECK,
            b'{"base": "tumble-dryer", "changes": {}}',
            "application/json-patch+json",
            422,
            "invalid-request",
        ),
        (TRIALS + "?detail=all", b"{}", "application/json", 422, "invalid-request"),
        (TRIALS + "?show=some", b"{}", "application/json", 422, "invalid-request"),
        (TRIALS + "?own_cases=1", b"{}", "application/json", 422, "invalid-request"),
        (TRIALS, b"{}", "application/json", 422, "unusable-rule-set"),
        (TRIALS, b"a: &a [*a]", "application/yaml", 422, "unusable-rule-set"),
    ],
)
def test_bad_requests(
    client: FlaskClient, path: str, body: bytes, media_type: str, status: int, kind: str
) -> None:
    answer = client.post(path, data=body, content_type=media_type)
    assert answer.status_code == status, answer.data
    document = answer.get_json()
    assert document["type"] == f"/problems/{kind}"
    assert wrong_with("Problem", document) == []


def test_a_form_with_an_unknown_field(client: FlaskClient) -> None:
    data = {"rules": "rules: []", "base": "tumble-dryer"}
    answer = client.post(CHECK, data=data, content_type="multipart/form-data")
    assert answer.status_code == 422
    assert answer.get_json()["errors"][0]["pointer"] == "/rules"


def test_a_body_that_is_too_large(client: FlaskClient) -> None:
    raw = b" " * (trials.MOST_SUBMITTED_BYTES + 1)
    for media_type in ("application/json", "application/yaml", "multipart/form-data; boundary=x"):
        answer = client.post(CHECK, data=raw, content_type=media_type)
        assert answer.status_code == 413
        assert answer.get_json()["type"] == "/problems/content-too-large"


def test_file_names_are_shown_as_names(client: FlaskClient) -> None:
    names = ["../../etc/x.yaml", "a\tb.yaml", "<b>.yaml", "c:\\d\\e.yaml", "x" * 500]
    data = {"files": [(io.BytesIO(b"["), name) for name in names]}
    answer = client.post(CHECK, data=data, content_type="multipart/form-data").get_json()
    shown = {one["file"] for one in answer["findings"]}
    assert {"x.yaml", "_b_.yaml"} <= shown
    assert all(len(name) <= 100 and "/" not in name and "\t" not in name for name in shown)


def test_work_that_takes_too_long_is_a_problem_and_the_service_goes_on() -> None:
    app = create_app(Settings(trial_seconds=1))
    client = app.test_client()
    answer = client.post(TRIALS, json={"base": "microwave-oven", "changes": {}})
    told = answer.status_code, answer.get_json()["type"]
    assert told in ((422, "/problems/rule-set-failed"), (503, "/problems/too-busy"))
    assert "more than 1 seconds" in answer.get_json()["detail"]
    assert client.get("/readyz").status_code == 200


def test_work_that_takes_too_much_memory_is_a_problem(app: Flask) -> None:
    client = app.test_client()
    many = b'{"base": "tumble-dryer", "changes": {"x": [' + b"[]," * 2_000_000 + b"[]]}}"
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(app.extensions, trials.limits_key, Limits(20, 400 * 2**20))
        answer = client.post(CHECK, data=many, content_type="application/json")
    assert answer.status_code == 422
    assert answer.get_json()["type"] == "/problems/rule-set-failed"


def test_a_candidate_that_the_machine_had_no_time_for_may_come_again(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sandbox, "_starved", lambda *_: True)
    monkeypatch.setitem(client.application.extensions, trials.limits_key, Limits(1, 2**31))
    answer = client.post(TRIALS, json={"base": "microwave-oven", "changes": {}})
    assert answer.status_code == 503
    assert answer.get_json()["type"] == "/problems/too-busy"
    assert int(answer.headers["Retry-After"]) > 0


def test_no_more_candidates_at_a_time_than_there_is_room_for(client: FlaskClient) -> None:
    held = [trials._admitted.acquire(blocking=False) for _ in range(trials.ADMITTED)]
    try:
        assert all(held)
        answer = client.post(CHECK, json=OVERLAY)
    finally:
        for _ in held:
            trials._admitted.release()
    assert answer.status_code == 429
    assert int(answer.headers["Retry-After"]) > 0
    assert answer.get_json()["type"] == "/problems/too-many-trials"
    assert client.post(CHECK, json=OVERLAY).status_code == 200


def test_nothing_is_stored(client: FlaskClient, tmp_path: Path) -> None:
    before = {path: path.read_bytes() for path in sorted(DRYER.rglob("*.yaml"))}
    listed = client.get("/v1/rule-sets").data
    described = client.get("/v1/rule-sets/tumble-dryer").data
    changes = {"title": "Another", "always": ["local-codes", "unplug-first"]}
    first = client.post(CHECK, json={"base": "tumble-dryer", "changes": changes}).get_json()
    assert first["usable"] is True
    again = client.post(CHECK, json={"base": "tumble-dryer", "changes": {}}).get_json()
    assert again["candidate"]["content_hash"] == json.loads(described)["content_hash"]
    assert again["candidate"]["content_hash"] != first["candidate"]["content_hash"]
    assert client.get("/v1/rule-sets").data == listed
    assert client.get("/v1/rule-sets/tumble-dryer").data == described
    assert {path: path.read_bytes() for path in sorted(DRYER.rglob("*.yaml"))} == before


def test_the_same_trial_gives_the_same_bytes(client: FlaskClient) -> None:
    assert client.post(TRIALS, json=OVERLAY).data == client.post(TRIALS, json=OVERLAY).data
