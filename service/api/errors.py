"""From whatever goes wrong in Flask to the one form of problem."""

from __future__ import annotations

import logging
from urllib.parse import quote

import marshmallow as ma
from flask import Response, current_app, g, request
from werkzeug.exceptions import HTTPException, MethodNotAllowed, NotFound, RequestEntityTooLarge

from service.api.body import body_limit
from service.api.fields import AnswerSchema
from service.api.observing import failed
from service.api.request_schemas import described
from service.api.responses import json_response
from service.documents import shown
from service.problems import (
    INTERNAL_ERROR,
    MEDIA_TYPE,
    TOO_BUSY,
    TOO_MANY_ARRAYS,
    TOO_MANY_RECORDS,
    TOO_MANY_TRIALS,
    Problem,
    for_status,
)
from service.ruleset.near import near

log = logging.getLogger(__name__)

# Seconds, roughly.
_TAKES = {TOO_MANY_TRIALS: 10, TOO_MANY_RECORDS: 2, TOO_MANY_ARRAYS: 10, TOO_BUSY: 30}


class ProblemErrorSchema(AnswerSchema):
    """One thing that is wrong, and where."""

    pointer = ma.fields.String(
        required=True,
        metadata=described(
            "JSON Pointer (RFC 6901) into the body; empty: the body as a whole, or what is none of "
            "it, such as a query parameter."
        ),
    )
    message = ma.fields.String(
        required=True, metadata=described("What is wrong there, and what would be right.")
    )


class ProblemSchema(AnswerSchema):
    """A problem document (RFC 9457)."""

    type = ma.fields.String(
        required=True, metadata={"description": "URI reference of the kind of problem."}
    )
    title = ma.fields.String(
        required=True,
        metadata=described("The kind of problem in words, the same for all of its kind."),
    )
    status = ma.fields.Integer(required=True, metadata=described("The HTTP status, once more."))
    detail = ma.fields.String(
        required=True,
        metadata=described(
            "What is wrong with this request, in a sentence or two for a log, or for who knows "
            "nothing but `detail`: of several things the first, and how many there are."
        ),
    )
    instance = ma.fields.String(
        required=True, metadata={"description": "Path of the request that had the problem."}
    )
    errors = ma.fields.List(
        ma.fields.Nested(ProblemErrorSchema),
        required=True,
        metadata=described(
            "What is wrong, by place: to be shown, and `detail` in its stead where it is empty. "
            "At most 20; `detail` says how many there are."
        ),
    )
    findings = ma.fields.List(
        ma.fields.Dict(),
        metadata={"description": "Of an unusable-rule-set, as POST /v1/rule-sets/check has it."},
    )


def handle_problem(problem: Problem) -> Response:
    """The answer to a request that cannot be served."""
    g.problem = problem.kind.name
    instance = quote(request.path, safe="/~!$&'()*+,;=:@")
    response = json_response(problem.document(instance), problem.kind.status, MEDIA_TYPE)
    if problem.kind in _TAKES:
        response.headers["Retry-After"] = str(_TAKES[problem.kind])
    return response


def handle_http_exception(error: HTTPException) -> Response:
    """The answer to an error that Flask or Werkzeug has raised."""
    status = error.code or 500
    if isinstance(error, NotFound):
        detail = nothing_at(request.path)
    elif isinstance(error, MethodNotAllowed):
        methods = ", ".join(sorted(error.valid_methods or ()))
        detail = f"{request.method} is not a method of {shown(request.path)}; it has {methods}."
    elif isinstance(error, RequestEntityTooLarge):
        detail = f"The body is larger than {body_limit(request)} bytes."
    elif status >= 500:
        detail = "The service failed while it handled the request."
    else:
        detail = error.description or error.name
    problem = for_status(status, detail)
    if problem is None:  # a redirect, or a status that nothing here raises
        return Response(error.get_response().get_data(), status, error.get_headers())
    response = handle_problem(problem)
    for name, value in error.get_headers():
        if name.lower() not in ("content-type", "content-length"):
            response.headers[name] = value
    return response


def nothing_at(path: str) -> str:
    """What to say of an address where nothing is."""
    fixed = [one.rule for one in current_app.url_map.iter_rules() if not one.arguments]
    like = near(path, fixed)
    hint = f"did you mean {like}?" if like else "GET /openapi.json lists the paths."
    return f"There is nothing at {shown(path)}; {hint}"


def handle_exception(error: Exception) -> Response:
    """The answer to a fault of the service: says nothing of it; the log does."""
    failed(error)
    log.error("%s %s failed", request.method, request.path, exc_info=error)
    return handle_problem(Problem(INTERNAL_ERROR, "The service failed on this request."))
