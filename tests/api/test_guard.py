"""Who is let in: every scope against every resource, and what those are told who are not."""

from __future__ import annotations

import json
import logging
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from flask import Flask, Response
from flask.testing import FlaskClient
from openapi_spec_validator import OpenAPIV31SpecValidator

from service.api.observing import path_of
from service.app import create_app
from service.guard import key_file as key_file_module
from service.guard.access import LONG, PATHS, SCOPES
from service.guard.keys import Key, KeysError, digest_of, new_token
from service.settings import Settings, SettingsError

A, B, R, O = "assess", "batch", "author", "operate"  # noqa: E741
NOBODY: set[str] = set()
# What each method and path opens to, said once more than in the code.
TABLE: dict[tuple[str, str], set[str] | None] = {
    ("GET", "/"): None,
    ("GET", "/docs/"): None,
    ("GET", "/docs"): None,
    ("GET", "/healthz"): None,
    ("GET", "/readyz"): None,
    ("GET", "/problems/key-needed"): None,
    ("GET", "/openapi.json"): None,
    ("GET", "/openapi.yaml"): None,
    ("POST", "/v1/assessments"): {A},
    ("POST", "/v1/assessments/batch"): {B},
    ("GET", "/v1/calculations"): {A},
    ("POST", "/v1/calculations/conformance"): {A},
    ("GET", "/v1/rule-sets"): {A, R},
    ("GET", "/v1/rule-sets/microwave-oven"): {A, R},
    ("GET", "/v1/rule-sets/microwave-oven/symptoms/no-heat/bring"): {A, R},
    ("GET", "/v1/rule-sets/microwave-oven/graph"): {A, R},
    ("POST", "/v1/rule-sets/check"): {R},
    ("POST", "/v1/trials"): {R},
    ("GET", "/v1/not-in-the-table"): NOBODY,
}
BY_HAND = "/metrics"  # not in every version, and looked at by its path
YESTERDAY = (datetime.now(UTC) - timedelta(days=1)).date()

TOKENS = {name: new_token(name) for name in (A, B, R, O, "all", "old", "slow")}


def a_key(name: str, *scopes: str, **more: Any) -> Key:
    return Key(name, frozenset(scopes), digest_of(TOKENS[name]), **more)


KEYS = [
    *(a_key(scope, scope) for scope in SCOPES),
    a_key("all", *SCOPES),
    a_key("old", *SCOPES, expires=YESTERDAY),
    a_key("slow", *SCOPES, rate=1, burst=2),
]


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "keys"
    path.write_text("".join(f"{key.line}\n" for key in KEYS))
    path.chmod(0o600)
    return path


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Flask:
    path = tmp_path_factory.mktemp("guard") / "keys"
    path.write_text("".join(f"{key.line}\n" for key in KEYS))
    path.chmod(0o600)
    app = create_app(Settings(keys=path, rate=10_000, burst=10_000, at_a_time=2))
    app.add_url_rule("/v1/not-in-the-table", "later", lambda: Response("later"))
    return app


@pytest.fixture
def door(guarded: Flask) -> FlaskClient:
    return guarded.test_client()


def bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


def problem(response: Any, status: int, name: str) -> dict[str, Any]:
    assert response.status_code == status, response.data[:300]
    assert response.content_type == "application/problem+json"
    document: dict[str, Any] = response.get_json()
    assert document["type"] == f"/problems/{name}"
    return document


def test_every_resource_is_in_the_table(app: Flask, guarded: Flask) -> None:
    served = {
        (method, path_of(rule.rule))
        for rule in app.url_map.iter_rules()
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
    }
    for _, path in served:
        assert path in PATHS or path.startswith("/docs/"), (
            f"{path} is closed to every key: say in service/guard/access.py who may have it"
        )
    tried = set()
    for method, path in TABLE:
        rule, _ = guarded.url_map.bind("").match(path, method, return_rule=True)
        tried.add((method, path_of(rule.rule)))
    untried = {one for one in served - tried if not one[1].startswith(("/docs", BY_HAND))}
    assert not untried, "no scope has been tried on these"
    assert PATHS.keys() >= LONG


