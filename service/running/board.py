"""Memory that the master writes and its workers read, across the fork and without a file.

One process writes, others read at any time. What they read is whole or nothing: it carries a hash.
"""

from __future__ import annotations

import hashlib
import mmap
import struct
from collections.abc import Mapping
from typing import Any

from service.documents import dump_json, parse_json

_HEAD = struct.Struct(">QQ32s")  # how often it was written, bytes, their SHA-256
_NUMBER = struct.Struct(">Q")


class Board:
    """Holds the last that was written; made before the fork. Memory is taken as it is used."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._memory = mmap.mmap(-1, _HEAD.size + most)

    @property
    def number(self) -> int:
        """How often something has been written; a look costs next to nothing."""
        found: int = _NUMBER.unpack_from(self._memory)[0]
        return found

    def write(self, data: bytes) -> None:
        """Replace what is there.

        Raises:
            ValueError: if it is more than there is room for.
        """
        if len(data) > self._most:
            raise ValueError(f"{len(data)} bytes, and there is room for {self._most}")
        self._memory[_HEAD.size : _HEAD.size + len(data)] = data
        digest = hashlib.sha256(data).digest()
        self._memory[: _HEAD.size] = _HEAD.pack(self.number + 1, len(data), digest)

    def read(self) -> tuple[int, bytes] | None:
        """What is there and its number; None if nothing is, or if it is just being written."""
        number, size, digest = _HEAD.unpack_from(self._memory)
        data = self._memory[_HEAD.size : _HEAD.size + min(size, self._most)]
        return (number, data) if hashlib.sha256(data).digest() == digest else None


class Published:
    """What the master has its workers know: the rule sets to use now, and how a reload went."""

    def __init__(self) -> None:
        self.rule_sets = Board(64 * 2**20)  # a pickled catalogue
        self._outcome = Board(2**18)

    def tell(self, outcome: Mapping[str, Any]) -> None:
        """Say how a reload went, as a document."""
        self._outcome.write(dump_json(outcome))

    def outcome(self) -> dict[str, Any] | None:
        """How the last reload went; None if there was none."""
        while self._outcome.number:
            found = self._outcome.read()
            if found is not None:
                out: dict[str, Any] = parse_json(found[1], len(found[1]))
                return out
        return None
