"""A time limit on how long a client may take to send a request.

A thread of the worker reads a request with a blocking socket, which a client that sends a byte
and then nothing would hold for ever. A watchdog closes the reading side of a socket whose time
is up; the read then ends as if the client had left.
"""

from __future__ import annotations

import socket
import threading
import time
from contextlib import suppress
from typing import Any

TICKS = 10  # looks per time limit


class ReadDeadline:
    """Watches sockets from one thread of its own; made anew in each process."""

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds
        self._watched: dict[int, tuple[socket.socket, float]] = {}
        self._lock = threading.Lock()
        threading.Thread(target=self._watch, name="read-deadline", daemon=True).start()

    def begin(self, connection: socket.socket) -> None:
        """Give a client this long, from now on, to have its request read."""
        with self._lock:
            self._watched[id(connection)] = (connection, time.monotonic() + self._seconds)

    def renew(self, connection: Any) -> None:
        """Give a client its time anew, since what it sends goes on coming."""
        with self._lock:
            if id(connection) in self._watched:
                self._watched[id(connection)] = (connection, time.monotonic() + self._seconds)

    def received(self, connection: Any) -> None:
        """Let a client be: its request is there, or is over."""
        with self._lock:
            self._watched.pop(id(connection), None)

    def _watch(self) -> None:
        while True:
            time.sleep(self._seconds / TICKS)
            now = time.monotonic()
            with self._lock:
                late = [one for one, end in self._watched.values() if end < now]
                for connection in late:
                    del self._watched[id(connection)]
            for connection in late:
                with suppress(OSError):
                    connection.shutdown(socket.SHUT_RD)


_of_process: ReadDeadline | None = None


def install(deadline: ReadDeadline) -> None:
    """Make a deadline that of this process."""
    global _of_process
    _of_process = deadline


def renew(connection: Any) -> None:
    """Give the client of a long request its time anew; without a deadline nothing is to be done."""
    if _of_process is not None:
        _of_process.renew(connection)


def received(connection: Any) -> None:
    """Let the client of a long request be: all of it has come."""
    if _of_process is not None:
        _of_process.received(connection)
