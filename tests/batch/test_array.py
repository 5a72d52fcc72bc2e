"""A JSON array is taken apart into the texts of its cases, as the parser of JSON would."""

from __future__ import annotations

import json
import tracemalloc
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from service.batch import array
from service.batch.array import from_array
from service.documents import parse_json_array
from service.problems import Problem
from tests.wanted import examples

MOST = 2**20
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner),
    max_leaves=12,
)
BRACKETS = ("[", "]", "{", "}", "[[]]", '{"a":1}', '{"a":1,"a":2}')
TEXTS = ('"', "\\", '\\"', "\\\\", '"a"', '"[,]"', '"\\ud800"', "é", "😀")
OTHERS = (",", ":", " ", "\n", "1", "-", "1.5e3", "1e999", "1" * 5000, "true", "nul", "NaN")
PIECES = st.sampled_from([*BRACKETS, *TEXTS, *OTHERS, "\ufeff", "\x00"])


def by_parser(raw: bytes) -> Any:
    """The items, each as a value or the name of its problem; or the name of that of the whole."""
    try:
        return [
            one.kind.name if isinstance(one, Problem) else repr(one)
            for one in parse_json_array(raw, MOST)
        ]
    except Problem as problem:
        return problem.kind.name, problem.detail.split(":")[0]


def taken_apart(raw: bytes) -> Any:
    try:
        items = [one.parsed() for one in from_array(raw, MOST)]
    except Problem as problem:
        return problem.kind.name, problem.detail.split(":")[0]
    assert [one.index for one in items] == list(range(len(items)))
    return [one.problem.kind.name if one.problem else repr(one.document) for one in items]


@settings(max_examples=examples(200), deadline=None)
@given(st.lists(VALUES, max_size=6), st.sampled_from([None, 1]), st.booleans())
def test_what_is_an_array_gives_its_items(items: list[Any], indent: Any, ascii: bool) -> None:
    text = json.dumps(items, indent=indent, ensure_ascii=ascii)
    raw = text.encode("utf-8", "replace")
    assert taken_apart(raw) == by_parser(raw)


@settings(max_examples=examples(600), deadline=None)
@given(st.lists(PIECES, max_size=10).map(lambda some: "[" + "".join(some)), st.booleans())
@example("[]", False)
@example("[1,]", False)
@example("[1 2]", False)
@example("[1] 2", False)
@example("[,1]", False)
@example('["a', False)
@example('[{"a": [}]', False)
@example('[{"a": "]"}]', False)
@example('["\\"]', False)
def test_what_is_none_is_refused_as_the_parser_refuses_it(text: str, closed: bool) -> None:
    raw = (text + "]" if closed else text).encode("utf-8", "replace")
    ours, theirs = taken_apart(raw), by_parser(raw)
    if isinstance(theirs, tuple) and isinstance(ours, tuple):
        assert ours[0] == theirs[0]  # where it goes wrong is told of the first that is seen
    else:
        assert ours == theirs


@pytest.mark.parametrize(
    ("raw", "place"),
    [
        (b"[1,\n  x]", "line 2, column 3: Expecting value"),
        ("[\"é\", {'a'}]".encode(), "line 1, column 8: Expecting property name"),
        (b"[1] [2]", "line 1, column 5: Extra data"),
        (b'[{"a":1}\n{"a":2}]', "line 2, column 1: Expecting ',' delimiter"),
    ],
)
def test_the_place_of_what_is_wrong_is_that_in_the_body(raw: bytes, place: str) -> None:
    with pytest.raises(Problem, match=place):
        from_array(raw, MOST)


@pytest.mark.parametrize("at", [3, 2**16 - 1, 2**16, 2**16 + 1, 200_000])
def test_what_is_no_utf_8_is_told_with_its_place(at: int) -> None:
    raw = bytearray(b'["' + "é".encode() * 150_000 + b'"]')
    raw[at : at + 1] = b"\xff"
    with pytest.raises(Problem, match=f"0xff at offset {at}\\.|at offset {at - 1}\\."):
        from_array(bytes(raw), MOST)


def test_a_case_that_is_too_long_is_a_problem_in_its_place() -> None:
    long = [["x"] * 400_000, {"a": "y" * MOST}]
    raw = json.dumps([1, *long, {"a": 2}]).encode()
    found = [one.parsed() for one in from_array(raw, MOST)]
    assert [one.problem and one.problem.kind.name for one in found] == [
        None,
        *2 * ["content-too-large"],
        None,
    ]


def test_too_many_cases_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(array, "MOST_CASES", 3)
    assert len(list(from_array(b"[1,2,3]", MOST))) == 3
    with pytest.raises(Problem, match="may have 3 cases"):
        from_array(b"[1,2,3,4]", MOST)


@pytest.mark.long
@pytest.mark.parametrize(
    "item",
    [b"[" + b"[]," * 10_000 + b"[]]", b"[" * 9 + b"]" * 9, b"[]", b'{"":{}}', b'"a"', b"1.5"],
)
@pytest.mark.parametrize("as_one", [False, True], ids=["as items", "as one item"])
def test_an_array_takes_little_more_memory_than_its_text(item: bytes, as_one: bool) -> None:
    """And one case at a time."""
    size, most = 2**18, 2**15
    count = min(size // (len(item) + 1), array.MOST_CASES)
    inner = b",".join([item] * count)
    raw = b"[[" + inner + b"]]" if as_one else b"[" + inner + b"]"
    tracemalloc.start()
    try:
        for one in from_array(raw, most):
            one.parsed()
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 33 * most + 24 * count
