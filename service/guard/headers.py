"""Header fields that every answer has, unless it says otherwise itself.

Strict-Transport-Security is not among them: it means nothing over plain HTTP, which is all that the
service speaks, and who ends TLS in front of it knows whether the host is to be bound to TLS
(RFC 6797 section 7.2).
"""

from __future__ import annotations

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
