"""Who is refused, or slow, keeps nobody else waiting, and leaves nothing on the connection."""

from __future__ import annotations

import http.client
import socket
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest

from tests.api.exploring import key_of_an_explorer
from tests.breaking.load import BODY
from tests.breaking.running import Running, service, threads, wait_for
from tests.breaking.slow import SHAPES, longest_wait

pytestmark = pytest.mark.long
REFUSED = b"case_id,equipment\r\n"
"""A table without a column that is needed: 422 as soon as its first row is there."""


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Running, str]]:
    token, keys = key_of_an_explorer(tmp_path_factory.mktemp("keys"))
    with service(OHMPATH_KEYS=str(keys), OHMPATH_AT_A_TIME="64") as running:
        yield running, token


@pytest.fixture(scope="module")
def admitting() -> Iterator[Running]:
    """A service that asks nobody for a key, so that the slow requests are not refused."""
    with service() as running:
        yield running


# Where a thread waits for each slow client, another one waits for tens of seconds. The bound is
# some ten times what is measured on a machine of two cores that does nothing else (DEVELOPERS.md).
_LONGEST = 2.0


@pytest.mark.parametrize("shape", SHAPES)
def test_slow_strangers_keep_nobody_waiting(guarded: tuple[Running, str], shape: str) -> None:
    running, token = guarded
    assert longest_wait(running.port, token, shape) < _LONGEST


@pytest.mark.parametrize("shape", SHAPES)
def test_slow_callers_keep_nobody_waiting(admitting: Running, shape: str) -> None:
    assert longest_wait(admitting.port, None, shape) < _LONGEST


def test_more_connections_than_there_are_places_keep_nobody_out() -> None:
    """With 300 files a worker has 172 places, and the two together 344."""
    few_files = ("sh", "-c", 'ulimit -n 300; exec "$@"', "sh")
    with service(wrap=few_files) as running:
        for shape in ("nothing at all", "a connection for nothing"):
            assert longest_wait(running.port, None, shape, connections=400) < _LONGEST, shape


@pytest.fixture(scope="module")
def hasty() -> Iterator[Running]:
    """A service that gives a request one second to come."""
    with service(OHMPATH_READ_SECONDS="1") as running:
        yield running


def test_a_body_of_any_length_is_answered_at_once(hasty: Running) -> None:
    """Whether a thread waits for it, or the worker's look at all connections."""
    lengths = [2**power + more for power in range(10, 20) for more in (-2000, -300, 0)]
    kept = http.client.HTTPConnection("127.0.0.1", hasty.port, timeout=30)
    for length in lengths:
        fresh = http.client.HTTPConnection("127.0.0.1", hasty.port, timeout=30)
        for connection in (fresh, kept):
            headers = {"Content-Type": "application/json"}
            connection.request("POST", "/v1/assessments", BODY.ljust(length), headers)
            answer = connection.getresponse()
            told = answer.read()
            assert answer.status == 200, (length, connection is kept, told)
        fresh.close()
    kept.close()


@pytest.mark.parametrize("framing", ["length", "chunked"])
def test_what_comes_too_late_is_no_request(hasty: Running, framing: str) -> None:
    """A client whose time is up is answered, and what it sends afterwards is thrown away."""
    if framing == "length":
        fields, half = "Content-Length: 2000", b"{" * 1000
        rest = b"{" * 1000
    else:
        fields, half = "Transfer-Encoding: chunked", b"3e8\r\n" + b"{" * 1000
        rest = b"\r\n0\r\n\r\n"
    head = f"POST /v1/assessments HTTP/1.1\r\nHost: here\r\n{fields}\r\n"
    head += "Content-Type: application/json\r\n\r\n"
    for number in range(5):
        with socket.create_connection(("127.0.0.1", hasty.port)) as client:
            client.sendall(head.encode() + half)
            time.sleep(0.96 + 0.02 * number)
            with suppress(OSError):
                client.sendall(
                    rest + b"GET /healthz HTTP/1.1\r\nHost: here\r\nConnection: close\r\n\r\n"
                )
            with suppress(OSError):
                assert _answers(client) in ([400], [400, 200])


def _head(token: str, path: str, *fields: str) -> bytes:
    lines = [f"POST {path} HTTP/1.1", "Host: localhost", f"Authorization: Bearer {token}", *fields]
    return ("\r\n".join(lines) + "\r\n\r\n").encode()


def _answers(client: socket.socket) -> list[int]:
    """The status of each answer until the connection ends."""
    out = []
    client.settimeout(10)
    with client.makefile("rb") as stream:
        while line := stream.readline():
            assert line.startswith(b"HTTP/1.1 "), line
            out.append(int(line.split()[1]))
            length = 0
            while (field := stream.readline()) not in (b"\r\n", b""):
                if field.lower().startswith(b"content-length:"):
                    length = int(field.split(b":")[1])
            stream.read(length)
    return out