@pytest.mark.parametrize("name", [*SCOPES, "all", "nobody", "none"])
@pytest.mark.parametrize(("method", "path"), TABLE)
def test_scopes(door: FlaskClient, name: str, method: str, path: str) -> None:
    opens = TABLE[method, path]
    headers = {} if name == "none" else bearer(TOKENS.get(name, new_token("nobody")))
    response = door.open(path, method=method, headers=headers)
    if opens is None:
        assert response.status_code == (302 if path.endswith("/") else 200)
    elif name in ("none", "nobody"):
        problem(response, 401, "key-needed")
        error = "" if name == "none" else ', error="invalid_token"'
        assert response.headers["WWW-Authenticate"] == f'Bearer realm="ohmpath"{error}'
    elif not opens & (set(SCOPES) if name == "all" else {name}):
        document = problem(response, 403, "insufficient-scope")
        scope = f', scope="{" ".join(sorted(opens))}"' if opens else ""
        challenge = f'Bearer realm="ohmpath", error="insufficient_scope"{scope}'
        assert response.headers["WWW-Authenticate"] == challenge
        assert repr(name) in document["detail"] or not opens
    else:
        # Past the guard: what is wrong now is that nothing was sent.
        assert response.status_code in (200, 415, 422), response.data[:300]


@pytest.mark.parametrize("method", ["HEAD", "OPTIONS"])
def test_other_methods_are_guarded_alike(door: FlaskClient, method: str) -> None:
    assert door.open("/v1/rule-sets", method=method).status_code == 401
    response = door.open("/v1/rule-sets", method=method, headers=bearer(TOKENS[A]))
    assert response.status_code == 200
    assert door.open("/healthz", method=method).status_code == 200


def test_metrics_are_for_operators() -> None:
    assert PATHS["/metrics"] == (O,)


@pytest.mark.parametrize(
    "value",
    [
        "",
        "Bearer",
        "Bearer ",
        "bearer x",
        f"Basic {TOKENS[A]}",
        f"Token {TOKENS[A]}",
        TOKENS[A],
        f"Bearer {TOKENS[A]} {TOKENS[A]}",
        f"Bearer {TOKENS[A]},Bearer {TOKENS[A]}",
        f"Bearer {TOKENS['old']}",
        "Bearer ÿþ",
        "Bearer " + "x" * 7000,
    ],
    ids=range(12),  # tokens are drawn, and names of tests are to be the same in each process
)
def test_what_is_no_good_token(door: FlaskClient, value: str) -> None:
    response = door.get("/v1/rule-sets", headers={"Authorization": value})
    document = problem(response, 401, "key-needed")
    assert 'error="invalid_token"' in response.headers["WWW-Authenticate"]
    assert ("expired" in document["detail"]) == (TOKENS["old"] in value)
    assert "x" * 20 not in response.text


@pytest.mark.parametrize("scheme", ["Bearer", "bearer", "BEARER", "Bearer  "])
def test_scheme_in_any_letters(door: FlaskClient, scheme: str) -> None:
    headers = {"Authorization": f"{scheme} {TOKENS[A]}"}
    assert door.get("/v1/rule-sets", headers=headers).status_code == 200


def test_token_in_the_address_is_refused_and_not_taken(door: FlaskClient) -> None:
    for headers in ({}, bearer(TOKENS[A])):
        response = door.get(f"/v1/rule-sets?access_token={TOKENS[A]}", headers=headers)
        problem(response, 400, "bad-request")
        assert 'error="invalid_request"' in response.headers["WWW-Authenticate"]
        assert TOKENS[A] not in response.text


