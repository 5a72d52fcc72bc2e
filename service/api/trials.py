"""POST /v1/rule-sets/check and /v1/trials: a rule set that is not installed, and stays so."""

from __future__ import annotations

import re
from pathlib import PurePosixPath
from threading import BoundedSemaphore
from typing import Any

from flask import Flask, Response, current_app, request

from service.api.body import let_in, read_large, require_media_type
from service.api.examples import OVERLAY, RULE_SET_TEXT
from service.api.installed import installed
from service.api.openapi import ServiceBlueprint
from service.api.query import Choice, choice
from service.api.responses import json_response
from service.api.trial_schemas import CheckedSchema, OverlaySchema, TrialSchema
from service.at_work import working
from service.candidates import Job
from service.problems import TOO_MANY_TRIALS, Problem, invalid_request, pointer
from service.running.leaving import client_is_there
from service.settings import Settings
from service.trials.sandbox import Limits, run_apart
from service.trials.submission import (
    BASE,
    BODY,
    MOST_SUBMITTED_BYTES,
    Part,
    Submission,
    refuse_early,
)

trials = ServiceBlueprint("trials", __name__, url_prefix="/v1")

JSON, YAML, FILES = "application/json", "application/yaml", "multipart/form-data"
# RFC 9512 registers the first of these; the others are what was sent before it.
_YAML = (YAML, "text/yaml", "application/x-yaml", "text/x-yaml")
_PATCHES: dict[str, type[dict[Any, Any]] | type[list[Any]]] = {
    "application/merge-patch+json": dict,
    "application/json-patch+json": list,
}
MEDIA_TYPES = (JSON, YAML, FILES, *_PATCHES, *_YAML[1:])

AT_A_TIME = 2
ADMITTED = 8  # of a worker's threads; the rest go on with assessments
limits_key = "ohmpath-trial-limits"
_working = BoundedSemaphore(AT_A_TIME)
_admitted = BoundedSemaphore(ADMITTED)

DETAIL = Choice("detail", ("brief", "full"), "full: the whole assessment of each case.")
SHOW = Choice(
    "show",
    ("all", "changed"),
    "changed: of the cases only those that differ, do not meet what is expected of them, or have a "
    "problem.",
)
OWN_CASES = Choice(
    "own_cases",
    ("if-none-sent", "yes", "no"),
    "Whether the installed rule set's own cases are tried as well.",
)
_TOLD = """\
A rule set is one document (YAML or JSON) of all sections, as the files of a folder strung together;
or those files, as a form's. Changes to an installed one are `{"base": ..., "changes": ...}`: a JSON
Merge Patch (RFC 7396) or a list of JSON Patch operations (RFC 6902), in which lists of things that
have an id are objects by id. With a form, `base` lends the files that were not sent.
"""
_BODY = {
    "description": _TOLD,
    "required": True,
    "content": {
        JSON: {"schema": OverlaySchema, "example": OVERLAY},
        YAML: {"schema": {"description": "The same as text."}, "example": RULE_SET_TEXT},
        FILES: {
            "schema": {
                "type": "object",
                "properties": {
                    BASE: {"type": "string"},
                    "files": {"type": "array", "items": {"type": "string", "format": "binary"}},
                },
            }
        },
        **{name: {"schema": OverlaySchema, "example": OVERLAY} for name in _PATCHES},
    },
}


def limit_trials(app: Flask, settings: Settings) -> None:
    """Give an app the limits within which it works on candidates."""
    app.extensions[limits_key] = Limits(settings.trial_seconds, settings.trial_mebibytes * 2**20)


def _documented(view: Any) -> Any:
    """The problems that both resources have."""
    for status, name in (
        (400, "BAD_REQUEST"),
        (413, "REQUEST_ENTITY_TOO_LARGE"),
        (415, "UNSUPPORTED_MEDIA_TYPE"),
        (422, "UNPROCESSABLE_ENTITY"),
        (429, "TOO_MANY_REQUESTS"),
        (500, "INTERNAL_SERVER_ERROR"),
        (503, "SERVICE_UNAVAILABLE"),
    ):
        view = trials.alt_response(status, name)(view)
    return view


@trials.route("/rule-sets/check", methods=["POST"])
@trials.response(200, CheckedSchema)
@_documented
@trials.doc(operationId="checkRuleSet", tags=["rule sets"], requestBody=_BODY)
def check_rule_set() -> Response:
    """Check a candidate rule set

    Whether it could be installed; if not, all that is wrong with it: file, line, what is wrong and
    what would be right. Nothing is stored.
    """
    return _answer(Job("check", _submission(), installed()))


@trials.route(
    "/trials", methods=["POST"], parameters=[one.parameter for one in (DETAIL, SHOW, OWN_CASES)]
)
@trials.response(200, TrialSchema)
@_documented
@trials.doc(operationId="tryRuleSet", tags=["rule sets"], requestBody=_BODY)
def try_rule_set() -> Response:
    """Try a candidate rule set on cases

    On those that were sent (`cases`: as in a batch, or as in a rule set's own case files), or else
    on the installed rule set's own. Each case is assessed by the candidate and by the installed
    rule set, and what differs is said. A precaution or a stop that is lost is an error, and errors
    come first. Nothing is stored.
    """
    own = {"yes": True, "no": False}.get(choice(request, OWN_CASES))
    full, changed = choice(request, DETAIL) == "full", choice(request, SHOW) == "changed"
    return _answer(Job("trial", _submission(), installed(), own, full, changed))


def _answer(job: Job) -> Response:
    with working():
        refuse_early(job.submission, job.catalogue)
    if not _admitted.acquire(blocking=False):
        detail = f"{ADMITTED} candidates are being worked on or waiting already."
        raise Problem(TOO_MANY_TRIALS, detail)
    try:
        with _working:
            limits = current_app.extensions[limits_key]
            answer = run_apart(
                "service.candidates", job, limits, wanted=client_is_there(request.environ)
            )
    finally:
        _admitted.release()
    return json_response(answer)


def _submission() -> Submission:
    """What was sent. Raises Problem."""
    kind = require_media_type(MEDIA_TYPES)
    detail = f"A candidate rule set may have {MOST_SUBMITTED_BYTES} bytes."
    if kind == FILES:
        let_in(request, MOST_SUBMITTED_BYTES, detail)
        return _files()
    raw = read_large(request, MOST_SUBMITTED_BYTES, detail)
    part = Part(BODY, raw, "yaml" if kind in _YAML else "json")
    return Submission((part,), patch=_PATCHES.get(kind))


def _files() -> Submission:
    """The files of a form, and the base that it names."""
    errors = [
        (
            pointer(name),
            "this field is not known here; send files (with a name each) and the field base",
        )
        for name in request.form
        if name != BASE
    ]
    parts = [
        Part(_shown_name(one.filename), one.read(), _form_of(one.filename))
        for _, one in request.files.items(multi=True)
    ]
    if not parts and not errors:
        errors = [("", "the form has no files")]
    if errors:
        raise invalid_request(errors)
    return Submission(tuple(parts), request.form.get(BASE))


def _form_of(name: str | None) -> Any:
    return "json" if (name or "").lower().endswith(".json") else "yaml"


def _shown_name(name: str | None) -> str:
    """The name of a file as findings may show it."""
    last = PurePosixPath((name or "").replace("\\", "/")).name
    return re.sub(r"[^\w .-]", "_", last)[:100] or "file"
