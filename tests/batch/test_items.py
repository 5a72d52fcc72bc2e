"""Cases out of lines: one by one, whatever stands beside them."""

from __future__ import annotations

import io
import json
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from service.batch.items import Item, from_documents, from_lines
from service.problems import Problem, invalid_request


def items(text: bytes, most: int = 1000) -> list[Item]:
    return [one.parsed() for one in from_lines(io.BytesIO(text), most)]


def kinds(found: list[Item]) -> list[str | None]:
    return [None if one.problem is None else one.problem.kind.name for one in found]


def test_a_line_that_is_no_json_does_not_harm_its_neighbours() -> None:
    found = items(b'{"a": 1}\n\n  \r\nnot json\r\n{"a": NaN}\n{"a": 1, "a": 2}\n\xff\n{"b": 2}')
    assert [one.index for one in found] == list(range(6))
    assert [one.line for one in found] == [1, 4, 5, 6, 7, 8]
    assert kinds(found) == [None, *["malformed-json"] * 4, None]
    assert (found[0].document, found[-1].document) == ({"a": 1}, {"b": 2})
    assert "line 4, column 1" in str(found[1].problem)


def test_a_line_that_is_too_long_is_passed_over_and_never_kept_whole() -> None:
    class Measured(io.BytesIO):
        longest = 0

        def readline(self, most: int | None = -1, /) -> bytes:
            line = super().readline(most)
            self.longest = max(self.longest, len(line))
            return line

    long = b'{"a": "' + b"x" * 100_000 + b'"}\n'
    source = Measured(b"[1]\n" + long + b"[2]\n" + long.rstrip(b"\n"))
    found = [one.parsed() for one in from_lines(source, 50)]
    assert kinds(found) == [None, "content-too-large", None, "content-too-large"]
    assert [one.line for one in found] == [1, 2, 3, 4]
    assert source.longest <= 52


def test_lines_without_line_breaks_get_a_hint() -> None:
    """As curl -d @FILE sends them."""
    for most in (1000, 20):
        (found,) = items(b'{"a": 1}{"b": 2}{"c": 3}', most)
        assert found.problem is not None
        assert "curl keeps them with --data-binary, not with -d." in found.problem.detail
    _, other = items(b'{"a": 1}\n{"a": "' + b"x" * 30 + b'"}\n', 20)
    assert other.problem is not None
    assert "--data-binary" not in other.problem.detail


def test_a_line_of_just_the_most_bytes_is_read() -> None:
    exact = b'"' + b"x" * 48 + b'"'
    assert kinds(items(exact + b"\r\n" + exact + b"\n" + exact, most=50)) == [None] * 3
    assert kinds(items(exact, most=49)) == ["content-too-large"]


def test_a_problem_among_documents_keeps_its_place() -> None:
    wrong = invalid_request([("/a", "is wrong")])
    found = list(from_documents([{"a": 1}, wrong, {"b": 2}]))
    assert [(one.index, one.line) for one in found] == [(0, None), (1, None), (2, None)]
    assert [one.problem for one in found] == [None, wrong, None]


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-9, 9) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner),
    max_leaves=6,
)


@given(st.lists(VALUES | st.binary(max_size=12), max_size=12))
def test_every_line_that_holds_something_gives_one_item(lines: list[Any]) -> None:
    raw = [
        one.replace(b"\n", b"").replace(b"\r", b"")
        if isinstance(one, bytes)
        else json.dumps(one).encode()
        for one in lines
    ]
    found = items(b"\n".join(raw))
    told = [one for one in raw if one.strip()]
    assert [one.index for one in found] == list(range(len(told)))
    for one, line in zip(found, told, strict=True):
        if isinstance(one.problem, Problem):
            continue
        assert json.loads(line.decode()) == one.document
