"""Whether the head of a request has come, told without reading it.

A client that sends its head a byte at a time, or nothing at all, is waited for by the worker's one
look at all connections, and not by a thread of its own.
"""

from __future__ import annotations

import socket
from contextlib import suppress

_END = b"\r\n\r\n"
# A longer head goes to a thread, which refuses it or waits for its end.
_MOST = 8 * 1024


def head_has_come(connection: socket.socket) -> bool:
    """Whether a thread has something to do: a whole head, or a connection that has ended.

    If not, the connection, which does not block, becomes readable only once more has come.
    """
    try:
        seen = connection.recv(_MOST, socket.MSG_PEEK)
    except BlockingIOError:
        return False
    except OSError:
        return True
    if not seen or _END in seen or len(seen) == _MOST:
        return True
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVLOWAT, len(seen) + 1)
    return False


def nothing_has_come(connection: socket.socket) -> bool:
    """Whether a client that is connected has not sent a byte."""
    try:
        connection.recv(1, socket.MSG_PEEK)
    except OSError as error:
        return isinstance(error, BlockingIOError)
    return False


def let_read(connection: socket.socket) -> None:
    """Have a connection readable again as soon as anything has come."""
    with suppress(OSError):
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVLOWAT, 1)


def throw_away(connection: socket.socket) -> None:
    """What has come is not read any more; left there, it would make a reset of the close."""
    with suppress(OSError):
        connection.recv(_MOST)
