"""What is left of a request and of its answer: no thread waits for it.

An answer that its client does not take waits in the system's buffer. Until all of it is on its way,
no thread serves the next request of that connection.

A body has one reader. Where the answer is there before the body, the connection is kept only if the
rest of the body has arrived already; else it is closed. Until the client has heard of that, what it
still sends is thrown away by the worker's one look at all connections, without a thread.
"""

from __future__ import annotations

import fcntl
import socket
import struct
import termios
import time
from contextlib import suppress
from typing import Any
from weakref import WeakSet

from gunicorn.http.body import ChunkedReader, LengthReader

SECONDS = 1.0  # for a client to take notice of a closed connection
_MOST_AT_ONCE = 1 << 20  # bytes that are thrown away at a look
_SIOCOUTQNSD = 0x894B  # Linux
_TCP_NOTSENT_LOWAT = 25  # Linux; Python names it from 3.12 on
_stopped: WeakSet[socket.socket] = WeakSet()


def arrived(connection: socket.socket) -> int:
    """How many bytes can be read without waiting."""
    return _bytes(connection, termios.FIONREAD)


def _bytes(connection: socket.socket, which: int) -> int:
    """One of the counts that the system keeps of a connection. Raises OSError."""
    count: int = struct.unpack("i", fcntl.ioctl(connection, which, struct.pack("i", 0)))[0]
    return count


def is_here(request: Any, connection: socket.socket) -> bool:
    """Whether what has not been read of a request's body (gunicorn's) can be read without waiting.

    Of a chunked body nobody knows where it ends, so all of it must have been read. On a connection
    whose reading was stopped no further request can be read, whatever has arrived meanwhile.
    """
    if connection in _stopped:
        return False
    reader = request.body.reader
    if isinstance(reader, LengthReader):
        if reader.length <= 0:
            return True
        held = len(reader.unreader.buf.getvalue())
        with suppress(OSError, ValueError):
            return bool(reader.length <= held + arrived(connection))
        return False
    inner = reader if isinstance(reader, ChunkedReader) else getattr(reader, "inner", None)
    return inner is None or inner.parser is None


def stop_reading(connection: Any) -> None:
    """Have whoever waits for more of a body go on as if the client had left."""
    if connection is not None:
        _stopped.add(connection)  # first: the answer must not promise a further request
        with suppress(OSError):
            connection.shutdown(socket.SHUT_RD)


def unsent(connection: socket.socket) -> int:
    """How many bytes of the answers are not on their way yet. Raises OSError."""
    return _bytes(connection, _SIOCOUTQNSD)


class Untaken:
    """A connection whose client has not taken the last answer, though it asks for the next.

    seconds: that the client may go without taking anything. Raises OSError.
    """

    def __init__(self, connection: socket.socket, seconds: float) -> None:
        self.connection, self._seconds = connection, seconds
        self._left = unsent(connection)
        self._until = time.monotonic() + seconds
        # The connection becomes writable once nothing is left that is not on its way.
        connection.setsockopt(socket.IPPROTO_TCP, _TCP_NOTSENT_LOWAT, 1)

    def has_ended(self, now: float) -> bool:
        """Whether the client had its time, and has taken nothing."""
        if self._until > now:
            return False
        before, self._until = self._left, now + self._seconds
        try:
            self._left = unsent(self.connection)
        except OSError:
            return True
        return self._left >= before

    def taken(self) -> None:
        """Let answers wait in the buffer again."""
        self.connection.setsockopt(socket.IPPROTO_TCP, _TCP_NOTSENT_LOWAT, 0)  # as it was


class Leaving:
    """A connection that is closed for the service: what its client still sends is thrown away."""

    def __init__(self, connection: socket.socket) -> None:
        """Say that nothing more comes. Raises OSError if the client is gone already."""
        self.connection = connection
        self.until = time.monotonic() + SECONDS
        connection.setblocking(False)
        connection.shutdown(socket.SHUT_WR)

    def has_ended(self, now: float) -> bool:
        """Whether the client had its time to leave."""
        return self.until <= now

    def has_left(self) -> bool:
        """Throw away what has arrived; whether the client has closed its side too."""
        thrown = 0
        try:
            while thrown < _MOST_AT_ONCE:
                got = len(self.connection.recv(1 << 16))
                if not got:
                    return True
                thrown += got
        except BlockingIOError:
            return False
        except OSError:
            return True
        return False
