"""A time limit on how long a client may take to send a request.

A thread of the worker reads a request with a blocking socket, which a client that sends a byte
and then nothing would hold for ever. A watchdog closes the reading side of a socket whose time
is up; the read then ends as if the client had left.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

TICKS = 10  # looks per time limit


class ReadDeadline:
    """Watches sockets from one thread of its own; made anew in each process."""

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds
        self._watched: dict[int, tuple[socket.socket, float]] = {}
        self._lock = threading.Lock()
        threading.Thread(target=self._watch, name="read-deadline", daemon=True).start()

    @contextmanager
    def over(self, connection: socket.socket) -> Iterator[None]:
        """Give a client this long, from now on, to have its request read."""
        with self._lock:
            self._watched[id(connection)] = (connection, time.monotonic() + self._seconds)
        try:
            yield
        finally:
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
