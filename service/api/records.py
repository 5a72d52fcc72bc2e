"""The service record of an assessment: what Accept and Accept-Language ask for."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from threading import BoundedSemaphore
from typing import Any

from babel.core import negotiate_locale
from flask import Request, Response

from service.api.answers import Answered, counted, worked_out
from service.api.guarding import takes_long
from service.api.responses import accepted
from service.printing import printed
from service.problems import BAD_REQUEST, TOO_MANY_RECORDS, Problem, invalid_request
from service.record.page import page, policy
from service.record.pdf import available
from service.record.sheet import sheet
from service.record.written import language, languages
from service.ruleset.catalogue import Catalogue
from service.running.leaving import client_is_there

JSON, HTML, PDF = "application/json", "text/html", "application/pdf"
_ALL = ("*/*", JSON, "application/*")

MOST_PRINTED = 120
"""Readings of a PDF; a page may have as many as a case."""

# Of a worker's threads so many may wait for PDFs, of which one is made at a time.
_WAITING = BoundedSemaphore(4)
_PRINTING = BoundedSemaphore(1)
_ASK_EVERY = 0.25  # s, whether the client is still there

ACCEPT_LANGUAGE = {
    "in": "header",
    "name": "Accept-Language",
    "required": False,
    "schema": {"type": "string"},
    "example": "de, en;q=0.5",
    "description": "The language of a record (HTML or PDF), where there is a catalogue for it. "
    "What that lacks is in English and marked as such. JSON is always in English.",
}
CONTENT = {
    HTML: {"schema": {"type": "string", "description": "A service record on one page, to print."}},
    PDF: {
        # Not without a type, as OpenAPI 3.1 would have it (4.8.14.2): to some generators of clients
        # the whole answer would then be of no known type.
        "schema": {
            "type": "string",
            "format": "binary",
            "description": "The same as PDF/UA-1, where the service can make it; of a case with at "
            f"most {MOST_PRINTED} readings.",
        },
    },
}


def form_of(asked: Request) -> str:
    """The media type in which a client wants an assessment. Raises Problem."""
    sent = asked.environ.get("HTTP_ACCEPT")
    if sent is None or sent in _ALL:  # as nearly all do: no need to take it apart
        return JSON
    media_types = (JSON, HTML, PDF) if available() else (JSON, HTML)
    return accepted(media_types, JSON)


def record(
    catalogue: Catalogue, raw: bytes, asked: Request, form: str
) -> tuple[Answered, Response]:
    """What is counted of an assessment, and its record as HTML or PDF. Raises Problem."""
    if form == PDF:
        takes_long()
    case, answer = worked_out(catalogue, raw)
    if form == PDF:
        _require_printable(case)
    found = Answered(b"", *counted(answer))
    source = catalogue.source(found.rule_set)
    chosen = language(_language_of(asked, languages(source.folder)), source.folder)
    body = page(sheet(source.rule_set, case, answer, chosen), chosen)
    if form == PDF:
        body = _printed(body, client_is_there(asked.environ))
    response = Response(body, content_type=PDF if form == PDF else f"{HTML}; charset=utf-8")
    response.headers["Content-Language"] = chosen.code
    response.headers["Content-Security-Policy"] = policy()
    response.vary.update(("Accept", "Accept-Language"))
    return found, response


def _language_of(asked: Request, known: Sequence[str]) -> str:
    """The first of the wanted languages that is known, whatever its region; else the first known.

    By RFC 4647 section 3.4, for which the web framework would rather take one of less weight.
    """
    wanted = [tag for tag, weight in asked.accept_languages if weight > 0]
    found = negotiate_locale(wanted, known, sep="-") or ""
    return {one.lower(): one for one in known}.get(found.lower(), known[0])


def _require_printable(case: Mapping[str, Any]) -> None:
    count = len(case.get("readings") or ())
    if count > MOST_PRINTED:
        message = (
            f"a PDF has room for {MOST_PRINTED} readings, not {count}: ask for {HTML}, which takes "
            "them all and can be printed"
        )
        raise invalid_request([("/readings", message)])


def _printed(html: bytes, wanted: Callable[[], bool]) -> bytes:
    if not _WAITING.acquire(blocking=False):
        raise Problem(TOO_MANY_RECORDS, "Several PDFs are being made already; try again.")
    try:
        while not _PRINTING.acquire(timeout=_ASK_EVERY):
            if not wanted():
                raise Problem(BAD_REQUEST, "Nobody waits for the record any more.")
        try:
            return printed(html, wanted)
        finally:
            _PRINTING.release()
    finally:
        _WAITING.release()
