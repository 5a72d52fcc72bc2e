"""Every error that the service answers with, in the form of RFC 9457. No Flask here.

A `Problem` is raised anywhere on the way in; the HTTP edge and the command line both turn it into
the same document.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from itertools import islice
from types import MappingProxyType
from typing import Any, TypeVar

TYPE_PREFIX = "/problems/"
MEDIA_TYPE = "application/problem+json"

One = TypeVar("One")


@dataclass(frozen=True, slots=True)
class ProblemType:
    """One kind of problem. `name` is the last part of its type URI, which the service serves."""

    name: str
    title: str
    status: int
    description: str

    @property
    def uri(self) -> str:
        return TYPE_PREFIX + self.name


BAD_REQUEST = ProblemType(
    "bad-request", "The request cannot be read", 400, "The request is not well-formed HTTP."
)
MALFORMED_JSON = ProblemType(
    "malformed-json",
    "The body is not well-formed JSON",
    400,
    "The body must be one JSON document in UTF-8 without duplicate keys, NaN or Infinity, "
    "nested no deeper than the limit. The detail says where it goes wrong.",
)
MALFORMED_CSV = ProblemType(
    "malformed-csv",
    "The body is not a well-formed table",
    422,
    "The body must be CSV (RFC 4180) in UTF-8 with a first row of column names. The detail says "
    "where it goes wrong.",
)
KEY_NEEDED = ProblemType(
    "key-needed",
    "A key is needed, and none that is known was sent",
    401,
    "Send the key that the operator of the service has given you, as a bearer token: "
    "`Authorization: Bearer TOKEN` (RFC 6750). WWW-Authenticate has `invalid_token` where one was "
    "sent that is unknown, was taken back or has expired.",
)
INSUFFICIENT_SCOPE = ProblemType(
    "insufficient-scope",
    "The key is not for this",
    403,
    "A key has scopes: assess (single cases, calculations, what the rule sets say), batch, author "
    "(candidate rule sets) and operate. The `scope` in WWW-Authenticate says which ones open this.",
)
NOT_FOUND = ProblemType(
    "not-found",
    "There is nothing at this address",
    404,
    "No resource has this path, no rule set this id, no calculation this name. GET /openapi.json "
    "lists the paths, GET /v1/rule-sets the rule sets, GET /v1/calculations the calculations.",
)
METHOD_NOT_ALLOWED = ProblemType(
    "method-not-allowed",
    "The resource does not have this method",
    405,
    "The Allow header lists the methods that the resource has.",
)
NOT_ACCEPTABLE = ProblemType(
    "not-acceptable",
    "The answer cannot be given in that form",
    406,
    "The Accept header names no media type in which this resource answers; the detail lists them.",
)
CONTENT_TOO_LARGE = ProblemType(
    "content-too-large",
    "The body is too large",
    413,
    "The body exceeds the limit that the operator has set (1 MiB by default).",
)
ADDRESS_TOO_LONG = ProblemType(
    "address-too-long", "The address is too long", 414, "No resource has an address this long."
)
UNSUPPORTED_MEDIA_TYPE = ProblemType(
    "unsupported-media-type",
    "The body has a media type that is not taken here",
    415,
    "Send the body with a Content-Type that the resource takes (application/json, and for batches "
    "application/x-ndjson or text/csv), in UTF-8, and without Content-Encoding.",
)
# A body can be wrong in as many places as it has; nobody mends more than these at a time.
MOST_ERRORS = 20

INVALID_REQUEST = ProblemType(
    "invalid-request",
    "The request is not valid",
    422,
    "The body is JSON, but not what this resource takes, or a query parameter is not. `errors` "
    "lists all that is wrong: a JSON Pointer (RFC 6901) to the place in the body, and what would "
    "be right. First comes the shape (a field that is missing, unknown or of the wrong type); what "
    "the words mean to the rule set (an unknown id, a unit of another quantity) is looked at when "
    "the shape is right. So there may be more errors once these are mended.",
)
UNUSABLE_RULE_SET = ProblemType(
    "unusable-rule-set",
    "The candidate rule set cannot be used",
    422,
    "What was sent is no rule set, or one with mistakes. `findings` lists them: file, line, "
    "column, what is wrong and what would be right, as POST /v1/rule-sets/check does.",
)
RULE_SET_FAILED = ProblemType(
    "rule-set-failed",
    "The candidate rule set could not be worked on",
    422,
    "Work on the candidate took too long or too much memory, or ended its process. Nothing else "
    "was touched. Make the rule set, or what is asked of it, smaller.",
)
RECORD_FAILED = ProblemType(
    "record-failed",
    "The record could not be made as a PDF",
    422,
    "It took too long or too much memory. Ask for text/html, which a browser prints as well.",
)
TOO_MANY_REQUESTS = ProblemType(
    "too-many-requests",
    "The key has made too many requests",
    429,
    "Each key may make so many requests a second, and have so many under way of those that take "
    "long. Send the request again after the seconds in Retry-After.",
)
TOO_MANY_TRIALS = ProblemType(
    "too-many-trials",
    "The service works on as many candidates as it can",
    429,
    "Each candidate rule set is worked on in a process of its own, and of those there may be only "
    "a few at a time. Send the request again after the seconds in Retry-After.",
)
TOO_MANY_ARRAYS = ProblemType(
    "too-many-arrays",
    "The service works on as many batches as one JSON array as it can",
    429,
    "An array is held in memory until its last case is answered. Send the request again after the "
    "seconds in Retry-After, or send it as application/x-ndjson, which is not.",
)
TOO_MANY_RECORDS = ProblemType(
    "too-many-records",
    "The service makes as many PDFs as it can",
    429,
    "A PDF takes a second of a processor, and only a few may wait for theirs. Send the request "
    "again after the seconds in Retry-After, or ask for text/html, which a browser prints as well.",
)
HEADERS_TOO_LARGE = ProblemType(
    "headers-too-large",
    "The header fields are too large",
    431,
    "The request has too many header fields, or one that is too large.",
)
INTERNAL_ERROR = ProblemType(
    "internal-error",
    "The service has failed",
    500,
    "A fault of the service and not of the request. The log of the service has the details.",
)
TOO_BUSY = ProblemType(
    "too-busy",
    "The service is too busy for this",
    503,
    "The machine had no time, memory or room left for the work. Nothing is wrong with what was "
    "sent, as far as it was looked at: send it again after the seconds in Retry-After.",
)
NOT_READY = ProblemType(
    "not-ready",
    "The service is not ready",
    503,
    "The service runs but cannot assess cases. The log of the service has the details.",
)

PROBLEM_TYPES: Mapping[str, ProblemType] = {
    one.name: one
    for one in (
        BAD_REQUEST,
        MALFORMED_JSON,
        MALFORMED_CSV,
        KEY_NEEDED,
        INSUFFICIENT_SCOPE,
        NOT_FOUND,
        METHOD_NOT_ALLOWED,
        NOT_ACCEPTABLE,
        CONTENT_TOO_LARGE,
        ADDRESS_TOO_LONG,
        UNSUPPORTED_MEDIA_TYPE,
        INVALID_REQUEST,
        UNUSABLE_RULE_SET,
        RULE_SET_FAILED,
        RECORD_FAILED,
        TOO_MANY_REQUESTS,
        TOO_MANY_TRIALS,
        TOO_MANY_ARRAYS,
        TOO_MANY_RECORDS,
        HEADERS_TOO_LARGE,
        INTERNAL_ERROR,
        TOO_BUSY,
        NOT_READY,
    )
}
_BY_NAME_ALONE = (
    MALFORMED_JSON,
    MALFORMED_CSV,
    UNUSABLE_RULE_SET,
    RULE_SET_FAILED,
    RECORD_FAILED,
    TOO_BUSY,
    TOO_MANY_TRIALS,
    TOO_MANY_ARRAYS,
    TOO_MANY_RECORDS,
)
_BY_STATUS = {one.status: one for one in PROBLEM_TYPES.values() if one not in _BY_NAME_ALONE}


_ONE_MORE = ("", "one more thing is not known")


class Problem(Exception):  # noqa: N818 - the word of RFC 9457
    """A request that cannot be served. `errors`: (JSON Pointer, message), as they stand.

    members: what the kind of problem says more than all others (RFC 9457 section 3.2).
    """

    def __init__(
        self,
        kind: ProblemType,
        detail: str,
        errors: Iterable[tuple[str, str]] = (),
        members: Mapping[str, Any] = MappingProxyType({}),
    ) -> None:
        self.kind = kind
        self.detail = detail
        self.errors = tuple(errors)
        self.members = dict(members)
        super().__init__(detail)

    def __reduce__(self) -> tuple[type[Problem], tuple[Any, ...]]:
        """What it takes to make it anew in another process."""
        return Problem, (self.kind, self.detail, self.errors, self.members)

    def document(self, instance: str) -> dict[str, Any]:
        """The problem document. `instance`: a URI reference to what was asked for."""
        return {
            "type": self.kind.uri,
            "title": self.kind.title,
            "status": self.kind.status,
            "detail": self.detail,
            "instance": instance,
            "errors": [{"pointer": at, "message": sentence(text)} for at, text in self.errors],
            **self.members,
        }


def invalid_request(errors: Iterable[tuple[str, str]], count: int | None = None) -> Problem:
    """The problem of a body that is JSON but not acceptable.

    Its detail says the first of all that is wrong, whatever `errors` says too: a log, or a client
    that knows problems in general, has nothing else. count: how many things are wrong, where
    `errors` are only the first of them.
    """
    found = tuple(errors)
    total = len(found) if count is None else count
    at, message = found[0]
    detail = f"{f'at {at}' if at else 'the body'}: {sentence(message)}"
    if total > 1:
        shown = f" ({MOST_ERRORS} are listed)" if total > MOST_ERRORS else ""
        detail = f"{total} things are wrong with the request{shown}, first {detail}"
    detail = sentence(detail)
    return Problem(INVALID_REQUEST, detail, found[:MOST_ERRORS])


def refusals(
    unknown: Iterable[One], refusal: Callable[[One], tuple[str, str]]
) -> list[tuple[str, str]]:
    """What is told (JSON Pointer, message) of each thing that is not known.

    Only as many as are listed are put into words, since to look for what was meant takes time. The
    others have one refusal without words, so that they count.
    """
    rest = iter(unknown)
    told = [refusal(one) for one in islice(rest, MOST_ERRORS)]
    return told + [_ONE_MORE for _ in rest]


def in_order(errors: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """Errors (JSON Pointer, message) by their pointers; those without words come last."""
    return sorted(errors, key=lambda one: (one is _ONE_MORE, one))


def sentence(text: str) -> str:
    """The same as a sentence of its own."""
    return text[:1].upper() + text[1:] + ("" if text.endswith(("?", ".")) else ".")


def kinds_of(status: int) -> list[ProblemType]:
    """The kinds of problem that come with an HTTP status."""
    return [one for one in PROBLEM_TYPES.values() if one.status == status]


def for_status(status: int, detail: str) -> Problem | None:
    """The problem of an HTTP status that the web framework has raised; None if it has none."""
    kind = _BY_STATUS.get(status)
    return Problem(kind, detail) if kind is not None else None


def pointer(*parts: str | int) -> str:
    """A JSON Pointer (RFC 6901 section 3) from its unescaped reference tokens."""
    return "".join("/" + str(part).replace("~", "~0").replace("/", "~1") for part in parts)
