"""Whether the client of a request is still there, while something long is worked out for it."""

from __future__ import annotations

import socket
from collections.abc import Callable
from typing import Any


def client_is_there(environ: Any) -> Callable[[], bool]:
    """A function that tells whether the client has not closed its side of the connection yet.

    environ: of the request (WSGI), all of whose body has been read. Of a server without gunicorn's
    sockets, and of TLS that ends here, nobody is known to have left.
    """
    connection = environ.get("gunicorn.socket")

    def there() -> bool:
        if connection is None:
            return True
        try:
            return bool(connection.recv(1, socket.MSG_PEEK | socket.MSG_DONTWAIT))
        except (BlockingIOError, ValueError):
            return True
        except OSError:
            return False

    return there
