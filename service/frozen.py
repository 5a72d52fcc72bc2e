"""A mapping that can be a key."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TypeVar

K = TypeVar("K")
V = TypeVar("V")


class Frozen(Mapping[K, V]):
    """A mapping of hashable values that does not change, and so is hashable itself."""

    __slots__ = ("_hash", "_items")

    def __init__(self, items: Mapping[K, V]) -> None:
        self._items = dict(items)
        self._hash: int | None = None

    def __getitem__(self, key: K) -> V:
        return self._items[key]

    def __iter__(self) -> Iterator[K]:
        return iter(self._items)

    def __len__(self) -> int:
        return len(self._items)

    def __eq__(self, other: object) -> bool:
        if isinstance(other, Frozen):
            return self._items == other._items
        return isinstance(other, Mapping) and self._items == dict(other)

    def __hash__(self) -> int:
        if self._hash is None:
            self._hash = hash(frozenset(self._items.items()))
        return self._hash
