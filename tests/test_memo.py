"""What is kept of a function of many keys."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from service.memo import Memo


class Squares:
    """Squares, and what it was asked for."""

    def __init__(self, most: int) -> None:
        self.asked: list[tuple[int, ...]] = []
        self.memo = Memo(most, self._square)

    def _square(self, keys: Sequence[int]) -> list[int]:
        self.asked.append(tuple(keys))
        return [1 // key if key == 0 else key * key for key in keys]


def test_only_what_is_not_there_is_worked_out_and_once() -> None:
    squares = Squares(10)
    assert squares.memo.of([3, 4, 3]) == [9, 16, 9]
    assert squares.memo.of([5, 4, 6, 5]) == [25, 16, 36, 25]
    assert squares.memo.of([]) == []
    assert squares.asked == [(3, 4), (5, 6)]
    assert squares.memo.cache_info() == (3, 4, 4)


def test_what_was_asked_for_last_is_kept() -> None:
    squares = Squares(2)
    squares.memo.of([1, 2])
    squares.memo.of([1])
    squares.memo.of([3])  # in place of 2
    assert squares.memo.of([1, 3]) == [1, 9]
    assert squares.asked == [(1, 2), (3,)]
    squares.memo.of([2])
    assert squares.asked[-1] == (2,)
    assert squares.memo.cache_info().currsize == 2


def test_more_than_is_kept_may_be_asked_for_at_once() -> None:
    squares = Squares(0)
    assert squares.memo.of([1, 2, 3]) == [1, 4, 9]
    assert squares.memo.cache_info().currsize == 0


def test_a_failure_goes_through_and_leaves_what_was_kept() -> None:
    squares = Squares(10)
    squares.memo.of([2])
    with pytest.raises(ZeroDivisionError):
        squares.memo.of([2, 5, 0])
    assert squares.memo.of([2, 5]) == [4, 25]
    assert squares.asked == [(2,), (5, 0), (5,)]
