"""The one way in which a document leaves the service."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from flask import Response, request

from service.documents import dump_json
from service.problems import NOT_ACCEPTABLE, Problem


def json_response(
    document: Any, status: int = 200, media_type: str = "application/json"
) -> Response:
    """A response whose body is the document, byte for byte the same for the same document."""
    return Response(dump_json(document), status=status, content_type=media_type)


def accepted(media_types: Sequence[str], otherwise: str) -> str:
    """The media type of the answer: what Accept asks for, and `otherwise` where it does not mind.

    Raises:
        Problem: not-acceptable, if it takes none of these.
    """
    accept = request.accept_mimetypes
    if not accept or accept.quality(otherwise) == max(map(accept.quality, media_types)) > 0:
        return otherwise
    best = accept.best_match(media_types)
    if best is None:
        raise Problem(NOT_ACCEPTABLE, f"This is answered as {', '.join(media_types)}.")
    return str(best)


def cacheable(response: Response) -> Response:
    """The response with an ETag of its content; 304 if the client's If-None-Match has it."""
    response.headers["Cache-Control"] = "no-cache"
    response.add_etag()
    response.make_conditional(request)
    return response
