"""POST /v1/assessments with Accept: text/html and application/pdf."""

from __future__ import annotations

import base64
import hashlib
import itertools
import os
import re
import socket
import threading
import time
import zlib
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from service import printing
from service.api import records
from service.api.request_schemas import MOST_READINGS
from service.app import create_app
from service.guard.keys import digest_of, new_token
from service.record import pdf
from service.settings import Settings
from service.trials.sandbox import Limits
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


def of_readings(count: int, note: str = "") -> dict[str, Any]:
    """A case with so many readings."""
    some = itertools.cycle(NO_HEAT["readings"])
    return {**NO_HEAT, "readings": [{**next(some), "note": note} for _ in range(count)]}


@pytest.fixture
def not_printed(monkeypatch: pytest.MonkeyPatch) -> list[bytes]:
    """The pages of which no PDF was made."""
    pages: list[bytes] = []

    def seen(html: bytes, wanted: Any) -> bytes:
        pages.append(html)
        return b"%PDF-"

    monkeypatch.setattr(records, "available", lambda: True)
    monkeypatch.setattr(records, "printed", seen)
    return pages


@pytest.mark.parametrize("count", [records.MOST_PRINTED + 1, MOST_READINGS])
def test_a_pdf_has_room_for_so_many_readings(
    client: FlaskClient, not_printed: list[bytes], count: int
) -> None:
    answer = post(client, of_readings(count), Accept="application/pdf")
    assert answer.status_code == 422
    (error,) = answer.get_json()["errors"]
    assert error["pointer"] == "/readings"
    assert f"room for {records.MOST_PRINTED} readings, not {count}" in error["message"]
    assert "text/html" in error["message"]
    assert not_printed == []
    assert post(client, of_readings(count), Accept="text/html").status_code == 200
    most = of_readings(records.MOST_PRINTED)
    assert post(client, most, Accept="application/pdf").status_code == 200


@pytest.mark.parametrize(
    ("count", "note", "is_long"),
    [(4, "", False), (4, "x" * 500, False), (12, "x" * 500, True), (50, "", True)],
)
def test_columns_of_a_long_table_are_not_fitted_to_what_they_hold(
    client: FlaskClient, count: int, note: str, is_long: bool
) -> None:
    """Which the library for PDFs does anew for each page."""
    page = post(client, of_readings(count, note), Accept="text/html").text
    assert page.count('<table class="long">') == is_long
    assert ".long { table-layout: fixed; }" in page


@pytest.mark.long
@pytest.mark.parametrize("note", ["x" * 500, "漢😀" * 250])
def test_the_longest_pdf_keeps_within_its_limits(client: FlaskClient, note: str) -> None:
    """With the notes that take the most time: no place to break a line, and other fonts."""
    needs_pdf()
    answer = post(client, of_readings(records.MOST_PRINTED, note), Accept="application/pdf")
    assert answer.status_code == 200, answer.data[:500]


@pytest.mark.parametrize("limits", [Limits(1, 2**30), Limits(20, 2**27)], ids=["time", "memory"])
def test_a_pdf_beyond_its_limits_is_a_problem_of_the_record(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch, limits: Limits
) -> None:
    needs_pdf()
    with monkeypatch.context() as limited:
        limited.setattr(printing, "LIMITS", limits)
        answer = post(
            client, of_readings(records.MOST_PRINTED, "a note " * 70), Accept="application/pdf"
        )
    found = answer.get_json()
    assert (answer.status_code, found["type"]) in (
        (422, "/problems/record-failed"),
        (429, "/problems/too-many-records"),  # where others have the processors
    )
    assert found["detail"].startswith("Work on the record was ended: it ")
    assert post(client, Accept="application/pdf").status_code == 200


def test_a_pdf_counts_as_work_that_takes_long(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    token = new_token("desk")
    keys = tmp_path / "keys"
    keys.write_text(f"desk assess sha256:{digest_of(token).hex()}\n")
    client = create_app(Settings(keys=keys, at_a_time=1)).test_client()
    bearer = {"Authorization": f"Bearer {token}"}
    meanwhile: list[Any] = []

    def while_printed(html: bytes, wanted: Any) -> bytes:
        if not meanwhile:
            for accept in ("application/pdf", "text/html", "application/json"):
                meanwhile.append(post(client, Accept=accept, **bearer))
        return b"%PDF-"

    monkeypatch.setattr(records, "available", lambda: True)
    monkeypatch.setattr(records, "printed", while_printed)
    assert post(client, Accept="application/pdf", **bearer).status_code == 200
    assert [one.status_code for one in meanwhile] == [429, 200, 200]
    assert meanwhile[0].get_json()["type"] == "/problems/too-many-requests"
    assert int(meanwhile[0].headers["Retry-After"]) >= 1
    # The place is given back, whatever the answer was.
    too_many = of_readings(records.MOST_PRINTED + 1)
    assert post(client, too_many, Accept="application/pdf", **bearer).status_code == 422
    assert post(client, {}, Accept="application/pdf", **bearer).status_code == 422
    assert post(client, Accept="application/pdf", **bearer).status_code == 200


@pytest.mark.parametrize("waiting", [False, True], ids=["is made", "waits"])
def test_a_client_that_leaves_ends_its_pdf(client: FlaskClient, waiting: bool) -> None:
    needs_pdf()
    with (
        socket.create_server(("127.0.0.1", 0)) as door,
        socket.create_connection(door.getsockname()) as theirs,
        door.accept()[0] as ours,
    ):
        threading.Timer(0.3, theirs.close).start()
        if waiting:
            records._PRINTING.acquire()
        began = time.monotonic()
        try:
            answer = client.post(
                "/v1/assessments",
                json=of_readings(records.MOST_PRINTED, "a note " * 70),
                headers={"Accept": "application/pdf"},
                environ_overrides={"gunicorn.socket": ours},
            )
        finally:
            if waiting:
                records._PRINTING.release()
        assert answer.status_code == 400
        assert "waits for the record" in answer.get_json()["detail"]
        assert time.monotonic() - began < 2.5  # to make it takes longer
    children = Path(f"/proc/self/task/{os.getpid()}/children").read_text().split()
    assert not [one for one in children if b"service.printing" in command_of(one)]


def command_of(pid: str) -> bytes:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return b""
