"""The files of the interactive API page, by plain HTTP; tests/browser looks at the page."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from importlib.resources import files
from urllib.parse import urljoin

import pytest
from flask.testing import FlaskClient

from service.guard.headers import PAGE_POLICY

FILES = {
    "docs.css": "text/css; charset=utf-8",
    "docs.js": "text/javascript; charset=utf-8",
    "swagger-ui.css": "text/css; charset=utf-8",
    "swagger-ui-bundle.js": "text/javascript; charset=utf-8",
}
PAGE = {"/docs": "text/html; charset=utf-8"}
ALL = {**PAGE, **{f"/docs/{name}": kind for name, kind in FILES.items()}}


class Links(HTMLParser):
    """What a page loads or leads to."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: set[str] = set()
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take note of an element's address."""
        self.found |= {value for name, value in attrs if name in ("href", "src") and value}


@pytest.mark.parametrize(("path", "kind"), ALL.items())
def test_each_file_is_what_it_is(client: FlaskClient, path: str, kind: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 200
    assert answer.headers["Content-Type"] == kind
    assert answer.headers["Content-Security-Policy"] == PAGE_POLICY
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Cache-Control"] == "no-cache"
    head = client.head(path)
    assert head.data == b""
    assert head.headers["Content-Length"] == str(len(answer.data))
    again = client.get(path, headers={"If-None-Match": answer.headers["ETag"]})
    assert (again.status_code, again.data) == (304, b"")
    for method in ("POST", "PUT", "DELETE", "PATCH"):
        refused = client.open(path, method=method)
        assert refused.status_code == 405
        assert refused.headers["Content-Type"] == "application/problem+json"


def test_the_page_loads_its_files_and_nothing_else(client: FlaskClient) -> None:
    page = client.get("/docs").text
    links = {link for link in Links(page).found if not link.startswith(("data:", "#"))}
    assert links == {f"docs/{name}" for name in FILES} | {"openapi.json", "openapi.yaml"}
    for link in links:  # as a browser takes them, from /docs on
        assert client.get(f"/{link}").status_code == 200
    assert re.search(r"<script(?! src=)", page) is None, "the policy would not run it"
    assert "<noscript>" in page


@pytest.mark.parametrize("prefix", ["", "/below/a/proxy"])
@pytest.mark.parametrize("path", ["/", "/docs/"])
def test_what_people_type_leads_to_the_page(client: FlaskClient, path: str, prefix: str) -> None:
    answer = client.get(path)
    assert (answer.status_code, answer.data) == (302, b"")
    assert answer.headers["Cache-Control"] == "no-store"
    assert urljoin(f"http://oven{prefix}{path}", answer.location) == f"http://oven{prefix}/docs"
    assert client.head(path).status_code == 302
    for method in ("POST", "PUT", "DELETE", "PATCH"):
        refused = client.open(path, method=method)
        assert refused.status_code == 405
        assert refused.get_json()["type"] == "/problems/method-not-allowed"


@pytest.mark.parametrize(
    "name",
    [
        "nothing",
        "index.css",
        "swagger-ui.js",
        "oauth2-redirect.html",
        "docs.html",
        "../docs.py",
        "%2e%2e/docs.py",
        "..%2fdocs.py",
    ],
)
def test_what_is_not_named_is_not_served(client: FlaskClient, name: str) -> None:
    answer = client.get(f"/docs/{name}")
    assert answer.status_code == 404
    assert answer.get_json()["type"] == "/problems/not-found"


def test_the_packages_files_are_served_as_they_are(client: FlaskClient) -> None:
    for name in ("swagger-ui.css", "swagger-ui-bundle.js"):
        there = (files("flask_swagger_ui") / "dist" / name).read_bytes()
        assert client.get(f"/docs/{name}").data == there