def test_key_taken_back_opens_nothing_and_a_new_one_does(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(key_file_module, "LOOK_EVERY", 0.0)
    client = create_app(Settings(keys=file)).test_client()
    late = new_token("late")
    assert client.get("/v1/calculations", headers=bearer(TOKENS[A])).status_code == 200
    assert client.get("/v1/calculations", headers=bearer(late)).status_code == 401
    file.write_text(Key("late", frozenset({A}), digest_of(late)).line)
    problem(client.get("/v1/calculations", headers=bearer(TOKENS[A])), 401, "key-needed")
    assert client.get("/v1/calculations", headers=bearer(late)).status_code == 200
    # The same name with another token is another key.
    file.write_text(Key(A, frozenset({A}), digest_of(new_token(A))).line)
    assert client.get("/v1/calculations", headers=bearer(TOKENS[A])).status_code == 401


def test_keys_that_cannot_be_used_make_no_app(file: Path) -> None:
    file.write_text("desk assess\n")
    with pytest.raises(KeysError, match=f"{file}:1: "):
        create_app(Settings(keys=file))


# -- how often ------------------------------------------------------------------------------------


def test_too_many_requests_of_one_key_are_told_when_to_come_back(file: Path) -> None:
    client = create_app(Settings(keys=file, rate=1, burst=3)).test_client()
    for name, burst in ((A, 3), ("slow", 2)):
        answers = [
            client.get("/v1/calculations", headers=bearer(TOKENS[name])) for _ in range(burst + 2)
        ]
        assert [one.status_code for one in answers] == [200] * burst + [429] * 2
        document = problem(answers[-1], 429, "too-many-requests")
        assert f"1 requests a second, {burst} of them at once" in document["detail"]
        assert answers[-1].headers["Retry-After"] == "1"
    # Neither others nor those who have no key at all are the worse for it.
    assert client.get("/v1/calculations", headers=bearer(TOKENS["all"])).status_code == 200
    for _ in range(20):
        assert client.get("/v1/calculations", headers=bearer(new_token(B))).status_code == 401
    assert client.get("/v1/rule-sets", headers=bearer(TOKENS[B])).status_code == 403


def test_few_long_requests_of_one_key_at_a_time(door: FlaskClient) -> None:
    def batch(token: str) -> Any:
        headers = {**bearer(token), "Content-Type": "application/x-ndjson"}
        return door.post("/v1/assessments/batch", data=b"1\n2\n", headers=headers)

    under_way = [batch(TOKENS[B]), batch(TOKENS[B])]
    assert [one.status_code for one in under_way] == [200, 200]
    refused = batch(TOKENS[B])
    document = problem(refused, 429, "too-many-requests")
    assert "2 long requests" in document["detail"]
    assert refused.headers["Retry-After"] == "10"
    other = batch(TOKENS["all"])
    assert other.status_code == 200
    other.close()
    under_way[0].close()
    again = batch(TOKENS[B])
    assert again.status_code == 200
    for one in (under_way[1], again):
        one.close()
    # What is refused further in has no place either once it is answered, nor has a HEAD.
    for _ in range(5):
        wrong = door.post("/v1/trials", headers=bearer(TOKENS[R]))
        assert wrong.status_code == 415
        wrong.close()
        head = door.head("/v1/rule-sets/microwave-oven/graph", headers=bearer(TOKENS[R]))
        assert head.status_code == 422
        head.close()


# -- without keys ---------------------------------------------------------------------------------


class Connection:
    """A socket, of which only its own address counts."""

    def __init__(self, address: Any) -> None:
        self.address = address

    def getsockname(self) -> Any:
        if self.address is None:
            raise OSError
        return self.address


@pytest.mark.parametrize(
    ("address", "here"),
    [
        (("127.0.0.1", 8080), True),
        (("::1", 8080, 0, 0), True),
        ("/run/ohmpath.sock", True),
        (("192.0.2.7", 8080), False),
        (("2001:db8::1", 8080, 0, 0), False),
        (None, False),
    ],
)
def test_without_keys_only_this_machine_calls_however_the_server_was_started(
    client: FlaskClient, address: Any, here: bool
) -> None:
    environ = {"gunicorn.socket": Connection(address)}
    response = client.get("/v1/calculations", environ_overrides=environ)
    if here:
        assert response.status_code == 200
    else:
        assert "No keys are set up" in problem(response, 401, "key-needed")["detail"]
    assert client.get("/healthz", environ_overrides=environ).status_code == 200
    to_all = create_app(Settings(open=True)).test_client()
    assert to_all.get("/v1/calculations", environ_overrides=environ).status_code == 200


def test_another_server_is_known_by_its_name(client: FlaskClient) -> None:
    for name, status in (("127.0.0.1", 200), ("0.0.0.0", 401), ("", 401)):
        answer = client.get("/v1/calculations", environ_overrides={"SERVER_NAME": name})
        assert answer.status_code == status


@pytest.mark.parametrize(
    "environment",
    [
        {"OHMPATH_OPEN": "1"},
        {"OHMPATH_OPEN": "yes", "OHMPATH_KEYS": "keys"},
        {"OHMPATH_AT_A_TIME": "65"},
        {"OHMPATH_RATE": "0"},
        {"OHMPATH_BURST": "many"},
        {"OHMPATH_CASE_SECONDS": "-1"},
    ],
)
def test_settings_that_cannot_be_meant(environment: dict[str, str]) -> None:
    with pytest.raises(SettingsError, match=next(iter(environment))):
        Settings.from_environment(environment)


# -- what answers have besides --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("method", "path", "stored"),
    [
        ("POST", "/v1/assessments", "no-store"),
        ("GET", "/v1/rule-sets", "no-cache"),
        ("GET", "/v1/rule-sets/microwave-oven/graph?symptom=lamp-out", "no-cache"),
        ("GET", "/openapi.json", "no-cache"),
        ("GET", "/healthz", "no-store"),
        ("GET", "/nothing", "no-store"),
        ("PUT", "/healthz", "no-store"),
        ("OPTIONS", "/v1/assessments", "no-store"),
        ("POST", "/v1/trials", "no-store"),
    ],
)
def test_answers_keep_to_themselves(
    client: FlaskClient, door: FlaskClient, case: Any, method: str, path: str, stored: str
) -> None:
    for one in (client, door):
        answer = one.open(path, method=method, json=case if "assess" in path else None)
        headers = answer.headers
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Referrer-Policy"] == "no-referrer"
        assert headers["X-Frame-Options"] == "DENY"
        assert headers["Content-Security-Policy"].startswith("default-src 'none'; ")
        refused = answer.status_code == 401
        assert headers["Cache-Control"] == ("no-store" if refused else stored)
        assert len({name.lower() for name, _ in headers}) == len(list(headers)), "twice"
        assert not [name for name, _ in headers if name.startswith("Access-Control")]
        assert "Strict-Transport-Security" not in headers


