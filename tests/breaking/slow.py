"""Clients that are slow on purpose, and how long another client waits meanwhile."""

from __future__ import annotations

import http.client
import json
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from tests.breaking.load import BODY, HEADERS

CONNECTIONS = 100
_PATH, _BATCH = "/v1/assessments", "/v1/assessments/batch"
_LINES = "application/x-ndjson"
_CHUNKED = ("Transfer-Encoding: chunked",)


def _head(*fields: str, path: str = _PATH, kind: str = "application/json") -> bytes:
    lines = [f"POST {path} HTTP/1.1", "Host: localhost", f"Content-Type: {kind}", *fields]
    return ("\r\n".join(lines) + "\r\n\r\n").encode()


def _then(start: bytes, byte: bytes) -> Callable[[socket.socket], Iterator[bytes]]:
    """What is sent at first, and then a byte at a time."""

    def sends(_: socket.socket) -> Iterator[bytes]:
        yield start
        while True:
            yield byte

    return sends


def _reads_slowly(client: socket.socket) -> Iterator[bytes]:
    """Ask for a large answer, and take a few bytes of it at a time."""
    client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
    yield b"GET /openapi.json HTTP/1.1\r\nHost: localhost\r\n\r\n" * 4
    while True:
        client.recv(64)
        yield b""


def _reads_nothing(client: socket.socket) -> Iterator[bytes]:
    """Ask for many large answers at once, and take none."""
    client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
    yield b"GET /openapi.json HTTP/1.1\r\nHost: localhost\r\n\r\n" * 60
    while True:
        yield b""


def _stays(client: socket.socket) -> Iterator[bytes]:
    """One request, refused, on a connection that is kept for nothing."""
    yield _head(f"Content-Length: {len(BODY)}") + BODY
    while True:
        yield b""


SHAPES: dict[str, Callable[[socket.socket], Iterator[bytes]]] = {
    "nothing at all": _then(b"", b""),
    "a head by bytes": _then(b"POST /v1/assessments HTTP/1.1\r\nX-Long: ", b"x"),
    "a head that does not end": _then(_head()[:-2], b""),
    "a body by bytes": _then(_head("Content-Length: 100000"), b" "),
    "a long body by bytes": _then(_head("Content-Length: 900000"), b" "),
    "chunks by bytes": _then(_head(*_CHUNKED), b"1\r\n \r\n"),
    "a body after a question": _then(_head("Content-Length: 900000", "Expect: 100-continue"), b" "),
    "a batch by bytes": _then(_head(*_CHUNKED, path=_BATCH, kind=_LINES), b"1\r\n \r\n"),
    "a batch by lines": _then(_head(*_CHUNKED, path=_BATCH, kind=_LINES), b"3\r\n{}\n\r\n"),
    "an answer by bytes": _reads_slowly,
    "answers that nobody reads": _reads_nothing,
    "a connection for nothing": _stays,
}


@contextmanager
def slow_clients(port: int, shape: str, count: int = CONNECTIONS) -> Iterator[None]:
    """So many slow clients, a byte a second each; whoever is sent away comes again."""
    end = threading.Event()

    def come(number: int) -> None:
        end.wait(number / count)
        while not end.is_set():
            with suppress(OSError), socket.socket() as client:
                client.settimeout(2)
                client.connect(("127.0.0.1", port))
                for part in SHAPES[shape](client):
                    if part:
                        client.sendall(part)
                    if end.wait(1.0):
                        return
            end.wait(0.5)

    threads = [threading.Thread(target=come, args=(one,), daemon=True) for one in range(count)]
    for one in threads:
        one.start()
    try:
        yield
    finally:
        end.set()
        for one in threads:
            one.join(5)


def longest_wait(
    port: int,
    token: str | None,
    shape: str,
    *,
    seconds: float = 2.5,
    connections: int = CONNECTIONS,
) -> float:
    """The longest time that one client waits for an answer while others are slow, s.

    token: of the one; the others have none.
    """
    headers = {**HEADERS, "Connection": "close"}
    if token is not None:
        headers["Authorization"] = f"Bearer {token}"
    longest = 0.0
    with slow_clients(port, shape, connections):
        time.sleep(1.2)
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            begun = time.monotonic()
            connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
            connection.request("POST", _PATH, BODY, headers)
            answer = connection.getresponse()
            assert answer.status == 200, answer.status
            json.loads(answer.read())
            connection.close()
            longest = max(longest, time.monotonic() - begun)
            time.sleep(0.02)
    return longest
