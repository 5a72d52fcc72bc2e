"""GET /v1/rule-sets/{id}/graph: the right form, and a plain word about what is wrong."""

from __future__ import annotations

from xml.etree import ElementTree as ET

import pytest
from flask.testing import FlaskClient

PATH = "/v1/rule-sets/microwave-oven/graph"
DRAWN = f"{PATH}?symptom=lamp-out"
SVG, MERMAID, PLAIN = "image/svg+xml", "text/vnd.mermaid", "text/plain"
DOT = "text/vnd.graphviz"


@pytest.mark.parametrize(
    ("accept", "form"),
    [
        (None, SVG),
        ("*/*", SVG),
        ("image/*", SVG),
        ("text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8", SVG),
        (f"{MERMAID}, {SVG}", SVG),
        (f"{MERMAID}, {SVG};q=0.9", MERMAID),
        (MERMAID, MERMAID),
        (PLAIN, PLAIN),
        (DOT, DOT),
        (f"{PLAIN};q=0.2, {MERMAID};q=0.3, {SVG};q=0", MERMAID),
    ],
)
def test_accept_chooses_the_form(client: FlaskClient, accept: str | None, form: str) -> None:
    response = client.get(DRAWN, headers={"Accept": accept} if accept else {})
    assert response.status_code == 200
    assert response.mimetype == form
    assert response.headers["Vary"] == "Accept"
    assert "default-src 'none'" in response.headers["Content-Security-Policy"]
    if form == SVG:
        assert ET.fromstring(response.data).tag == "{http://www.w3.org/2000/svg}svg"
    else:
        assert response.content_type == f"{form}; charset=utf-8"
        assert response.text.startswith("// Rule set" if form == DOT else "flowchart TB\n")


def test_plain_text_is_the_same_text(client: FlaskClient) -> None:
    texts = {client.get(DRAWN, headers={"Accept": form}).data for form in (MERMAID, PLAIN)}
    assert len(texts) == 1


@pytest.mark.parametrize("accept", ["application/json", "image/png", f"{SVG};q=0"])
def test_other_forms_are_not_acceptable(client: FlaskClient, accept: str) -> None:
    response = client.get(DRAWN, headers={"Accept": accept})
    assert response.status_code == 406
    assert response.content_type == "application/problem+json"
    assert MERMAID in response.get_json()["detail"]


def test_forms_have_tags_of_their_own(client: FlaskClient) -> None:
    tags = {client.get(DRAWN, headers={"Accept": form}).headers["ETag"] for form in (SVG, MERMAID)}
    assert len(tags) == 2
    for tag in tags:
        again = [
            client.get(DRAWN, headers={"Accept": form, "If-None-Match": tag}).status_code
            for form in (SVG, MERMAID)
        ]
        assert sorted(again) == [200, 304]


def test_a_smaller_probability_draws_more(client: FlaskClient) -> None:
    few, usual = (client.get(DRAWN + more).data for more in ("&least_probability=0.5", ""))
    assert len(few) < len(usual)
    for same in ("&least_probability=0.05", "&least_probability=5e-2", "&anything=else"):
        assert client.get(DRAWN + same).data == usual


@pytest.mark.parametrize(
    ("query", "told"),
    [
        ("", "parameter symptom is missing; known symptoms: no-operation, no-heat"),
        ("?symptom=", "unknown symptom ''; known symptoms: arcing"),
        ("?symptom=no-hear", "did you mean 'no-heat'?"),
        ("?symptom=" + "x" * 1000, "unknown symptom 'xxx"),
        ("?symptom=no-heat&least_probability=", 'from 0.005 to 0.5, not ""'),
        ("?symptom=no-heat&least_probability=little", 'not "little"'),
        ("?symptom=no-heat&least_probability=0.004", 'not "0.004"'),
        ("?symptom=no-heat&least_probability=0.51", 'not "0.51"'),
        ("?symptom=no-heat&least_probability=-0.1", 'not "-0.1"'),
        ("?symptom=no-heat&least_probability=nan", 'not "nan"'),
        ("?symptom=no-heat&least_probability=0_1", 'not "0_1"'),
        ("?symptom=no-heat&least_probability=%D9%A0.%D9%A1", "must be a number"),
        ("?symptom=no-heat&least_probability=" + "9" * 1000, "must be a number"),
    ],
)
def test_what_is_wrong_is_said(client: FlaskClient, query: str, told: str) -> None:
    response = client.get(PATH + query)
    assert response.status_code == 422
    assert response.content_type == "application/problem+json"
    problem = response.get_json()
    assert problem["type"] == "/problems/invalid-request"
    assert told in problem["detail"]
    assert len(problem["detail"]) < 500
    assert [one["pointer"] for one in problem["errors"]] == [""]


def test_the_rule_set_must_be_installed(client: FlaskClient) -> None:
    response = client.get("/v1/rule-sets/steam-engine/graph?symptom=no-heat")
    assert response.status_code == 404
    assert "installed: microwave-oven" in response.get_json()["detail"]