def test_pages_may_load_their_own_files(guarded: Flask) -> None:
    app = create_app(Settings())
    app.add_url_rule("/docs/later", "later", lambda: Response("<p>", content_type="text/html"))
    policy = app.test_client().get("/docs/later").headers["Content-Security-Policy"]
    assert "script-src 'self'" in policy
    assert "frame-ancestors 'none'" in policy


# -- what is said of it ---------------------------------------------------------------------------


def test_document_says_who_may_call(door: FlaskClient, client: FlaskClient) -> None:
    guarded, unguarded = (one.get("/openapi.json").get_json() for one in (door, client))
    for document, otherwise in ((guarded, []), (unguarded, [{}])):
        OpenAPIV31SpecValidator(document).validate()
        scheme = document["components"]["securitySchemes"]["key"]
        assert (scheme["type"], scheme["scheme"]) == ("http", "bearer")
        for path, item in document["paths"].items():
            for operation in item.values():
                if not isinstance(operation, dict):
                    continue
                scopes = PATHS[path]
                wanted = [{"key": [scope]} for scope in scopes] + otherwise
                assert operation.get("security", []) == (wanted if scopes else [])
                refusals = {"401", "403", "429"} & operation["responses"].keys()
                assert refusals == ({"401", "403", "429"} if scopes else set())


def test_no_token_is_logged_or_repeated(
    door: FlaskClient, case: Any, caplog: pytest.LogCaptureFixture
) -> None:
    wrong = new_token("nobody")
    with caplog.at_level(logging.DEBUG):
        for token in (TOKENS[A], TOKENS["old"], wrong):
            answers = [
                door.get("/v1/rule-sets", headers=bearer(token)),
                door.get(f"/v1/trials?access_token={token}"),
                door.post("/v1/trials", headers=bearer(token)),
                door.post(f"/v1/trials?access_token={token}", headers=bearer(token)),
                door.post("/v1/assessments", json=case, headers=bearer(token)),
                door.get("/v1/rule-sets", headers={"Authorization": f"Basic {token}"}),
            ]
            for answer in answers:
                assert token not in answer.text + str(answer.headers)
    for token in (TOKENS[A], TOKENS["old"], wrong):
        assert token[-43:] not in caplog.text


def test_too_many_cases_in_one_array(client: FlaskClient) -> None:
    body = json.dumps([0] * 100_001).encode()
    answer = client.post("/v1/assessments/batch", data=body, content_type="application/json")
    assert "application/x-ndjson" in problem(answer, 413, "content-too-large")["detail"]
