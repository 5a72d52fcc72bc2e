"""Whose request this is, by W3C Trace Context (https://www.w3.org/TR/trace-context/).

A trace is a tree of spans over services: the `traceparent` of a request names the trace and the
span of the caller; the work on the request is a span below it.
"""

from __future__ import annotations

import random
import re
from contextvars import ContextVar
from typing import NamedTuple

# version "-" trace-id "-" parent-id "-" trace-flags, of which a later version may have more.
_TRACEPARENT = re.compile(
    "(?!ff)(?P<version>[0-9a-f]{2})-(?!0{32})([0-9a-f]{32})-(?!0{16})([0-9a-f]{16})-"
    "([0-9a-f]{2})(?P<more>-.*)?",
    re.ASCII,
)
_KNOWN_FLAGS = 0x03  # sampled, and (level 2) random; others are reserved and not handed on
_MOST_STATE = 512  # characters of a tracestate that are to be carried on at least
_REQUEST_ID = re.compile(r"[A-Za-z0-9._:/+=-]{1,128}", re.ASCII)


class Parent(NamedTuple):
    """The span of the caller. state: its `tracestate`, as it came."""

    trace_id: str
    span_id: str
    flags: int
    state: str = ""


class Trace(NamedTuple):
    """The work on one request, as logs name it. Ids are lower-case hexadecimal."""

    trace_id: str
    span_id: str
    request_id: str


current: ContextVar[Trace | None] = ContextVar("ohmpath-trace", default=None)
"""The request that this thread works on."""


def parent_of(traceparent: str | None, tracestate: str | None = None) -> Parent | None:
    """The caller's span; None if there is none, or its `traceparent` is not well-formed.

    A header that was sent twice comes as one with a comma, and is not well-formed.
    """
    found = _TRACEPARENT.fullmatch(traceparent) if traceparent else None
    if found is None or (found["version"] == "00" and found["more"] is not None):
        return None
    _, trace_id, span_id, flags, _ = found.groups()
    state = tracestate or ""
    if len(state) > _MOST_STATE or not state.isascii() or not state.isprintable():
        state = ""
    return Parent(trace_id, span_id, int(flags, 16) & _KNOWN_FLAGS, state)


def child_of(parent: Parent | None, request_id: str | None = None) -> Trace:
    """A span below the caller's, or the first of a new trace."""
    trace_id = _id(128) if parent is None else parent.trace_id
    return named(trace_id, _id(64), request_id)


def _id(bits: int) -> str:
    """So many random bits in hexadecimal: to be told apart, not to be kept from guessing."""
    number = random.getrandbits(bits) or 1  # nosec B311 # no secret
    return f"{number:0{bits // 4}x}"


def named(trace_id: str, span_id: str, request_id: str | None) -> Trace:
    """A span under the id that the request was sent with; without a usable one, under its own."""
    sent = request_id is not None and _REQUEST_ID.fullmatch(request_id)
    return Trace(trace_id, span_id, request_id if sent and request_id else span_id)
