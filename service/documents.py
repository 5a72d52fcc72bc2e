"""Bytes to JSON document and back, strictly. Pure: shared by the HTTP edge and the command line.

The standard library's reader is lenient: it takes NaN, keeps the last of duplicate keys, turns
1e400 into infinity and lets half of a surrogate pair through. A diagnosis must not rest on a
guess about what was meant, so all of that is refused here, with the place.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Iterator, Mapping
from typing import Any

import orjson

from service.problems import (
    CONTENT_TOO_LARGE,
    MALFORMED_JSON,
    MOST_ERRORS,
    Problem,
    ProblemType,
    invalid_request,
    pointer,
)

MAX_BODY_BYTES = 1024 * 1024
MAX_DEPTH = 32
LOST_LINE_BREAKS = (
    "Lines end with LF. If they were lost on the way: curl keeps them with --data-binary, "
    "not with -d."
)
_SHOWN = 80
_KEY_LENGTH = 200
_LONGEST_NUMBER = 40


class _Refused:
    """Stands in the document, until it is walked, for something that must not be there."""

    __slots__ = ("kind", "message")

    def __init__(self, kind: ProblemType | None, message: str) -> None:
        self.kind = kind
        self.message = message


class Written(dict[str, Any]):
    """A JSON object, of which some members have been written before.

    written: the same members, as those that are kept, or as `orjson.Fragment` of their bytes.
    """

    __slots__ = ("written",)

    def __init__(self, members: Mapping[str, Any], written: Mapping[str, Any]) -> None:
        super().__init__(members)
        self.written = written


def fragments(members: Mapping[str, Any]) -> dict[str, Any]:
    """The members of an object, each written for good.

    Copied, since the writer's own bytes keep four times as much memory as they need.
    """
    return {
        name: orjson.Fragment(memoryview(orjson.dumps(value)).tobytes())
        for name, value in members.items()
    }


def parse_json(raw: bytes, max_bytes: int = MAX_BODY_BYTES, line: int | None = None) -> Any:
    """The JSON document in `raw` (RFC 8259, one value, UTF-8).

    line: which of many lines, from 1, that is; None if it is a body of its own.

    Raises:
        Problem: content-too-large; malformed-json (empty, not UTF-8, not JSON, NaN, duplicate
            keys, nested deeper than MAX_DEPTH); invalid-request (a number beyond the range of
            IEEE 754 binary64, half of a surrogate pair).
    """
    hooks = _Hooks()
    document = _parse(raw, max_bytes, hooks, line)
    if hooks.marked or _may_be_deep_or_torn(raw):
        _refuse(document)
    return document


def parse_json_array(raw: bytes, max_bytes: int) -> list[Any]:
    """The items of the JSON array in `raw`, a Problem in place of one that must not be.

    Raises:
        Problem: as `parse_json`, for what is not JSON at all, or not an array.
    """
    document = _parse(raw, max_bytes, _Hooks())
    if not isinstance(document, list):
        _refuse(document)
        raise invalid_request([("", f"this must be a list of cases, not {shown(document)}")])
    out: list[Any] = []
    for item in document:
        try:
            _refuse(item)
            out.append(item)
        except Problem as problem:
            out.append(problem)
    return out


def _parse(raw: bytes, max_bytes: int, hooks: _Hooks, line: int | None = None) -> Any:
    """The document with what must not be in it still marked."""
    if len(raw) > max_bytes:
        raise Problem(CONTENT_TOO_LARGE, f"The body is larger than {max_bytes} bytes.")
    text = _decode(raw)
    try:
        return json.loads(
            text,
            object_pairs_hook=hooks.in_object,
            parse_constant=hooks.in_constant,
            parse_float=hooks.in_float,
            parse_int=hooks.in_int,
        )
    except json.JSONDecodeError as error:
        where = f"line {error.lineno + (line or 1) - 1}, column {error.colno}"
        more = ""
        if error.msg == "Extra data":
            more = (
                " One document is expected; many, one a line, are sent as application/x-ndjson."
                if line is None
                else f" A line holds one document. {LOST_LINE_BREAKS}"
            )
        said = error.msg.removesuffix(" at").removesuffix(" starting")  # the place is named before
        raise Problem(MALFORMED_JSON, f"Not JSON at {where}: {said}.{more}") from None
    except RecursionError:
        raise _too_deep() from None


def dump_json(document: Any) -> bytes:
    """The bytes of a JSON answer: compact, in the order of the document, one line.

    Raises:
        TypeError, ValueError: what JSON has no form for. A number that is not finite is written
            as null, except beside a whole number of more than 64 bits.
    """
    try:
        return orjson.dumps(document, default=_written, option=_OPTIONS)
    except TypeError:  # the fast writer has no whole numbers beyond 64 bits
        return dump_plainly(document)


def dump_plainly(document: Any) -> bytes:
    """As `dump_json`, by the standard library: where memory is short, that ends in MemoryError.

    Raises:
        TypeError, ValueError: what JSON has no form for, such as a number that is not finite.
    """
    text = json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.encode() + b"\n"


_OPTIONS = orjson.OPT_APPEND_NEWLINE | orjson.OPT_PASSTHROUGH_SUBCLASS


def _written(value: Any) -> Any:
    if isinstance(value, Written):
        return value.written
    raise TypeError


def dump_indented(document: Any) -> bytes:
    """A JSON document as a person reads it: UTF-8, whatever the locale."""
    text = json.dumps(document, ensure_ascii=False, allow_nan=False, indent=2)
    return text.encode() + b"\n"


def shown(value: Any) -> str:
    """A JSON value as a person would point at it, at most 80 characters long."""
    if isinstance(value, str):
        # Cut first: what is sent may be long. Half of a surrogate pair could not be written out.
        cut = value[: _SHOWN + 1].encode("utf-8", "replace").decode()
        text = json.dumps(cut, ensure_ascii=False)
        if not text.isprintable():  # such as what turns the direction of writing
            text = "".join(c if c.isprintable() else json.dumps(c)[1:-1] for c in text)
        return text if len(text) <= _SHOWN else text[: _SHOWN - 4] + '..."'
    if isinstance(value, bool) or value is None:
        return json.dumps(value)
    if isinstance(value, list):
        return "a list"
    if isinstance(value, dict):
        return "an object"
    text = f"{value:.6g}" if isinstance(value, float) else str(value)
    return text if len(text) <= _SHOWN else text[: _SHOWN - 3] + "..."


def no_number(value: Any) -> str:
    """What to say of a JSON value where a number should be."""
    said = f"this must be a number, not {shown(value)}"
    if not isinstance(value, str) or len(value) > _LONGEST_NUMBER:
        return said
    for text, hint in (
        (value, "leave out the quotation marks"),
        (value.replace(",", "."), "a number has a decimal point and no quotation marks"),
    ):
        try:
            if math.isfinite(float(text)):
                return f"{said}; {hint}"
        except ValueError:
            continue
    return said


def _decode(raw: bytes) -> str:
    if not raw.strip():
        raise Problem(MALFORMED_JSON, "The body is empty; a JSON object is expected.")
    if raw.startswith(b"\xef\xbb\xbf"):
        raise Problem(MALFORMED_JSON, "The body starts with a byte order mark; leave it out.")
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        detail = f"The body is not UTF-8: byte {raw[error.start]:#04x} at offset {error.start}."
        raise Problem(MALFORMED_JSON, detail) from None


class _Hooks:
    """What the standard library's reader calls for one document.

    marked: whether something stands in it that must not be there.
    """

    def __init__(self) -> None:
        self.marked = False

    def _refused(self, kind: ProblemType | None, message: str) -> _Refused:
        self.marked = True
        return _Refused(kind, message)

    def in_object(self, pairs: list[tuple[str, Any]]) -> Any:
        found = dict(pairs)
        if max(map(len, found), default=0) > _KEY_LENGTH:
            long = next(key for key in found if len(key) > _KEY_LENGTH)
            message = f"the key {shown(long)} is longer than {_KEY_LENGTH} characters"
            return self._refused(None, message)
        if len(found) == len(pairs):
            return found
        twice = next(key for key, count in Counter(key for key, _ in pairs).items() if count > 1)
        return self._refused(MALFORMED_JSON, f"the key {shown(twice)} stands here more than once")

    def in_constant(self, name: str) -> _Refused:
        message = f"{name} is not JSON; leave the value out if there is none"
        return self._refused(MALFORMED_JSON, message)

    def in_float(self, text: str) -> Any:
        value = float(text)
        return value if math.isfinite(value) else self._too_large(text)

    def in_int(self, text: str) -> Any:
        # Python refuses to read integers of more than some 4,300 digits; a float takes them all.
        whole = len(text) <= 300 or math.isfinite(float(text))
        return int(text) if whole else self._too_large(text)

    def _too_large(self, text: str) -> _Refused:
        short = text if len(text) <= 40 else text[:37] + "..."
        return self._refused(None, f"the number {short} is too large (beyond about 1.8e308)")


def _too_deep() -> Problem:
    return Problem(MALFORMED_JSON, f"The body is nested more than {MAX_DEPTH} levels deep.")


def _may_be_deep_or_torn(raw: bytes) -> bool:
    """Whether a document may be nested too deep, or hold half of a surrogate pair.

    The first needs as many brackets; the second an escape, since no UTF-8 has it.
    """
    return b"\\u" in raw or raw.count(b"{") + raw.count(b"[") > MAX_DEPTH


def _refuse(document: Any) -> None:
    """Raise the problem of whatever must not be in a document, malformed before invalid."""
    invalid: list[tuple[str, str]] = []
    malformed: list[tuple[str, str]] = []
    for at, refused in _refusals(document, ()):
        (invalid if refused.kind is None else malformed).append((at, refused.message))
        if len(invalid) + len(malformed) >= MOST_ERRORS:
            break
    if malformed:
        at, message = malformed[0]
        place = f"at {shown(at)}" if at else "in the document itself"
        raise Problem(MALFORMED_JSON, f"Not acceptable JSON {place}: {message}.", malformed)
    if invalid:
        raise invalid_request(invalid)


def _refusals(value: Any, path: tuple[str | int, ...]) -> Iterator[tuple[str, _Refused]]:
    if isinstance(value, _Refused):
        yield pointer(*path), value
    elif isinstance(value, str):
        if _has_lone_surrogate(value):
            yield pointer(*path), _Refused(None, "half of a surrogate pair is not a character")
    elif isinstance(value, dict | list):
        if len(path) >= MAX_DEPTH:
            raise _too_deep()
        if isinstance(value, list):
            for index, item in enumerate(value):
                yield from _refusals(item, (*path, index))
            return
        for key, item in value.items():
            if _has_lone_surrogate(key):
                # The key itself cannot be written in a pointer, so its object is pointed at.
                message = "a key here holds half of a surrogate pair"
                yield pointer(*path), _Refused(None, message)
            else:
                yield from _refusals(item, (*path, key))


def _has_lone_surrogate(text: str) -> bool:
    return not text.isascii() and any("\ud800" <= character <= "\udfff" for character in text)
