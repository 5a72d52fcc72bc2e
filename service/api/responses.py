"""The one way in which a document leaves the service."""

from __future__ import annotations

from typing import Any

from flask import Response, request

from service.documents import dump_json


def json_response(
    document: Any, status: int = 200, media_type: str = "application/json"
) -> Response:
    """A response whose body is the document, byte for byte the same for the same document."""
    return Response(dump_json(document), status=status, content_type=media_type)


def cacheable(response: Response) -> Response:
    """The response with an ETag of its content; 304 if the client's If-None-Match has it."""
    response.headers["Cache-Control"] = "no-cache"
    response.add_etag()
    response.make_conditional(request)
    return response
