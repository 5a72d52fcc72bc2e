"""Which scope opens which path. What is not named here is closed to every key."""

from __future__ import annotations

from collections.abc import Mapping

ASSESS, BATCH, AUTHOR, OPERATE = "assess", "batch", "author", "operate"

SCOPES: Mapping[str, str] = {
    ASSESS: "Single cases, calculations, and what the rule sets say.",
    BATCH: "Many cases in one request.",
    AUTHOR: "Candidate rule sets, and what the installed ones say.",
    OPERATE: "What the operator of the service wants to know of it.",
}

Needed = tuple[str, ...]
"""Scopes of which a key must have one; none at all: nobody needs a key."""

_NO_KEY: Needed = ()
_READ: Needed = (ASSESS, AUTHOR)

# By the path as the OpenAPI document writes it; all methods of a path are alike.
PATHS: Mapping[str, Needed] = {
    "/healthz": _NO_KEY,
    "/readyz": _NO_KEY,
    "/problems/{name}": _NO_KEY,
    "/openapi.json": _NO_KEY,
    "/openapi.yaml": _NO_KEY,
    "/": _NO_KEY,  # leads to /docs
    "/docs": _NO_KEY,
    "/metrics": (OPERATE,),
    "/v1/assessments": (ASSESS,),
    "/v1/assessments/batch": (BATCH,),
    "/v1/calculations": (ASSESS,),
    "/v1/calculations/{name}": (ASSESS,),
    "/v1/rule-sets": _READ,
    "/v1/rule-sets/{rule_set_id}": _READ,
    "/v1/rule-sets/{rule_set_id}/symptoms/{symptom}/bring": _READ,
    "/v1/rule-sets/{rule_set_id}/graph": _READ,
    "/v1/rule-sets/check": (AUTHOR,),
    "/v1/trials": (AUTHOR,),
}
_NO_KEY_BELOW = "/docs/"  # the files of the pages

LONG = frozenset(
    {
        "/v1/assessments/batch",
        "/v1/rule-sets/check",
        "/v1/rule-sets/{rule_set_id}/graph",
        "/v1/trials",
    }
)
"""Paths whose answer may take seconds, of which a key may ask for a few at a time only."""


def needed(path: str) -> Needed | None:
    """The scopes that open a path; None: no key does."""
    return _NO_KEY if path.startswith(_NO_KEY_BELOW) else PATHS.get(path)
