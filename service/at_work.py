"""How long the threads of this process have been working on the case that they have.

A thread cannot be stopped from outside, and no case should take long: how much may stand in one is
bounded. If one goes on and on all the same, the worker process ends and another takes its place.
"""

from __future__ import annotations

import time
from threading import get_ident

_since: dict[int, float] = {}


def begin() -> None:
    """This thread starts on a case."""
    _since[get_ident()] = time.monotonic()


def end() -> None:
    """This thread has done with its case."""
    _since.pop(get_ident(), None)


def longest() -> float:
    """Seconds since the start of the case that has been worked on for longest; 0.0: there is none.

    May be asked from any thread.
    """
    started = list(_since.values())
    return time.monotonic() - min(started) if started else 0.0
