"""A disk that fills up, as a file."""

from __future__ import annotations

import errno
import io
import os
import tempfile
from typing import Any


class Filling(io.FileIO):
    """A temporary file on a disk with room for `room` bytes: the last write is a short one."""

    def __init__(self, room: int) -> None:
        descriptor, path = tempfile.mkstemp()
        os.unlink(path)
        super().__init__(descriptor, "rb+")
        self._room = room

    def write(self, data: Any, /) -> int:
        taken = super().write(memoryview(data)[: self._room]) if self._room else 0
        if not taken:
            raise OSError(errno.ENOSPC, "No space left on device")
        self._room -= taken
        return taken
