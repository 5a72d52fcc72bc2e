"""Reading a JSON body from a request, before any schema sees it."""

from __future__ import annotations

from typing import Any, NoReturn

import marshmallow as ma
from flask import Flask, Request
from webargs.flaskparser import FlaskParser
from werkzeug.exceptions import RequestEntityTooLarge

from service.api.cases import errors_of
from service.documents import parse_json, shown
from service.problems import BAD_REQUEST, UNSUPPORTED_MEDIA_TYPE, Problem, invalid_request


def limit_bodies(app: Flask, most: int) -> None:
    """Let the app take bodies of at most `most` bytes.

    Werkzeug cuts a chunked body off at its limit without a word. With a limit of one byte more,
    a body that is too large shows.
    """
    app.config["MAX_CONTENT_LENGTH"] = most + 1


def body_limit(req: Request) -> int:
    """The largest body that the app takes, in bytes."""
    return (req.max_content_length or 1) - 1


class StrictBodyParser(FlaskParser):
    """Takes nothing but well-formed JSON that is declared as such.

    The parser that it replaces takes a body of any other media type for an empty object.
    """

    def load_json(self, req: Request, schema: ma.Schema) -> Any:
        """The JSON document of the body. Raises Problem."""
        _require_json(req)
        raw = _read(req)
        if req.content_length is not None and len(raw) < min(req.content_length, body_limit(req)):
            # Whatever came may be JSON by chance, but it is not what the client meant to send.
            detail = f"The body ends after {len(raw)} of {req.content_length} bytes."
            raise Problem(BAD_REQUEST, detail)
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
        raise invalid_request(errors_of(error.messages_dict["json"]))


def _read(req: Request) -> bytes:
    try:
        return req.get_data(cache=False)
    except RequestEntityTooLarge:
        raise
    except Exception as error:
        # Werkzeug and gunicorn each have errors of their own for a chunk that is not well-formed
        # and for a client that leaves; nothing but the framing of the body can fail here.
        detail = f"The body breaks off or is not framed as HTTP asks: {type(error).__name__}."
        raise Problem(BAD_REQUEST, detail) from None


def _require_json(req: Request) -> None:
    if req.mimetype != "application/json":
        got = shown(req.content_type) if req.content_type else "none"
        raise Problem(UNSUPPORTED_MEDIA_TYPE, f"Content-Type must be application/json, not {got}.")
    charset = req.mimetype_params.get("charset", "utf-8")
    if charset.lower() not in ("utf-8", "utf8"):
        raise Problem(UNSUPPORTED_MEDIA_TYPE, f"The charset must be utf-8, not {shown(charset)}.")
    coding = req.headers.get("Content-Encoding", "identity")
    if coding.lower() != "identity":
        raise Problem(
            UNSUPPORTED_MEDIA_TYPE, f"The body must not be encoded, as with {shown(coding)}."
        )
