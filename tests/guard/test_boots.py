"""A worker that cannot do its work is started again, but not for ever and at once."""

from __future__ import annotations

import resource

import pytest

from service.running.boots import AT_ONCE, LONGEST, SOON, Boots
from service.running.descriptors import (
    LEAST,
    WANTED,
    TooFewFilesError,
    connections,
    make_room,
)


class Clock:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


def boots_within(seconds: float, lives: float) -> int:
    """How many workers are started in a time, if each ends so long after its start."""
    clock = Clock()
    boots, count, end = Boots(clock), 0, clock.now + seconds
    while clock.now < end:
        if boots.may_begin():
            count += 1
            boots.begun(count)
            clock.now += lives
            boots.ended(count)
        else:
            clock.now += 0.5  # as often as a master looks
    return count


def test_workers_that_end_at_once_are_started_less_and_less() -> None:
    assert boots_within(120, lives=0.05) <= 12
    assert boots_within(3600, lives=0.05) <= 12 + 3600 / LONGEST


def test_workers_that_live_are_replaced_at_once() -> None:
    assert boots_within(20 * (SOON + 1), lives=SOON + 1) == 20


def test_a_few_ends_in_a_row_make_nobody_wait() -> None:
    clock = Clock()
    boots = Boots(clock)
    for pid in range(AT_ONCE):
        boots.begun(pid)
        assert boots.ended(pid) == 0.0
        assert boots.may_begin()
    boots.begun(AT_ONCE)
    assert boots.ended(AT_ONCE) > 0.0
    assert not boots.may_begin()


def test_one_that_has_lived_ends_the_waiting() -> None:
    clock = Clock()
    boots = Boots(clock)
    for pid in range(AT_ONCE + 3):
        boots.begun(pid)
        boots.ended(pid)
    clock.now += LONGEST
    boots.begun(99)
    clock.now += SOON
    assert boots.ended(99) == 0.0
    assert boots.may_begin()


@pytest.mark.parametrize("limit", [64, LEAST - 1])
def test_with_too_few_files_nothing_is_started(limit: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(resource, "getrlimit", lambda _: (limit, limit))
    monkeypatch.setattr(resource, "setrlimit", lambda *_: None)
    with pytest.raises(TooFewFilesError, match=f"ulimit -n {LEAST}"):
        make_room()


def test_the_limit_is_raised_as_far_as_it_may(monkeypatch: pytest.MonkeyPatch) -> None:
    set_to: list[tuple[int, int]] = []
    monkeypatch.setattr(resource, "getrlimit", lambda _: (64, 1000))
    monkeypatch.setattr(resource, "setrlimit", lambda _, limits: set_to.append(limits))
    assert make_room() == 1000
    assert set_to == [(1000, 1000)]
    assert connections(1000, 1000) < 1000
    assert connections(WANTED, 1000) == 1000
