"""Header fields that every answer has, unless it says otherwise itself.

Strict-Transport-Security is not among them: it means nothing over plain HTTP, which is all that the
service speaks, and who ends TLS in front of it knows whether the host is to be bound to TLS
(RFC 6797 section 7.2).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable
    from wsgiref.types import StartResponse, WSGIApplication, WSGIEnvironment

POLICY = "default-src 'none'; frame-ancestors 'none'"
PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data:; font-src 'self'; connect-src 'self'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)
"""Of pages with files of their own, from which they may ask this service and nobody else."""

FIELDS = (
    ("X-Content-Type-Options", "nosniff"),
    ("Referrer-Policy", "no-referrer"),
    ("X-Frame-Options", "DENY"),
    ("Content-Security-Policy", POLICY),
    ("Cache-Control", "no-store"),
)
_PAGE_FIELDS = tuple((name, PAGE_POLICY if value == POLICY else value) for name, value in FIELDS)


def furnished(application: WSGIApplication) -> WSGIApplication:
    """The same application, with these fields in its answers.

    In WSGI, since each would cost some microseconds in the web framework.
    """

    def answer(environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        def start(status: str, headers: list[tuple[str, str]], *error: Any) -> Any:
            there = {name for name, _ in headers}
            page = environ.get("PATH_INFO", "").startswith("/docs")
            headers += [one for one in (_PAGE_FIELDS if page else FIELDS) if one[0] not in there]
            return start_response(status, headers, *error)

        return application(environ, start)

    return answer
