"""GET /docs: the OpenAPI document as a page that can be read and tried, with no outside request.

Swagger UI comes from the package flask-swagger-ui, of which nothing but these files is used. What
a browser may load and ask is said in `service.guard.headers`.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files

from flask import Blueprint, Response, request

from service.api.responses import cacheable
from service.documents import shown
from service.problems import NOT_FOUND, Problem

docs = Blueprint("docs", __name__)

_OURS = files("service.api") / "page"
_SWAGGER_UI = files("flask_swagger_ui") / "dist"
_JAVASCRIPT = "text/javascript; charset=utf-8"
_CSS = "text/css; charset=utf-8"
_FILES = {
    "docs.css": (_OURS, _CSS),
    "docs.js": (_OURS, _JAVASCRIPT),
    "swagger-ui.css": (_SWAGGER_UI, _CSS),
    "swagger-ui-bundle.js": (_SWAGGER_UI, _JAVASCRIPT),
}
"""What the page loads: where it lies and what it is. The package's other files stay unserved."""


@docs.route("/docs")
def get_page() -> Response:
    """The page."""
    return cacheable(Response(_page(), content_type="text/html; charset=utf-8"))


@docs.route("/", defaults={"page": "docs"})
@docs.route("/docs/", defaults={"page": "../docs"})
def lead_to_page(page: str) -> Response:
    """To the page, by a relative address: a proxy may have the service below a path of its own."""
    return Response(status=302, headers={"Location": page})


@docs.route("/docs/<name>")
def get_file(name: str) -> Response:
    """A file of the page."""
    if name not in _FILES:
        raise Problem(NOT_FOUND, f"There is nothing at {shown(request.path)}.")
    return cacheable(Response(_file(name), content_type=_FILES[name][1]))


@cache
def _page() -> bytes:
    return (_OURS / "docs.html").read_bytes()


@cache
def _file(name: str) -> bytes:
    return (_FILES[name][0] / name).read_bytes()
