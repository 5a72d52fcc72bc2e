"""POST /v1/assessments with Accept: text/html and application/pdf."""

from __future__ import annotations

import base64
import hashlib
import re
import zlib
from typing import Any

import pytest
from flask.testing import FlaskClient

from service.api import records
from service.app import create_app
from service.record import pdf
from service.settings import Settings
from tests.record.sheets import CASES, NO_HEAT
from tests.wanted import want


@pytest.fixture(scope="module")
def client() -> FlaskClient:
    return create_app(Settings()).test_client()


def post(client: FlaskClient, case: Any = NO_HEAT, **headers: str) -> Any:
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return client.post("/v1/assessments", json=case, headers=named)


@pytest.mark.parametrize(
    ("accept", "kind"),
    [
        (None, "application/json"),
        ("*/*", "application/json"),
        ("application/*", "application/json"),
        ("application/json, text/plain, */*", "application/json"),
        ("text/html", "text/html"),
        ("text/html, application/json;q=0.5", "text/html"),
        ("text/*;q=0.1, application/json", "application/json"),
        ("image/png", "application/problem+json"),
        ("nonsense", "application/problem+json"),
        (";;;,,,q=", "application/json"),
    ],
)
def test_form_is_what_accept_asks_for(client: FlaskClient, accept: str | None, kind: str) -> None:
    answer = post(client) if accept is None else post(client, Accept=accept)
    if accept == ";;;,,,q=":
        assert answer.status_code in (200, 406)
        return
    assert answer.mimetype == kind
    assert answer.status_code == (406 if "problem" in kind else 200)


@pytest.mark.parametrize(
    ("wanted", "given"),
    [
        ("de", "de"),
        ("de-CH, en;q=0.5", "de"),
        ("fr, de;q=0.3", "de"),
        ("fr", "en"),
        ("", "en"),
        ("*", "en"),
        ("en-GB", "en"),
        ("../../etc, de;q=x", "en"),
    ],
)
def test_language_is_what_accept_language_asks_for(
    client: FlaskClient, wanted: str, given: str
) -> None:
    answer = post(client, Accept="text/html", Accept_Language=wanted)
    assert answer.status_code == 200
    assert answer.headers["Content-Language"] == given
    assert f'<html lang="{given}">' in answer.text
    assert {"Accept", "Accept-Language"} <= set(answer.vary)


def test_page_may_load_and_run_nothing(client: FlaskClient) -> None:
    answer = post(client, Accept="text/html")
    style = re.findall("<style>(.*?)</style>", answer.text, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(style[0].encode()).digest()).decode()
    policy = answer.headers["Content-Security-Policy"]
    assert policy == f"default-src 'none'; style-src 'sha256-{digest}'; frame-ancestors 'none'"
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Cache-Control"] == "no-store"


def test_a_bad_case_is_a_problem_whatever_is_asked_for(client: FlaskClient) -> None:
    answer = post(
        client, {"equipment": "microwave-oven", "symptom": "no-heat", "x": 1}, Accept="text/html"
    )
    assert answer.status_code == 422
    assert answer.get_json()["errors"][0]["pointer"] == "/x"


def test_json_is_the_same_whatever_language_is_asked_for(client: FlaskClient) -> None:
    assert post(client, Accept_Language="de").data == post(client).data


def unpacked(raw: bytes) -> bytes:
    """A PDF with its streams unpacked (ISO 32000-1 section 7.3.8)."""
    streams = re.findall(rb"stream\r?\n(.*?)endstream", raw, re.DOTALL)
    packed = [one for one in streams if one[:1] == b"\x78"]
    return raw + b"".join(zlib.decompressobj().decompress(one) for one in packed)


def needs_pdf() -> None:
    lacking = "Pango is not installed (apt-get install libpango-1.0-0 libpangoft2-1.0-0)"
    want(pdf.available(), lacking)


@pytest.mark.parametrize("name", CASES)
def test_pdf_is_made_the_same_each_time(client: FlaskClient, name: str) -> None:
    needs_pdf()
    answer = post(client, CASES[name], Accept="application/pdf", Accept_Language="de")
    assert answer.status_code == 200
    assert answer.mimetype == "application/pdf"
    assert answer.data[:5] == b"%PDF-"
    assert b"pdfuaid" in unpacked(answer.data), "its metadata are to say that it is PDF/UA"
    again = post(client, CASES[name], Accept="application/pdf", Accept_Language="de")
    assert answer.data == again.data


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("name", sorted(CASES.keys() - {"released"}))
def test_a_visit_of_a_few_readings_is_one_page(
    client: FlaskClient, name: str, language: str
) -> None:
    needs_pdf()
    from weasyprint import HTML

    page = post(client, CASES[name], Accept="text/html", Accept_Language=language).text
    assert len(HTML(string=page).render().pages) == 1


def test_pdfs_wait_for_one_another_and_not_for_ever(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    needs_pdf()
    places = 0
    while records._WAITING.acquire(blocking=False):
        places += 1
    try:
        answer = post(client, Accept="application/pdf")
        assert answer.status_code == 429
        assert answer.get_json()["type"] == "/problems/too-many-records"
        assert int(answer.headers["Retry-After"]) >= 1
        assert post(client, Accept="text/html").status_code == 200
    finally:
        for _ in range(places):
            records._WAITING.release()
    assert places > 1


def test_without_the_library_a_pdf_is_not_acceptable(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(records, "available", lambda: False)
    answer = post(client, Accept="application/pdf")
    assert answer.status_code == 406
    assert "text/html" in answer.get_json()["detail"]
    assert "pdf" not in answer.get_json()["detail"]


def test_nothing_is_fetched_for_a_pdf() -> None:
    needs_pdf()
    with pytest.raises(ValueError, match="not fetched"):
        pdf._nothing("file:///etc/hostname")
