"""How much of a request has come, told without reading it.

A client that sends its request a byte at a time, or nothing at all, is waited for by the worker's
one look at all connections, and not by a thread of its own.
"""

from __future__ import annotations

import re
import select
import socket
from contextlib import suppress

from service.running.remainder import arrived, stop_reading

_END = b"\r\n\r\n"
# A longer head goes to a thread, which refuses it or waits for its end.
_MOST = 8 * 1024
# A longer request goes to a thread with its head. The system has to hold all of a shorter one, and
# lets a client send no more than some 64 KB before any of it is read.
_MOST_WHOLE = 32 * 1024
_LENGTH = re.compile(rb"\r\ncontent-length:[ \t]*(\d{1,9})[ \t]*\r\n", re.IGNORECASE)
# Who asks whether to go on sends no body before the answer.
_EXPECT = re.compile(rb"\r\nexpect:", re.IGNORECASE)


def has_come(connection: socket.socket) -> bool:
    """Whether a thread has something to do: a whole request, the head of a long one, or an end.

    If not, the connection, which does not block, becomes readable only once more has come, or all
    of a request whose length is known.
    """
    try:
        seen = connection.recv(_MOST, socket.MSG_PEEK)
    except BlockingIOError:
        return False
    except OSError:
        return True
    wanted = _wanted(seen)
    if wanted <= len(seen) or wanted <= arrived(connection) or _has_ended(connection):
        return True
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVLOWAT, wanted)
    return False


def _wanted(seen: bytes) -> int:
    """How many bytes a thread needs to have something to do."""
    head, end, _ = seen.partition(_END)
    if not end:
        return len(seen) + 1 if 0 < len(seen) < _MOST else 0
    length = _LENGTH.search(head + b"\r\n")
    if length is None or _EXPECT.search(head):
        return 0
    whole = len(head) + len(end) + int(length[1])
    return whole if whole <= _MOST_WHOLE else 0


def _has_ended(connection: socket.socket) -> bool:
    """Whether nothing more will come."""
    look = select.poll()
    look.register(connection, select.POLLRDHUP)
    return bool(look.poll(0))


def nothing_has_come(connection: socket.socket) -> bool:
    """Whether a client that is connected has not sent a byte."""
    try:
        connection.recv(1, socket.MSG_PEEK)
    except OSError as error:
        return isinstance(error, BlockingIOError)
    return False


def take_no_more(connection: socket.socket) -> bool:
    """A request that has not come in time ends here; whether its head is there to be answered."""
    try:
        head_is_there = _END in connection.recv(_MOST, socket.MSG_PEEK)
        stop_reading(connection)
        if not head_is_there:
            # What has come is not read any more; left there, it would make a reset of the close.
            connection.recv(_MOST)
    except OSError:
        return False
    return head_is_there


def let_read(connection: socket.socket) -> None:
    """Have a connection readable again as soon as anything has come."""
    with suppress(OSError):
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVLOWAT, 1)
