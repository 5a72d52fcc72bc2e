"""A body that comes in while it is being read."""

from __future__ import annotations

import io
import threading
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.batch.spool import BrokenBody, Spool
from tests.batch.filling import Filling
from tests.breaking.running import wait_for


class Dripping:
    """A source that gives what it is fed, and waits for more."""

    def __init__(self) -> None:
        self._ready = threading.Condition()
        self._held: list[bytes | Exception] = []

    def feed(self, *more: bytes | Exception) -> None:
        with self._ready:
            self._held += more
            self._ready.notify_all()

    def readline(self, most: int, /) -> bytes:
        with self._ready:
            assert self._ready.wait_for(lambda: bool(self._held), timeout=20)
            block = self._held.pop(0)
        if isinstance(block, Exception):
            raise block
        assert len(block) <= most
        return block


def spool(source: Any, **more: Any) -> Spool:
    return Spool(source, **{"size": None, "most": 10**6, **more})


@given(st.lists(st.binary(max_size=30)), st.integers(1, 40))
def test_it_reads_as_a_file_does(blocks: list[bytes], most: int) -> None:
    raw = b"\n".join(blocks)
    held, plain = spool(io.BytesIO(raw)), io.BytesIO(raw)
    while line := plain.readline(most):
        assert held.readline(most) == line
    assert held.readline(most) == b""
    held.seek(0)
    assert b"".join(iter(lambda: held.readline(most), b"")) == raw
    held.close()


def test_a_line_is_there_as_soon_as_it_has_come() -> None:
    source = Dripping()
    held = spool(source)
    for number in range(5):
        source.feed(b"line %d\n" % number)
        assert held.readline(100) == b"line %d\n" % number
    source.feed(b"no end", b"")
    assert held.readline(100) == b"no end"
    assert held.readline(100) == b""
    held.close()


def test_all_is_taken_though_nothing_is_read() -> None:
    """As with a client that sends everything before it reads an answer."""
    lines = [b"x" * 1000 + b"\n"] * 5000
    held = spool(io.BytesIO(b"".join(lines)), most=10**7)
    wait_for(held.whole)
    assert [held.readline(2000) for _ in range(5001)] == [*lines, b""]
    held.close()


@pytest.mark.parametrize(
    ("blocks", "more", "kind", "words"),
    [
        ([b"a\n", b"b", b""], {"size": 10}, "bad-request", "ends after 3 of 10 bytes"),
        ([b"a\n", b"b", RuntimeError()], {}, "bad-request", "breaks off"),
        ([b"a\n", b"b", ConnectionResetError(104, "reset")], {}, "bad-request", "breaks off"),
        ([b"a\n", b"b" * 9], {"most": 5}, "content-too-large", "larger than 5 bytes"),
    ],
)
def test_what_breaks_off_says_so_in_place_of_its_end(
    blocks: list[bytes | Exception], more: dict[str, int], kind: str, words: str
) -> None:
    source = Dripping()
    source.feed(*blocks)
    held = spool(source, **more)
    assert held.readline(100) == b"a\n"
    with pytest.raises(BrokenBody) as caught:
        held.readline(100)
    assert caught.value.problem.kind.name == kind
    assert words in caught.value.problem.detail
    held.close()


@pytest.mark.parametrize("room", [0, 1, 5, 9])
def test_a_full_disk_is_said_and_is_no_fault_of_the_body(
    monkeypatch: pytest.MonkeyPatch, room: int
) -> None:
    """Also where the last block finds room for its first bytes."""
    monkeypatch.setattr("tempfile.TemporaryFile", lambda **_: Filling(room))
    held = spool(io.BytesIO(b"a\n" * 5))
    for _ in range(room // 2):
        assert held.readline(100) == b"a\n"
    with pytest.raises(BrokenBody) as caught:
        held.readline(100)
    assert caught.value.problem.kind.name == "too-busy"
    assert "No space left" in caught.value.problem.detail
    held.close()


def test_lines_that_come_in_renew_the_time_and_blank_ones_do_not() -> None:
    renewed: list[int] = []
    source = io.BytesIO(b"a\n\n  \nb\n" + b"no line")
    held = spool(source, progress=lambda: renewed.append(1))
    wait_for(held.whole)
    assert len(renewed) == 2
    held.close()


def test_a_reader_that_leaves_ends_it() -> None:
    source = Dripping()
    held = spool(source)
    held.close()
    source.feed(b"more\n")
    wait_for(held.whole)
    assert held.readline(10) == b""
