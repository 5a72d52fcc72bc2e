"""How long the threads of this process have been working on the case that they have.

A thread cannot be stopped from outside, and no case should take long: how much may stand in one is
bounded. If one goes on and on all the same, the worker process ends and another takes its place.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from threading import get_ident

_since: dict[int, float] = {}


@contextmanager
def working() -> Iterator[None]:
    """This thread works on a case, from its bytes on. What is within another counts to that."""
    me = get_ident()
    if me in _since:
        yield
        return
    _since[me] = time.monotonic()
    try:
        yield
    finally:
        del _since[me]


def longest() -> float:
    """Seconds since the start of the case that has been worked on for longest; 0.0: there is none.

    May be asked from any thread.
    """
    started = list(_since.values())
    return time.monotonic() - min(started) if started else 0.0
