"""How soon a worker may be started anew: at once, but not again and again."""

from __future__ import annotations

import time
from collections.abc import Callable

SOON = 10.0  # s; a worker that ends earlier could not do its work
AT_ONCE = 4  # such ends, with no pause between
LONGEST = 30.0  # s, between boots


class Boots:
    """Counts workers that end soon after their start, and makes the master wait for the next."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._begun: dict[int, float] = {}
        self._in_vain = 0
        self._next = 0.0

    def may_begin(self) -> bool:
        """Whether a worker may be started now."""
        return self._clock() >= self._next

    def begun(self, pid: int) -> None:
        """A worker has been started."""
        self._begun[pid] = self._clock()

    def ended(self, pid: int) -> float:
        """A worker has ended; how long the next one has to wait, s."""
        begun = self._begun.pop(pid, None)
        if begun is None or self._clock() - begun >= SOON:
            self._in_vain = 0
            return 0.0
        self._in_vain += 1
        if self._in_vain <= AT_ONCE:
            return 0.0
        wait: float = min(2.0 ** (self._in_vain - AT_ONCE - 1), LONGEST)
        self._next = max(self._next, self._clock() + wait)
        return wait
