"""Whether an address can be reached from this machine only."""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Sequence
from functools import lru_cache
from typing import Any


@lru_cache(maxsize=256)
def is_loopback(host: str) -> bool:
    """Whether a host is this machine and nothing else, by each address that its name has.

    An empty host, and one that cannot be resolved, is not.
    """
    try:
        return _is_loopback(host)
    except ValueError:
        pass
    try:
        found = socket.getaddrinfo(host, None) if host else []
    except (OSError, UnicodeError):
        return False
    return bool(found) and all(_is_loopback(str(one[4][0])) for one in found)


def _is_loopback(text: str) -> bool:
    address = ipaddress.ip_address(text)
    mapped = getattr(address, "ipv4_mapped", None)
    return bool((mapped or address).is_loopback)


def reachable(addresses: Sequence[Any]) -> list[str]:
    """Of the addresses of sockets those that others than this machine can reach.

    addresses: (host, port, ...) of TCP; text or bytes, the path of a Unix socket, counts as this
    machine; so does a number, a socket that somebody else has opened, of which nothing is known.
    """
    hosts = [one[0] for one in addresses if isinstance(one, tuple)]
    return [host or "all addresses" for host in hosts if not is_loopback(host)]
