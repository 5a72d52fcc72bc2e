"""Reading JSON strictly: what is refused, where it says so, and that nothing else is refused."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.documents import MAX_DEPTH, dump_json, parse_json, shown
from service.problems import Problem

SCALARS = st.none() | st.booleans() | st.integers(-(10**30), 10**30) | st.floats(allow_nan=False)
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=200)
DOCUMENTS = st.recursive(
    SCALARS.filter(lambda value: value not in (float("inf"), float("-inf"))) | TEXTS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXTS, inner, max_size=4),
    max_leaves=20,
)


def refused(raw: bytes, **kwargs: Any) -> Problem:
    with pytest.raises(Problem) as caught:
        parse_json(raw, **kwargs)
    return caught.value


@pytest.mark.parametrize(
    ("raw", "detail"),
    [
        (b"", "empty"),
        (b" \n\t", "empty"),
        (b"\xef\xbb\xbf{}", "byte order mark"),
        (b'{"a": "\xff"}', "byte 0xff at offset 7"),
        (b'{"a": "\xc3', "byte 0xc3 at offset 7"),
        (b'{"a": "\xed\xa0\x80"}', "offset 7"),
        (b"{'a': 1}", "line 1, column 2"),
        (b'{"a": 1,\n "b": }', "line 2, column 7"),
        (b'{"a": 1} {"b": 2}', "line 1, column 10"),
        (b'{"a": 01}', "line 1, column 8"),
        (b'{"a": "\n"}', "line 1, column 8"),
        (b"{", "line 1, column 2"),
        (b'{"a": {"b": 1, "c": 2, "b": 3}}', '"b"'),
    ],
)
def test_malformed(raw: bytes, detail: str) -> None:
    problem = refused(raw)
    assert problem.kind.name == "malformed-json"
    assert detail in problem.detail


@pytest.mark.parametrize(
    ("raw", "kind", "pointer", "message"),
    [
        (b'{"a": [1, NaN]}', "malformed-json", "/a/1", "NaN"),
        (b'{"a": -Infinity}', "malformed-json", "/a", "-Infinity"),
        (b'{"a/b": {"~": NaN}}', "malformed-json", "/a~1b/~0", "NaN"),
        (b'{"a": {"b": 1, "b": 1}}', "malformed-json", "/a", '"b"'),
        (b'[{"a": 1, "\\u0061": 2}]', "malformed-json", "/0", '"a"'),
        (b'{"\\ud800": 1, "\\ud800": 2}', "malformed-json", "", "more than once"),
        (b'{"a": 1e400}', "invalid-request", "/a", "1e400 is too large"),
        (b'{"a": -1e400}', "invalid-request", "/a", "too large"),
        (b'{"a": 1' + b"0" * 100_000 + b"}", "invalid-request", "/a", "too large"),
        (b'{"a": "x\\ud800"}', "invalid-request", "/a", "surrogate"),
        (b'{"a": ["\\udc00"]}', "invalid-request", "/a/0", "surrogate"),
        (b'{"a": {"\\ud800": 1}}', "invalid-request", "/a", "surrogate"),
    ],
)
def test_refused_with_the_place(raw: bytes, kind: str, pointer: str, message: str) -> None:
    problem = refused(raw)
    assert problem.kind.name == kind
    assert problem.errors[0][0] == pointer
    assert message in problem.errors[0][1]
    json.dumps(problem.document("/"), ensure_ascii=False).encode()  # can be written out


@pytest.mark.parametrize("opening", [b"[", b'{"a":'])
@pytest.mark.parametrize("depth", [MAX_DEPTH + 1, 500, 5_000, 200_000])
def test_too_deep(opening: bytes, depth: int) -> None:
    closing = {b"[": b"]", b'{"a":': b"}"}[opening]
    middle = b"1"
    problem = refused(opening * depth + middle + closing * depth, max_bytes=10**7)
    assert problem.kind.name == "malformed-json"
    assert str(MAX_DEPTH) in problem.detail


@pytest.mark.parametrize(("opening", "closing"), [("[", "]"), ('{"a":', "}")])
def test_deepest_that_is_taken(opening: str, closing: str) -> None:
    raw = opening * MAX_DEPTH + "1" + closing * MAX_DEPTH
    assert parse_json(raw.encode()) == json.loads(raw)


def test_size_limit_is_exact() -> None:
    assert parse_json(b'{"a":1}', max_bytes=7) == {"a": 1}
    assert refused(b'{"a":1} ', max_bytes=7).kind.status == 413


def test_many_refusals_are_listed_up_to_a_bound() -> None:
    assert len(refused(b"[" + b"NaN," * 500 + b"1]").errors) == 20


def test_pair_of_surrogates_is_a_character() -> None:
    assert parse_json(b'"\\ud83d\\ude00"') == "\U0001f600"


@given(DOCUMENTS)
def test_every_document_is_read_as_the_standard_library_reads_it(document: Any) -> None:
    for ascii_only in (True, False):
        raw = json.dumps(document, ensure_ascii=ascii_only).encode()
        assert repr(parse_json(raw)) == repr(json.loads(raw))


@given(DOCUMENTS)
def test_what_is_written_is_read_back(document: Any) -> None:
    raw = dump_json(document)
    assert raw.endswith(b"\n")
    assert raw.count(b"\n") == 1
    assert repr(parse_json(raw)) == repr(document)


@given(st.binary(max_size=200) | st.text('[]{}:,"0123456789eE+-.\\utfnNaIy \n').map(str.encode))
def test_anything_is_read_or_refused(raw: bytes) -> None:
    try:
        outcome = parse_json(raw)
    except Problem as problem:
        outcome = problem
    if isinstance(outcome, Problem):
        assert outcome.kind.status in (400, 422)
        dump_json(outcome.document("/"))
    else:
        assert repr(outcome) == repr(json.loads(raw))


@given(DOCUMENTS | st.text())
def test_shown_is_short_and_can_be_written(value: Any) -> None:
    text = shown(value)
    assert 0 < len(text) <= 80
    text.encode()
