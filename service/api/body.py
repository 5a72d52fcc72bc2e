"""Reading a JSON body from a request, before any schema sees it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NoReturn

import marshmallow as ma
from flask import Flask, Request, current_app, request
from webargs.flaskparser import FlaskParser
from werkzeug.exceptions import RequestEntityTooLarge

from service.api.cases import refused
from service.at_work import working
from service.documents import parse_json, shown
from service.problems import (
    BAD_REQUEST,
    CONTENT_TOO_LARGE,
    UNSUPPORTED_MEDIA_TYPE,
    Problem,
)

MOST_ARRAY_BYTES = 32 * 1024 * 1024
"""Of a batch as one JSON array, which has to be held as a whole."""


def limit_bodies(app: Flask, most: int, most_batch: int) -> None:
    """Let the app take bodies of at most `most` bytes, and batches of at most `most_batch`.

    Werkzeug cuts a chunked body off at its limit without a word. With a limit of one byte more,
    a body that is too large shows.
    """
    app.config["MAX_CONTENT_LENGTH"] = most + 1
    app.config["MAX_BATCH_LENGTH"] = most_batch


def batch_limit(app: Flask) -> int:
    """The largest batch that the app takes, in bytes."""
    return int(app.config["MAX_BATCH_LENGTH"])


def body_limit(req: Request) -> int:
    """The largest body that the app takes, in bytes."""
    return (req.max_content_length or 1) - 1


class StrictBodyParser(FlaskParser):
    """Takes nothing but well-formed JSON that is declared as such.

    The parser that it replaces takes a body of any other media type for an empty object.
    """

    def load_json(self, req: Request, schema: ma.Schema) -> Any:
        """The JSON document of the body. Raises Problem."""
        raw = read_json(req)
        with working():
            return parse_json(raw, body_limit(req))

    def handle_error(
        self,
        error: ma.ValidationError,
        req: Request,
        schema: ma.Schema,
        *,
        error_status_code: int | None,
        error_headers: Any,
    ) -> NoReturn:
        """Raise the problem of a document that the schema refuses."""
        raise refused(error.messages_dict["json"])


def read_json(req: Request) -> bytes:
    """A body that is said to be JSON, as it came. Raises Problem."""
    require_media_type(["application/json"], req)
    most = body_limit(req)
    raw = _read_whole(req, most)
    if len(raw) > most:
        raise Problem(CONTENT_TOO_LARGE, f"The body is larger than {most} bytes.")
    return raw


def read_array(req: Request) -> bytes:
    """The bytes of a batch as a JSON array. Raises Problem."""
    most = min(MOST_ARRAY_BYTES, batch_limit(current_app))
    detail = f"A JSON array of cases may have {most} bytes; send more as application/x-ndjson."
    return read_large(req, most, detail)


def read_large(req: Request, most: int, detail: str) -> bytes:
    """A body of at most so many bytes, whatever the limit of other bodies.

    detail: what is said of one that is larger. Raises Problem.
    """
    let_in(req, most, detail)
    raw = _read_whole(req, most)
    if len(raw) > most:
        raise Problem(CONTENT_TOO_LARGE, detail)
    return raw


def let_in(req: Request, most: int, detail: str) -> None:
    """Have a body taken that is of at most so many bytes. Raises Problem."""
    if (req.content_length or 0) > most:
        raise Problem(CONTENT_TOO_LARGE, detail)
    req.max_content_length = most + 1


def _read_whole(req: Request, most: int) -> bytes:
    """The body. Raises Problem, if it is not as long as it was announced to be."""
    announced = req.content_length
    raw = _read(req, announced, most)
    if announced is not None and len(raw) < min(announced, most):
        # Whatever came may be JSON by chance, but it is not what the client meant to send.
        detail = f"The body ends after {len(raw)} of {announced} bytes."
        raise Problem(BAD_REQUEST, detail)
    return raw


def _read(req: Request, announced: int | None, most: int) -> bytes:
    try:
        if announced is not None and announced <= most:
            # As the library would do in the end, which takes several times as long.
            body: bytes = req.environ["wsgi.input"].read(announced)
            return body
        return req.get_data(cache=False)
    except RequestEntityTooLarge:
        raise
    except Exception as error:
        # Werkzeug and gunicorn each have errors of their own for a chunk that is not well-formed
        # and for a client that leaves; nothing but the framing of the body can fail here.
        detail = f"The body breaks off or is not framed as HTTP asks: {type(error).__name__}."
        raise Problem(BAD_REQUEST, detail) from None


def require_media_type(taken: Sequence[str], req: Request = request) -> str:
    """The media type of the body, which must be one of these. Raises Problem."""
    said = req.content_type
    if said in taken and "HTTP_CONTENT_ENCODING" not in req.environ:
        return str(said)
    if req.mimetype not in taken:
        got = shown(said) if said else "none"
        wanted = " or ".join(taken)
        detail = f"Content-Type must be {wanted}, not {got}."
        if req.mimetype == "application/x-www-form-urlencoded":
            detail += f" curl sends that unless it is told: -H 'Content-Type: {taken[0]}'."
        raise Problem(UNSUPPORTED_MEDIA_TYPE, detail)
    charset = req.mimetype_params.get("charset", "utf-8")
    if charset.lower() not in ("utf-8", "utf8"):
        raise Problem(UNSUPPORTED_MEDIA_TYPE, f"The charset must be utf-8, not {shown(charset)}.")
    coding = req.headers.get("Content-Encoding", "identity")
    if coding.lower() != "identity":
        raise Problem(
            UNSUPPORTED_MEDIA_TYPE, f"The body must not be encoded, as with {shown(coding)}."
        )
    return req.mimetype
