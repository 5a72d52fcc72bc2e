"""Rates and places in use, the same for all worker processes.

Made before the workers are forked: an anonymous mapping of memory that they all have, and a file
without a name to lock parts of. The locks are POSIX record locks, which the kernel takes away from
a process that ends in whatever way. They are per process, so threads have a lock of their own.
"""

from __future__ import annotations

import fcntl
import mmap
import os
import tempfile
import threading
import time
import weakref
from contextlib import suppress
from hashlib import blake2b

from service.guard.keys import KeysError
from service.settings import MOST_AT_A_TIME

MOST_NAMES = 4096
_WORD = 8  # bytes


class Shared:
    """A number for each name, with its lock, and a few places that requests may take.

    Names stay as long as the service runs; a name that comes again has what it had.
    """

    def __init__(self, names: int = MOST_NAMES) -> None:
        self._names = names
        memory = memoryview(mmap.mmap(-1, 2 * names * _WORD))
        self._marks = memory[: names * _WORD].cast("Q")
        self._numbers = memory[names * _WORD :].cast("d")
        # Open as long as this is used: closing any descriptor of a file gives up all its locks.
        self._file, path = tempfile.mkstemp(prefix="ohmpath-")
        os.unlink(path)
        weakref.finalize(self, os.close, self._file)
        self._threads = threading.Lock()
        self._taken: set[int] = set()

    def slot(self, name: str) -> int:
        """The number of a name in all processes. Raises KeysError."""
        mark = int.from_bytes(blake2b(name.encode(), digest_size=_WORD).digest(), "big") or 1
        with self._threads:
            fcntl.lockf(self._file, fcntl.LOCK_EX, 1, 0)
            try:
                for slot in range(1, self._names):
                    if self._marks[slot] in (0, mark):
                        self._marks[slot] = mark
                        return slot
            finally:
                fcntl.lockf(self._file, fcntl.LOCK_UN, 1, 0)
        raise KeysError(f"there is room for {self._names - 1} keys from one start to the next")

    def wait(self, slot: int, rate: float, burst: int) -> float:
        """Take one request; 0.0 if it may pass, or else the seconds until one will.

        By the generic cell rate algorithm (ITU-T I.371, from memory): of each name nothing is kept
        but the time at which it would have made all its requests, had it made them evenly.
        rate: requests a second; burst: how many may come at once.
        """
        interval, numbers = 1.0 / rate, self._numbers
        with self._threads:
            fcntl.lockf(self._file, fcntl.LOCK_EX, 1, slot)
            try:
                # One clock for all processes of a machine.
                now = time.monotonic()
                due = max(numbers[slot], now)
                early = due - now - interval * (burst - 1)
                if early > 1e-9:  # less is the rounding of the sums
                    return early
                numbers[slot] = due + interval
                return 0.0
            finally:
                fcntl.lockf(self._file, fcntl.LOCK_UN, 1, slot)

    def take(self, slot: int, places: int) -> int | None:
        """One of so many places of a name, to be given back; None if all are taken."""
        first = self._names + slot * MOST_AT_A_TIME
        with self._threads:
            for place in range(first, first + min(places, MOST_AT_A_TIME)):
                if place in self._taken:
                    continue
                with suppress(OSError):
                    fcntl.lockf(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB, 1, place)
                    self._taken.add(place)
                    return place
        return None

    def give_back(self, place: int) -> None:
        """Let somebody else have a place."""
        with self._threads:
            self._taken.discard(place)
            fcntl.lockf(self._file, fcntl.LOCK_UN, 1, place)
