"""The files in which a process keeps its numbers; without room for them it keeps them in memory.

prometheus_client maps files of whose size nothing is there yet. Where the disk is full, writing to
such a place ends the process (SIGBUS), and the next one, and so on. So room is taken first; where
there is none, the process counts for itself, and its numbers are missing from /metrics.
"""

from __future__ import annotations

import logging
import os
from contextlib import suppress
from typing import Any

from prometheus_client import mmap_dict, values
from prometheus_client.mmap_dict import MmapedDict

from service.observe.multiprocess import tell_lacking

log = logging.getLogger(__name__)

NAMELESS = ".new"  # behind the name of a file that has no room as yet
_ROOM = 1 << 16  # bytes, as much as the library maps at first


class RoomyDict(MmapedDict):
    """Numbers by name, in a file whose room has been taken; in memory where there is none."""

    def __init__(self, filename: str, read_mode: bool = False) -> None:
        self._memory: dict[str, tuple[float, float]] | None = None
        known = os.path.exists(filename)
        try:
            if not read_mode:
                _take_room(filename, _ROOM)
            super().__init__(filename, read_mode)  # type: ignore[no-untyped-call]
        except OSError as error:
            self._go_without(error)
            if not known:  # nobody can read what is not whole
                with suppress(OSError):
                    os.unlink(filename)

    def _go_without(self, error: OSError) -> None:
        tell_lacking(error.strerror or str(error))
        self._memory = {}
        if getattr(self, "_f", None) is not None:
            super().close()  # type: ignore[no-untyped-call]
        self._f = None  # type: ignore[assignment]  # which `close` looks at

    def _init_value(self, key: str) -> None:
        needed = self._used + len(key.encode()) + 64
        if needed > self._capacity:
            _take_room(self._fname, 2 * self._capacity)
        super()._init_value(key)  # type: ignore[no-untyped-call]

    def read_value(self, key: str) -> Any:
        """Value and time of a name."""
        if self._memory is None:
            try:
                return super().read_value(key)  # type: ignore[no-untyped-call]
            except OSError as error:
                self._go_without(error)
        assert self._memory is not None
        return self._memory.setdefault(key, (0.0, 0.0))

    def write_value(self, key: str, value: float, timestamp: float) -> None:
        """Keep the value and time of a name."""
        if self._memory is None:
            try:
                super().write_value(key, value, timestamp)  # type: ignore[no-untyped-call]
                return
            except OSError as error:
                self._go_without(error)
        assert self._memory is not None
        self._memory[key] = (value, timestamp)


def _take_room(filename: str, size: int) -> None:
    """Have so many bytes for a file. Raises OSError if they are not there.

    A new one gets its name once it has its size: whoever reads all files at that moment, for
    /metrics, cannot read an empty one.
    """
    known = os.path.exists(filename)
    at_first = filename if known else f"{filename}{NAMELESS}"
    descriptor = os.open(at_first, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        os.posix_fallocate(descriptor, 0, size)
        if not known:
            os.rename(at_first, filename)
    except OSError:
        if not known:
            os.unlink(at_first)
        raise
    finally:
        os.close(descriptor)


def use() -> None:
    """Have the library keep numbers so. Before any is made."""
    if mmap_dict._INITIAL_MMAP_SIZE != _ROOM:  # another version of the library
        log.warning("the metrics library maps files of another size than is made sure of")
    vars(values)["MmapedDict"] = RoomyDict
