"""How long a client may keep a thread waiting, to send its request or to take the answer.

A thread reads and writes with a blocking socket, which a client that sends a byte and then nothing,
or takes nothing of its answer, would hold for ever. A watchdog ends the wait in two cases:

- The time to send a request is up, and a thread still reads. The reading side of the socket is
  closed, and the read ends as if the client had left. Work on a request that is there has no limit
  here.
- All threads are taken, at least half of them by clients that wait, and other requests wait for a
  thread. The slow clients of more than half of the threads are let go.
"""

from __future__ import annotations

import logging
import socket
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from service.running.remainder import stop_reading

log = logging.getLogger(__name__)

TICKS = 10  # looks per time limit, while threads are free
_TICK = 0.025  # s between looks while none is
_DOOR = 0.1  # s that others wait before anybody is let go: another worker may have a free thread
GRACE = 0.05  # s that a client may keep a thread waiting, though others need it
_SAID = 10.0  # s between two lines in the log that say so


class Client(socket.socket):
    """The connection of a client. It counts the time that its threads wait for the client.

    One thread may send while another one reads.
    """

    __slots__ = (
        "_receiving",
        "_seconds",
        "_sending",
        "_waited_for_bytes",
        "_waited_for_room",
        "ends",
        "line_by_line",
    )

    def __init__(self, fileno: int) -> None:
        super().__init__(fileno=fileno)
        self._seconds = 0.0
        self.answered()

    def answered(self) -> None:
        """Begin to count anew, for the next request."""
        self.ends: float | None = None  # when its time to send the request is up
        self.line_by_line = False
        self._waited_for_bytes = self._waited_for_room = 0.0
        self._receiving: float | None = None
        self._sending: float | None = None

    def begin(self, seconds: float) -> None:
        """Give the client so long to send its request, or a line of its batch."""
        self._seconds = seconds
        self.ends = time.monotonic() + seconds

    def renew(self) -> None:
        """Give it that time anew, since its batch goes on coming line by line."""
        self.line_by_line = True
        if self.ends is not None:
            self.ends = time.monotonic() + self._seconds

    def recv(self, size: int, flags: int = 0, /) -> bytes:
        """As a socket does."""
        if flags:  # a look, which does not wait
            return super().recv(size, flags)
        self._receiving = begun = time.monotonic()
        try:
            return super().recv(size)
        finally:
            self._receiving = None
            self._waited_for_bytes += time.monotonic() - begun

    def sendall(self, data: Any, flags: int = 0, /) -> None:
        """As a socket does."""
        self._sending = begun = time.monotonic()
        try:
            super().sendall(data, flags)
        finally:
            self._sending = None
            self._waited_for_room += time.monotonic() - begun

    def is_late(self, now: float) -> bool:
        """Whether a thread reads what had to be there by now."""
        return self._receiving is not None and self.ends is not None and self.ends < now

    def waits(self, now: float) -> float:
        """How long threads have waited for this client since its request began, s; 0 if no thread
        does at this moment. To send its request and to take the answer are counted apart."""
        begun = self._receiving
        for_bytes = 0.0 if begun is None else self._waited_for_bytes + now - begun
        return max(for_bytes, self._waits_for_room(now))

    def _waits_for_room(self, now: float) -> float:
        begun = self._sending
        return 0.0 if begun is None else self._waited_for_room + now - begun

    def let_go(self) -> None:
        """End the waiting: no more is read, and if an answer is not taken, no more is written.

        A client that was slow to send its request has its time to take the answer.
        """
        stop_reading(self)
        if self._waits_for_room(time.monotonic()) > GRACE:
            with suppress(OSError):
                self.shutdown(socket.SHUT_WR)


class Patience:
    """Watches the clients of a process from a thread of its own.

    seconds: that a client has to send a request, or a line of a batch. threads: that serve clients.
    others_wait: whether a request waits for a thread.
    """

    def __init__(self, seconds: float, threads: int, others_wait: Callable[[], bool]) -> None:
        self._seconds, self._threads, self._others_wait = seconds, threads, others_wait
        self._served: dict[int, Client] = {}
        self._lock = threading.Lock()
        self._none_is_free = threading.Event()
        threading.Thread(target=self._watch, name="patience", daemon=True).start()

    def begin(self, client: Client) -> None:
        """A thread serves a client, which has so long to send its request."""
        client.begin(self._seconds)
        with self._lock:
            self._served[id(client)] = client
            if len(self._served) >= self._threads:
                self._none_is_free.set()

    def over(self, client: Client) -> None:
        """The thread has done with the request."""
        with self._lock:
            self._served.pop(id(client), None)
            if len(self._served) < self._threads:
                self._none_is_free.clear()
        client.answered()

    def _watch(self) -> None:
        others_since: float | None = None
        said = -_SAID
        while True:
            if self._none_is_free.wait(self._seconds / TICKS):
                time.sleep(_TICK)
            with self._lock:
                served = list(self._served.values())
            now = time.monotonic()
            for client in served:
                if client.is_late(now):
                    stop_reading(client)
            if len(served) < self._threads or not self._others_wait():
                others_since = None
                continue
            others_since = others_since or now
            slow = too_slow(served, self._threads // 2, now) if now - others_since > _DOOR else []
            for client in slow:
                client.let_go()
            if slow and now - said > _SAID:
                said = now
                log.warning("requests wait for a thread; slow clients let go: %d", len(slow))


def too_slow(served: list[Client], most: int, now: float) -> list[Client]:
    """The clients that have to go, where at most so many may keep threads waiting.

    First those that are slow with a single request, then the batches that have waited least.
    """
    waits = {client: client.waits(now) for client in served}
    slow = [client for client in served if waits[client] > GRACE]
    slow.sort(key=waits.__getitem__)
    batches = [client for client in slow if client.line_by_line]
    single = [client for client in reversed(slow) if not client.line_by_line]
    return (single + batches)[: max(0, len(slow) - most)]


def renew(connection: Any) -> None:
    """Give the client of a long request its time anew; nothing, where nobody watches it."""
    if isinstance(connection, Client):
        connection.renew()
