"""What of a request is waited for without a thread, over a real TCP connection."""

from __future__ import annotations

import select
import socket
from collections.abc import Iterator

import pytest

from service.running.arrival import has_come, let_read, nothing_has_come, take_no_more

HEAD = b"POST / HTTP/1.1\r\nHost: here\r\n"


@pytest.fixture
def ends() -> Iterator[tuple[socket.socket, socket.socket]]:
    """A client, and the service's end, which does not block."""
    with socket.create_server(("127.0.0.1", 0)) as door:
        client = socket.create_connection(door.getsockname())
        server, _ = door.accept()
    server.setblocking(False)
    with client, server:
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        yield client, server


Ends = tuple[socket.socket, socket.socket]


def readable(server: socket.socket, seconds: float = 0.2) -> bool:
    return bool(select.select([server], [], [], seconds)[0])


def arrived(ends: Ends, data: bytes) -> bool:
    """Whether there is something to do for a thread, once these bytes are there."""
    client, server = ends
    client.sendall(data)
    assert readable(server, 10)
    return has_come(server)


@pytest.mark.parametrize(
    "request_",
    [
        pytest.param(b"GET / HTTP/1.1\r\n\r\n", id="no body"),
        pytest.param(HEAD + b"Content-Length: 0\r\n\r\n", id="empty body"),
        pytest.param(HEAD + b"Content-Length: 4\r\n\r\nbody", id="whole"),
        pytest.param(HEAD + b"Content-Length: 4\r\n\r\nbodyGET / HT", id="and the next one"),
        pytest.param(HEAD + b"Content-Length: 999999\r\n\r\nb", id="too long to wait for"),
        pytest.param(HEAD + b"Content-Length: 4\r\nExpect: 100-continue\r\n\r\n", id="asks first"),
        pytest.param(HEAD + b"Transfer-Encoding: chunked\r\n\r\n", id="chunked"),
        pytest.param(HEAD + b"Content-Length: many\r\n\r\n", id="length is no number"),
        pytest.param(b"x" * 8192, id="head without an end"),
    ],
)
def test_goes_to_a_thread(ends: Ends, request_: bytes) -> None:
    assert arrived(ends, request_)


def test_nothing_is_waited_for(ends: Ends) -> None:
    client, server = ends
    assert not has_come(server)
    assert nothing_has_come(server)
    client.sendall(b"G")
    assert readable(server, 10)
    assert not nothing_has_come(server)


def test_head_is_waited_for_byte_by_byte(ends: Ends) -> None:
    client, server = ends
    assert not arrived(ends, HEAD)
    assert not readable(server)
    client.sendall(b"\r")
    assert readable(server, 10)
    assert not has_come(server)
    client.sendall(b"\n")
    assert readable(server, 10)
    assert has_come(server)


@pytest.mark.parametrize("size", [20, 20_000, 32_000])
def test_short_body_is_waited_for_as_a_whole(ends: Ends, size: int) -> None:
    client, server = ends
    assert not arrived(ends, HEAD + b"content-length:%d\r\n\r\n" % size)
    for _ in range(3):
        client.sendall(b"x")
        assert not readable(server)
    client.sendall(b"x" * (size - 3))
    assert readable(server, 10)
    assert has_come(server)
    let_read(server)
    left = len(HEAD) + len(b"content-length:%d\r\n\r\n" % size) + size
    while left and readable(server, 10):
        left -= len(server.recv(left))
    assert not left


@pytest.mark.parametrize("sent", [HEAD, HEAD + b"Content-Length: 9\r\n\r\nbody"])
def test_who_sends_no_more_is_not_waited_for(ends: Ends, sent: bytes) -> None:
    client, server = ends
    assert not arrived(ends, sent)
    client.shutdown(socket.SHUT_WR)
    assert readable(server, 10)
    assert has_come(server)


def test_late_body_can_be_answered_and_a_late_head_not(ends: Ends) -> None:
    client, server = ends
    assert not arrived(ends, HEAD)
    assert not take_no_more(server)
    assert server.recv(100) == b""
    client.close()


def test_late_body_ends_where_it_is(ends: Ends) -> None:
    client, server = ends
    sent = HEAD + b"Content-Length: 9\r\n\r\nbody"
    assert not arrived(ends, sent)
    assert take_no_more(server)
    assert has_come(server)
    let_read(server)
    assert server.recv(1000) == sent
    assert server.recv(1000) == b""
    server.sendall(b"answer")
    assert client.recv(100) == b"answer"
