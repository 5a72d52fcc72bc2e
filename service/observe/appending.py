"""Lines that several processes and threads append to one file, or to standard output."""

from __future__ import annotations

import errno
import fcntl
import os
import stat
import sys
import tempfile
from threading import Lock
from typing import Protocol

_MODE = 0o640


class Appending(Protocol):
    """Where lines go."""

    def append(self, line: bytes) -> None:
        """Write one line, which has its end. Raises OSError if it is not there, or not whole."""

    def reopen(self) -> None:
        """Have the file opened anew before the next line."""


class AppendedFile:
    """A file, opened for appending: a line is one write, and begins a line of the file.

    A file that has been moved away or removed is made anew under its name.
    """

    def __init__(self, name: str) -> None:
        """Open it, or make it. Raises OSError."""
        self._name = name
        self._lock = Lock()  # between threads: one may not close what another writes to
        self._file, self._is = self._open()
        self._stale = False

    def append(self, line: bytes) -> None:
        """Write one line, which has its end. Raises OSError if it is not there, or not whole."""
        with self._lock:
            self._follow()
            # Between processes: the size grows while another one's write is under way, so that
            # the end of the file tells of a line cut off only to who has its turn.
            fcntl.lockf(self._file, fcntl.LOCK_EX)
            try:
                if self._ends_cut():
                    line = b"\n" + line
                written = os.write(self._file, line)
            finally:
                fcntl.lockf(self._file, fcntl.LOCK_UN)
            if written < len(line):
                raise OSError(errno.ENOSPC, "a line was cut off", self._name)

    def reopen(self) -> None:
        """Have the file opened anew before the next line. May be called by a signal's handler."""
        self._stale = True

    def _follow(self) -> None:
        if not self._stale:
            try:
                found = os.stat(self._name)
                if (found.st_dev, found.st_ino) == self._is:
                    return
            except FileNotFoundError:
                pass
        old = self._file
        self._file, self._is = self._open()
        os.close(old)
        self._stale = False

    def _open(self) -> tuple[int, tuple[int, int]]:
        flags = os.O_RDWR | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC
        file = os.open(self._name, flags, _MODE)
        found = os.fstat(file)
        return file, (found.st_dev, found.st_ino)

    def _ends_cut(self) -> bool:
        """Whether the last line has no end: the disk was full, or its process was killed."""
        found = os.fstat(self._file)
        regular = stat.S_ISREG(found.st_mode) and found.st_size > 0
        return regular and os.pread(self._file, 1, found.st_size - 1) != b"\n"


class StandardOutput:
    """Standard output, which may be a pipe: that mixes what is longer than a page."""

    def __init__(self) -> None:
        """Take it as it is now, before processes are forked. Raises OSError."""
        try:
            self._file = os.dup(sys.stdout.fileno())
        except (AttributeError, ValueError) as error:
            raise OSError(errno.EBADF, "standard output is closed") from error
        self._lock = Lock()  # between threads
        # Between processes: a lock on a file ends with the process that has it.
        self._turn = tempfile.TemporaryFile()  # noqa: SIM115 - open as long as this is

    def append(self, line: bytes) -> None:
        """Write one line, which has its end. Raises OSError if it is not there, or not whole."""
        with self._lock:
            fcntl.lockf(self._turn, fcntl.LOCK_EX)
            try:
                left = memoryview(line)
                while left:
                    left = left[os.write(self._file, left) :]
            finally:
                fcntl.lockf(self._turn, fcntl.LOCK_UN)

    def reopen(self) -> None:
        """There is nothing to open."""


def appending(name: str) -> Appending:
    """The file of that name, or standard output for `-`. Raises OSError."""
    return StandardOutput() if name == "-" else AppendedFile(name)
