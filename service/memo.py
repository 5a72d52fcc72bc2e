"""What has been worked out, kept for those who ask for the same again."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from threading import Lock
from typing import Generic, NamedTuple, TypeVar

K = TypeVar("K", bound=Hashable)
V = TypeVar("V")


class _None:
    """What stands for a value that is not there."""


_NONE = _None()


class CacheInfo(NamedTuple):
    """How often something was there, how often not, and how much is kept."""

    hits: int
    misses: int
    currsize: int


class Memo(Generic[K, V]):
    """A function of many keys at a time, which is asked only for those whose values are not kept.

    So many values are kept as `most` says, of the keys asked for last. Threads may share it; what
    two of them ask for at the same time may be worked out twice.
    """

    def __init__(self, most: int, work_out: Callable[[Sequence[K]], Sequence[V]]) -> None:
        self._most = most
        self._work_out = work_out
        self._kept: dict[K, V] = {}  # those asked for last stand last
        self._lock = Lock()
        self._hits = self._misses = 0

    def of(self, keys: Sequence[K]) -> list[V]:
        """The value of each key. What the function raises goes through, and keeps nothing."""
        found: dict[int, V] = {}
        missing: dict[K, list[int]] = {}
        with self._lock:
            for place, key in enumerate(keys):
                value = self._kept.pop(key, _NONE)  # looked up once: a key may be large
                if isinstance(value, _None):
                    missing.setdefault(key, []).append(place)
                else:
                    found[place] = self._kept[key] = value
            self._misses += len(missing)
            self._hits += len(keys) - len(missing)
        if missing:
            values = self._work_out(tuple(missing))
            with self._lock:
                for (key, places), value in zip(missing.items(), values, strict=True):
                    self._kept[key] = value
                    found.update(dict.fromkeys(places, value))
                while len(self._kept) > self._most:
                    del self._kept[next(iter(self._kept))]
        return [found[place] for place in range(len(keys))]

    def cache_info(self) -> CacheInfo:
        """As `functools.lru_cache` tells it."""
        return CacheInfo(self._hits, self._misses, len(self._kept))
