"""Which slow clients are let go when threads run out, over real connections."""

from __future__ import annotations

import select
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack
from types import SimpleNamespace

import pytest
from gunicorn.http.body import LengthReader
from gunicorn.http.unreader import SocketUnreader
from hypothesis import given
from hypothesis import strategies as st

from service.running.leaving import client_is_there
from service.running.patience import GRACE, Client, Patience, too_slow
from service.running.remainder import Untaken, arrived, is_here, unsent
from tests.breaking.running import wait_for


class Waited(Client):
    """A client that keeps its thread waiting for as long as the test says."""

    def __init__(self, seconds: float, *, line_by_line: bool) -> None:
        self.ours, theirs = socket.socketpair()
        super().__init__(theirs.detach())
        self.seconds, self.line_by_line = seconds, line_by_line

    def waits(self, now: float) -> float:
        return self.seconds


@given(
    st.lists(st.tuples(st.sampled_from((0.0, 0.01, 0.1, 1.0, 60.0)), st.booleans()), max_size=24),
    st.integers(0, 24),
)
def test_who_is_let_go(clients: list[tuple[float, bool]], most: int) -> None:
    with ExitStack() as held:
        served = [Waited(seconds, line_by_line=batch) for seconds, batch in clients]
        for client in served:
            held.enter_context(client.ours)
            held.enter_context(client)
        slow = [client for client in served if client.seconds > GRACE]
        gone = too_slow(served, most, time.monotonic())
        stay = [client for client in slow if client not in gone]
        assert len(stay) == min(most, len(slow))
        assert len(gone) == len(set(gone)) == len(slow) - len(stay)
        assert set(gone) <= set(slow)
        for one in gone:
            for other in stay:
                assert other.line_by_line or not one.line_by_line
                if one.line_by_line == other.line_by_line:
                    longer = one.seconds - other.seconds
                    assert longer <= 0 if one.line_by_line else longer >= 0


@pytest.fixture
def ends() -> Iterator[tuple[socket.socket, Client]]:
    """A client of small buffers, and the service's end."""
    with socket.create_server(("127.0.0.1", 0)) as door:
        far = socket.socket()
        far.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        far.connect(door.getsockname())
        accepted, _ = door.accept()
    with far, Client(accepted.detach()) as near:
        near.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
        yield far, near


def test_a_wait_for_bytes_is_counted_over_all_reads(ends: tuple[socket.socket, Client]) -> None:
    far, near = ends

    def read() -> None:
        while near.recv(8):
            pass

    reader = threading.Thread(target=read)
    reader.start()
    begun = time.monotonic()
    for _ in range(5):
        time.sleep(0.05)
        far.sendall(b"x")
    time.sleep(0.01)
    waited, passed = near.waits(time.monotonic()), time.monotonic() - begun
    near.let_go()
    reader.join(10)
    assert not reader.is_alive()
    assert 0.2 < waited <= passed + 0.01
    assert near.waits(time.monotonic()) == 0
    near.answered()
    far.sendall(b"y")  # the way back is open: a refusal can be told
    near.sendall(b"refused")
    assert far.recv(10) == b"refused"


def test_an_answer_that_nobody_takes_is_given_up(ends: tuple[socket.socket, Client]) -> None:
    _, near = ends
    seen: list[type[OSError]] = []

    def write() -> None:
        try:
            near.sendall(b"x" * 1_000_000)
        except OSError as error:
            seen.append(type(error))

    writer = threading.Thread(target=write)
    writer.start()
    wait_for(lambda: near.waits(time.monotonic()) > GRACE)
    near.let_go()
    writer.join(10)
    assert seen == [BrokenPipeError]


