"""The door of the service as it closes: nobody who is inside is thrown out.

A connection that waits to be accepted is reset by the kernel when the last listening socket is
closed, though its request may have come already. So no new ones are let begin first, then all that
wait are accepted, and only then the socket is closed.
"""

from __future__ import annotations

import ctypes
import socket
import struct
import time
from collections.abc import Sequence
from contextlib import suppress
from typing import Any

# Long enough for a handshake that has begun, short enough for who begins one meanwhile: their
# system tries again after a second, and then hears that nobody listens.
_HANDSHAKE_SECONDS = 0.3
_SO_ATTACH_FILTER = 26  # Linux
# As `tcp[13] & 2 == 0`: a segment of TCP that begins a connection (SYN) is dropped unanswered.
# The filter sees the segment from its TCP header on; byte 13 holds the flags.
_NO_SYN = (
    (0x30, 0, 0, 13),  # load the byte at 13
    (0x45, 0, 1, 0x02),  # is SYN among the flags?
    (0x06, 0, 0, 0),  # yes: drop
    (0x06, 0, 0, 0xFFFFFFFF),  # no: keep
)


def let_no_more_in(listeners: Sequence[Any]) -> None:
    """Have the kernel drop what would begin a connection; workers go on accepting meanwhile.

    Where there are no such filters nothing happens, and a connection that comes in the very
    moment of closing may be reset.
    """
    program = b"".join(struct.pack("HBBI", *one) for one in _NO_SYN)
    held = ctypes.create_string_buffer(program)
    option = struct.pack("HP", len(_NO_SYN), ctypes.addressof(held))
    done = False
    for listener in listeners:
        if listener.family in (socket.AF_INET, socket.AF_INET6):
            with suppress(OSError):
                listener.setsockopt(socket.SOL_SOCKET, _SO_ATTACH_FILTER, option)
                done = True
    if done:
        time.sleep(_HANDSHAKE_SECONDS)
