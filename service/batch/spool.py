"""What a client sends, kept on disk as it comes in, and read by lines as far as it has come.

Most clients send a whole body before they read any of the answer. A service that stopped reading
until its answers are taken would wait for them, and they for it; one that kept the body in memory
would grow with it.
"""

from __future__ import annotations

import os
import tempfile
import threading
from collections.abc import Callable

from service.batch.items import Lines
from service.problems import BAD_REQUEST, CONTENT_TOO_LARGE, TOO_BUSY, Problem

_BLOCK = 1 << 16
_PATIENCE = 5.0  # s, for a read that was told to end


def _nothing() -> None:
    pass


def _no_room(error: OSError) -> Problem:
    return Problem(TOO_BUSY, f"The body cannot be kept on disk: {error.strerror}.")


class BrokenBody(Exception):  # noqa: N818 - what it is
    """The body is not whole; the last line, or the last case of a table, may lack its end."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        super().__init__(problem.detail)


class Spool:
    """Reads the source in a thread of its own; `readline` gives what has come so far.

    size: bytes that were announced, if any were. most: bytes that are taken.
    progress: called for each line that has come, so that a time limit can be renewed.
    stop: called where the rest is not wanted; it ends a read that waits.

    Raises Problem, if there is no room to keep anything.
    """

    def __init__(
        self,
        source: Lines,
        *,
        size: int | None,
        most: int,
        progress: Callable[[], None] = _nothing,
        stop: Callable[[], None] = _nothing,
    ) -> None:
        self._source, self._size, self._most = source, size, most
        self._progress, self._stop = progress, stop
        try:
            self._file = tempfile.TemporaryFile(buffering=0)  # noqa: SIM115 - closed in `close`
        except OSError as error:
            raise _no_room(error) from None
        self._changed = threading.Condition()
        self._written = 0
        self._over = False
        self._closed = False
        self._read = 0
        self._buffer = b""
        self._problem: Problem | None = None  # why the body is not whole
        self._thread = threading.Thread(target=self._take, name="batch-spool", daemon=True)
        self._thread.start()

    def readline(self, most: int, /) -> bytes:
        """The next line with its end, at most so many bytes of it; empty at the end.

        Raises:
            BrokenBody: in place of the end of a body that is not whole, and of a line cut by it.
        """
        while True:
            end = self._buffer.find(b"\n", 0, most) + 1
            if end or len(self._buffer) >= most:
                return self._cut(end or most)
            if not (more := self._more()):
                if self._problem is not None:
                    raise BrokenBody(self._problem)
                return self._cut(len(self._buffer))
            self._buffer += more

    def seek(self, offset: int, /) -> None:
        """Go back to the beginning, to read all once more.

        Raises:
            ValueError: for another place than 0.
        """
        if offset:
            raise ValueError("there is no way to any place but the beginning")
        self._read, self._buffer = 0, b""

    def whole(self) -> bool:
        """Whether all has come: nobody who reads has to wait any more."""
        return self._over

    def close(self) -> None:
        """Keep nothing more, and read nothing more: the source has no other reader from now on."""
        with self._changed:
            if self._closed:
                return
            self._closed, over = True, self._over
        if not over:
            self._stop()
        self._thread.join(_PATIENCE)
        self._file.close()

    def _cut(self, end: int) -> bytes:
        line, self._buffer = self._buffer[:end], self._buffer[end:]
        return line

    def _more(self) -> bytes:
        with self._changed:
            self._changed.wait_for(lambda: self._written > self._read or self._over)
            if self._closed or self._written == self._read:
                return b""
            more = os.pread(self._file.fileno(), _BLOCK, self._read)
        self._read += len(more)
        return more

    def _take(self) -> None:
        problem = None
        try:
            problem = self._copy()
        except Exception as error:
            # The web server has errors of its own for a chunk that is not well-formed and for a
            # client that leaves; nothing but the framing of the body can fail here.
            detail = f"The body breaks off or is not framed as HTTP asks: {type(error).__name__}."
            problem = Problem(BAD_REQUEST, detail)
        with self._changed:
            self._problem, self._over = problem, True
            self._changed.notify_all()

    def _keep(self, block: bytes) -> None:
        """Write a block. Raises OSError.

        A disk that fills up takes the first bytes of a block and says no more than how many.
        """
        rest = memoryview(block)
        while rest:
            rest = rest[self._file.write(rest) :]

    def _copy(self) -> Problem | None:
        """Take the body to its end; what is wrong with it."""
        while block := self._source.readline(_BLOCK):
            with self._changed:
                if self._closed:
                    return None
                if self._written + len(block) > self._most:
                    return Problem(
                        CONTENT_TOO_LARGE, f"The body is larger than {self._most} bytes."
                    )
                try:
                    self._keep(block)
                except OSError as error:
                    return _no_room(error)
                self._written += len(block)
                self._changed.notify_all()
            if block.endswith(b"\n") and block.strip():
                self._progress()
        if self._size is not None and self._written < self._size:
            detail = f"The body ends after {self._written} of {self._size} bytes."
            return Problem(BAD_REQUEST, detail)
        return None