def test_a_client_that_was_slow_to_send_has_its_time_to_take_the_answer(
    ends: tuple[socket.socket, Client], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The watchdog may look just as the answer is being sent."""
    far, near = ends
    monkeypatch.setattr("service.running.patience.GRACE", 20.0)  # more than this test takes
    reader = threading.Thread(target=near.recv, args=(8,))
    reader.start()
    wait_for(lambda: near.waits(time.monotonic()) > 0)
    near.let_go()
    reader.join(10)
    assert not reader.is_alive()
    size = 1_000_000
    writer = threading.Thread(target=near.sendall, args=(b"x" * size,))
    writer.start()
    wait_for(lambda: near.waits(time.monotonic()) > 0)
    near.let_go()
    far.settimeout(10)
    taken = 0
    while taken < size and (block := far.recv(65536)):
        taken += len(block)
    writer.join(10)
    assert taken == size


@pytest.mark.parametrize("others", [True, False])
def test_threads_are_taken_back_only_where_others_wait(others: bool) -> None:
    threads = 4
    patience = Patience(60, threads, lambda: others)
    with ExitStack() as held:
        clients = []
        for _ in range(threads):
            far, near = socket.socketpair()
            clients.append(held.enter_context(Client(near.detach())))
            held.enter_context(far)

        def serve(client: Client) -> None:
            patience.begin(client)
            client.recv(1)
            patience.over(client)

        serving = [threading.Thread(target=serve, args=(one,)) for one in clients]
        for one in serving:
            one.start()
        time.sleep(10 * GRACE)
        if others:
            wait_for(lambda: sum(one.is_alive() for one in serving) == threads // 2)
        else:
            assert all(one.is_alive() for one in serving)
        for client in clients:
            client.let_go()
        for one in serving:
            one.join(10)


def test_a_time_to_send_is_kept_to(ends: tuple[socket.socket, Client]) -> None:
    far, near = ends
    seconds = 0.3
    patience = Patience(seconds, 16, lambda: False)
    patience.begin(near)
    begun = time.monotonic()
    far.sendall(b"x")
    assert near.recv(10) == b"x"
    assert near.recv(10) == b""
    assert time.monotonic() - begun >= seconds
    patience.over(near)


def test_the_time_to_send_is_no_limit_on_the_work(ends: tuple[socket.socket, Client]) -> None:
    """All has come: a request that takes long is not taken for one whose client has left."""
    far, near = ends
    seconds = 0.2
    body = LengthReader(SocketUnreader(near), 5)
    request = SimpleNamespace(body=SimpleNamespace(reader=body))
    patience = Patience(seconds, 16, lambda: False)
    patience.begin(near)
    far.sendall(b"12345")
    assert body.read(5) == b"12345"
    there = client_is_there({"gunicorn.socket": near})
    end = time.monotonic() + 4 * seconds
    while time.monotonic() < end:
        assert there()
    assert is_here(request, near)  # and the connection goes on
    patience.over(near)
    far.close()
    wait_for(lambda: not there())


def _fill(near: Client) -> int:
    """Send until the buffers are full; how many bytes that are."""
    near.setblocking(False)
    sent = 0
    try:
        while True:
            sent += near.send(b"x" * 1024)
    except BlockingIOError:
        return sent


def test_the_next_request_waits_until_the_answer_is_taken(
    ends: tuple[socket.socket, Client],
) -> None:
    far, near = ends
    sent = _fill(near)
    left = unsent(near)
    assert left > 0
    untaken, now = Untaken(near, 0.05), time.monotonic()
    assert not untaken.has_ended(now)
    assert untaken.has_ended(now + 0.1)  # nothing has been taken
    taken = 0
    while unsent(near) == left:
        taken += len(far.recv(256))
    assert not untaken.has_ended(now + 0.2)
    writable = select.poll()
    writable.register(near, select.POLLOUT)
    while taken < sent:
        if writable.poll(0):
            assert unsent(near) == 0
        taken += len(far.recv(256))
    wait_for(lambda: writable.poll(0))
    untaken.taken()
    assert near.send(b"more") == 4


@pytest.mark.parametrize("why", ["time is up", "others wait"])
def test_a_client_that_was_cut_off_is_promised_nothing(
    ends: tuple[socket.socket, Client], why: str
) -> None:
    """The rest of its body may come all the same, and is no request."""
    far, near = ends
    body = LengthReader(SocketUnreader(near), 10)
    request = SimpleNamespace(body=SimpleNamespace(reader=body))
    seconds = 0.2 if why == "time is up" else 60
    patience = Patience(seconds, 1, lambda: why == "others wait")
    patience.begin(near)
    far.sendall(b"12345")
    assert body.read(10) == b"12345"
    far.sendall(b"67890")
    wait_for(lambda: arrived(near) == 5)
    assert not is_here(request, near)
