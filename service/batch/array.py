"""A JSON array of cases, taken apart into their texts.

As values in memory a text takes up to 33 times its room. So an array is never held as that: where
its items begin and end is looked for in the bytes, and each is parsed when its turn comes.
"""

from __future__ import annotations

import codecs
import json
import re
from array import array
from collections.abc import Iterator

from service.at_work import working
from service.batch.items import Item
from service.documents import parse_json_array
from service.problems import CONTENT_TOO_LARGE, MALFORMED_JSON, Problem, invalid_request

MOST_CASES = 100_000

_SPACE = re.compile(rb"[ \t\n\r]*+")
_STRING = rb'"(?:[^"\\]++|\\.)*+"'
_TO_BRACKET = re.compile(rb'(?:[^\[\]{}"]++|' + _STRING + rb")*+([\[\]{}])", re.DOTALL)
_SCALAR = re.compile(_STRING + rb'|[^ \t\n\r,\[\]{}"]++', re.DOTALL)
_BLOCK = 1 << 16


def from_array(raw: bytes, most: int) -> Iterator[Item]:
    """The cases of a JSON array, in order. Its text is looked through before the first comes.

    most: bytes of one case; a longer one is a problem of its own, as is one that must not be in
    JSON though it can be read (a name that stands twice, NaN).

    Raises:
        Problem: malformed-json; invalid-request, if it is no array; content-too-large, if it has
            more than MOST_CASES.
    """
    if not raw.lstrip(b" \t\n\r").startswith(b"["):
        if len(raw) <= most:
            parse_json_array(raw, most)  # which says what is wrong
        raise invalid_request([("", "this must be a list of cases, not another value")])
    _require_utf_8(raw)
    ends = _ends(raw)
    for start, end in _pairs(ends):
        if end - start <= most:
            _require_json(raw, start, end)
    return _items(raw, ends, most)


def _items(raw: bytes, ends: array[int], most: int) -> Iterator[Item]:
    for index, (start, end) in enumerate(_pairs(ends)):
        if end - start > most:
            detail = f"The case is longer than {most} bytes."
            yield Item(index, None, problem=Problem(CONTENT_TOO_LARGE, detail))
        else:
            yield Item(index, None, raw=raw[start:end])


def _pairs(ends: array[int]) -> Iterator[tuple[int, int]]:
    return zip(ends[::2], ends[1::2], strict=True)


def _ends(raw: bytes) -> array[int]:
    """Where each item begins and ends, one after the other."""
    found = array("Q")
    at = _past_space(raw, raw.index(b"[") + 1)
    if raw[at : at + 1] == b"]":
        at += 1
    else:
        while True:
            end = _end_of(raw, at)
            if len(found) == 2 * MOST_CASES:
                detail = f"A JSON array may have {MOST_CASES} cases, and this one has more"
                raise Problem(CONTENT_TOO_LARGE, f"{detail}; send more as application/x-ndjson.")
            found.extend((at, end))
            at = _past_space(raw, end)
            mark = raw[at : at + 1]
            if mark not in (b",", b"]"):
                raise _malformed(raw, at, "Expecting ',' delimiter")
            at += 1
            if mark == b"]":
                break
            at = _past_space(raw, at)
    if (at := _past_space(raw, at)) < len(raw):
        raise _malformed(raw, at, "Extra data")
    return found


def _end_of(raw: bytes, start: int) -> int:
    """The end of the value that begins there."""
    if raw[start : start + 1] not in (b"{", b"["):
        scalar = _SCALAR.match(raw, start)
        if scalar is None:
            raise _malformed(raw, start, "Expecting value")
        return scalar.end()
    depth, at = 0, start
    while True:
        found = _TO_BRACKET.match(raw, at)
        if found is None:
            raise _malformed(raw, len(raw), "Expecting ',' delimiter")
        at = found.end()
        depth += 1 if found[1] in b"[{" else -1
        if depth == 0:
            return at


def _past_space(raw: bytes, at: int) -> int:
    found = _SPACE.match(raw, at)
    return at if found is None else found.end()


def _require_json(raw: bytes, start: int, end: int) -> None:
    """Raise the problem of an item that cannot be read; of one that can, nothing is kept."""
    try:
        with working():
            json.loads(raw[start:end].decode(), parse_int=float)
    except json.JSONDecodeError as error:
        before = len(error.doc[: error.pos].encode())
        raise _malformed(raw, start + before, error.msg) from None
    except RecursionError:
        pass  # told in its place


def _require_utf_8(raw: bytes) -> None:
    decoder = codecs.getincrementaldecoder("utf-8")()
    for start in range(0, len(raw), _BLOCK):
        block = raw[start : start + _BLOCK]
        held = len(decoder.getstate()[0])
        try:
            decoder.decode(block, final=start + _BLOCK >= len(raw))
        except UnicodeDecodeError as error:
            at = start - held + error.start
            detail = f"The body is not UTF-8: byte {raw[at]:#04x} at offset {at}."
            raise Problem(MALFORMED_JSON, detail) from None


def _malformed(raw: bytes, at: int, said: str) -> Problem:
    line = raw.count(b"\n", 0, at) + 1
    column = len(raw[raw.rfind(b"\n", 0, at) + 1 : at].decode("utf-8", "replace")) + 1
    said = said.removesuffix(" at").removesuffix(" starting")
    more = ""
    if said == "Extra data":
        more = " One document is expected; many, one a line, are sent as application/x-ndjson."
    return Problem(MALFORMED_JSON, f"Not JSON at line {line}, column {column}: {said}.{more}")