@pytest.mark.parametrize("framing", ["length", "chunked"])
def test_a_refused_batch_leaves_no_second_reader(
    guarded: tuple[Running, str], framing: str
) -> None:
    """What follows it on the connection is answered as it should be, or not at all."""
    running, token = guarded
    before = {pid: threads(pid) for pid in running.workers()}
    seen: Counter[tuple[int, ...]] = Counter()
    for number in range(60):
        rest = b"POST /nowhere HTTP/1.1\r\n" * (1 + number % 5)
        sent = REFUSED + rest
        fields = ["Content-Type: text/csv"]
        if framing == "length":
            body = sent
            fields.append(f"Content-Length: {len(sent) + (number % 3) * 1000}")
        else:
            body = f"{len(sent):x}\r\n".encode() + sent + b"\r\n"
            fields.append("Transfer-Encoding: chunked")
        following = _head(
            token,
            "/v1/assessments",
            "Content-Type: application/json",
            f"Content-Length: {len(BODY)}",
        )
        with socket.create_connection(("127.0.0.1", running.port)) as client:
            client.sendall(_head(token, "/v1/assessments/batch", *fields) + body)
            time.sleep(0.002 * (number % 7))
            try:
                client.sendall(following + BODY)
                client.shutdown(socket.SHUT_WR)
            except OSError:
                pass
            try:
                seen[tuple(_answers(client))] += 1
            except OSError:
                seen[()] += 1
    statuses = {status for one in seen for status in one}
    assert statuses <= {200, 400, 422}, seen
    assert all(one[:1] in ((), (422,), (400,)) for one in seen), seen
    assert any(one[:1] == (422,) for one in seen), seen
    wait_for(
        lambda: all(threads(pid) <= before[pid] + 16 for pid in running.workers()),
        told="threads of refused batches that end",
    )
    assert "failed outside of the app" not in running.log()


def test_a_connection_that_is_promised_is_kept(guarded: tuple[Running, str]) -> None:
    """Whether the body ends before or after its refusal: the next request is answered, or it is
    said that the connection closes. A proxy takes a promise that is broken for a dead service."""
    running, token = guarded
    following = _head(
        token, "/v1/assessments", "Content-Type: application/json", f"Content-Length: {len(BODY)}"
    )
    kept: Counter[int | None] = Counter()
    for number in range(300):
        body = REFUSED + b"POST /nowhere HTTP/1.1\r\n" * 200 * (1 + number % 3)
        half = len(body) // 2
        fields = ("Content-Type: text/csv", f"Content-Length: {len(body)}")
        connection = http.client.HTTPConnection("127.0.0.1", running.port, timeout=10)
        connection.connect()
        connection.sock.sendall(_head(token, "/v1/assessments/batch", *fields) + body[:half])
        time.sleep(0.0003 * (number % 12))
        connection.sock.sendall(body[half:])
        refused = http.client.HTTPResponse(connection.sock)
        refused.begin()
        assert refused.status == 422
        refused.read()
        if not refused.will_close:
            connection.sock.sendall(following + BODY)
            answer = http.client.HTTPResponse(connection.sock)
            try:
                answer.begin()
                kept[answer.status] += 1
            except OSError:
                kept[None] += 1
        connection.close()
    assert set(kept) <= {200}, kept


def test_many_refused_batches_leave_no_thread_behind(guarded: tuple[Running, str]) -> None:
    running, token = guarded

    def ask() -> socket.socket:
        client = socket.create_connection(("127.0.0.1", running.port))
        fields = ("Content-Type: text/csv", "Content-Length: 100000")
        client.sendall(_head(token, "/v1/assessments/batch", *fields) + REFUSED)
        return client

    with ExitStack() as held:
        for _ in range(40):
            held.enter_context(ask())
        wait_for(  # the pool, and a few watchers
            lambda: all(threads(pid) < 16 + 10 for pid in running.workers()),
            told="threads of refused batches that end",
        )


@pytest.mark.parametrize("coding", ["gzip, chunked", "gzip", "deflate, chunked", "chunked, gzip"])
def test_a_transfer_coding_that_is_not_undone_is_refused(
    guarded: tuple[Running, str], coding: str
) -> None:
    running, token = guarded
    with socket.create_connection(("127.0.0.1", running.port)) as client:
        fields = ("Content-Type: application/json", f"Transfer-Encoding: {coding}")
        chunk = f"{len(BODY):x}\r\n".encode() + BODY + b"\r\n0\r\n\r\n"
        client.sendall(_head(token, "/v1/assessments", *fields) + chunk)
        assert _answers(client) == [400]


def test_without_room_a_batch_may_come_again(tmp_path: Path) -> None:
    """The folder for what is held on disk takes nothing more."""
    nowhere = tmp_path / "nowhere"
    nowhere.mkdir()
    with service(TMPDIR=str(nowhere)) as running:
        nowhere.rmdir()
        connection = http.client.HTTPConnection("127.0.0.1", running.port, timeout=30)
        headers = {"Content-Type": "application/x-ndjson"}
        connection.request("POST", "/v1/assessments/batch", BODY + b"\n", headers)
        answer = connection.getresponse()
        told = answer.read()
        connection.close()
        assert answer.status == 503, told
        assert int(answer.headers["Retry-After"]) > 0
        assert running.ready()
