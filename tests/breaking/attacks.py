"""What is done to the running service, and what is asserted of it. In the tests for seconds each;
`python -m tests.breaking.long` does the same for longer.
"""

from __future__ import annotations

import http.client
import json
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from tests.breaking.lines import Lines
from tests.breaking.load import BODY, HEADERS, Client, Record, under_load
from tests.breaking.running import (
    ROOT,
    Running,
    free_port,
    open_files,
    script,
    service,
    threads,
    wait_for,
)

SPOKEN = {"200", "refused", "closed-idle"}  # see `load`: none of these is a loss


def asked(port: int, case: Any | None = None, timeout: float = 60) -> tuple[int, bytes]:
    """Status and body of one assessment over a connection of its own."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=timeout)
    try:
        raw = BODY if case is None else json.dumps(case).encode()
        connection.request("POST", "/v1/assessments", raw, {**HEADERS, "Connection": "close"})
        answer = connection.getresponse()
        return answer.status, answer.read()
    finally:
        connection.close()


def end_under_load(seconds: float = 1.0, clients: int = 8, crowd: int = 60) -> Record:
    """SIGTERM while clients ask, and a crowd has just come to the door: nothing is lost.

    The crowd has sent its requests before the signal, each over a new connection, so each of them
    is to be answered: those that are being worked on, those that wait for a thread, and those that
    no worker has accepted yet. Of the clients that go on asking, none may lose a request that was
    sent over a connection opened for it, nor get half of an answer; a kept connection may be closed
    without an answer, and a new one refused.
    """
    with service() as running:
        with under_load(running.port, clients=clients) as record:
            time.sleep(seconds)
            people = [Waiting(running.port) for _ in range(crowd)]
            running.process.terminate()
            for one in people:
                record.note("crowd", one.answer())
            wait_for(lambda: running.process.poll() is not None, 60, told="the end")
            time.sleep(0.2)  # whoever asks now is refused
        assert running.process.returncode == 0
        assert "SIGKILL" not in running.log()
    assert not record.lost, record.lost[:5]
    assert set(record.outcomes) <= SPOKEN | {"crowd"}, str(record)
    assert record.outcomes["crowd"] == crowd
    assert record.outcomes["200"] > 0
    assert record.outcomes["refused"] > 0
    return record


class Waiting:
    """A client that has sent its request and waits."""

    def __init__(self, port: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=60)
        lines = ["POST /v1/assessments HTTP/1.1", "Host: localhost", "Connection: close"]
        lines += ["Content-Type: application/json", f"Content-Length: {len(BODY)}", "", ""]
        self._socket.sendall("\r\n".join(lines).encode() + BODY)

    def answer(self) -> str:
        """The body of the answer, which must be whole."""
        with self._socket:
            answer = http.client.HTTPResponse(self._socket)
            answer.begin()
            assert answer.status == 200
            return json.loads(answer.read())["status"]


def kill_a_worker() -> float:
    """SIGKILL of a worker loses what it held and nothing else; how long until another answers."""
    with service(OHMPATH_READ_SECONDS="300") as running, ExitStack() as held:
        doomed, spared = running.workers()
        batches: dict[int, list[Lines]] = {doomed: [], spared: []}
        end = time.monotonic() + 60
        while not all(batches.values()):  # until each worker has one at least
            assert time.monotonic() < end
            one = Lines(running.port)
            held.callback(one.close)
            one.ask()
            batches[one.holder(running)].append(one)
        with under_load(running.port, clients=4) as record:
            time.sleep(0.5)
            os.kill(doomed, signal.SIGKILL)
            begun = time.monotonic()
            seconds = wait_for(lambda: _answers_anew(running, spared, begun), 60, told="another")
            for one in batches[spared]:
                assert one.ask()["assessment"]
            for one in batches[doomed]:
                with suppress(OSError):
                    try:
                        one.ask()
                    except EOFError:
                        continue
                    raise AssertionError("a batch went on without its worker")
        # Each client has one request under way, which may have been with the worker that died.
        assert len(record.lost) + record.outcomes["closed-idle"] <= 4, str(record)
        assert set(record.outcomes) <= {"200", "lost", "closed-idle"}, str(record)
        for one in batches[spared]:
            assert one.end()["summary"]["complete"] is True
        assert spared in running.workers()
    return float(seconds)


def fill_the_threads() -> int:
    """Batches under way in all threads but one, of two workers with 16 each; how many those are.

    The system hands most new connections to one worker. That leaves them to the other once each of
    its threads has one, or they would wait there for the end of a batch.
    """
    # The first batch waits until the last has begun: on a busy machine longer than by default.
    with service(OHMPATH_READ_SECONDS="300") as running, ExitStack() as held:
        assert len(running.workers()) == 2
        batches = [Lines(running.port) for _ in range(31)]
        for one in batches:
            held.callback(one.close)
            assert one.ask()["assessment"]
        assert running.get("/healthz")
        for one in batches:
            assert one.end()["summary"]["complete"] is True
    return len(batches)


def _answers_anew(running: Running, spared: int, begun: float) -> float | None:
    """How long it took until a worker answers that was not there before."""
    one = Lines(running.port)
    try:
        one.ask()
        holder = one.holder(running)
        return time.monotonic() - begun if holder not in (0, spared) else None
    except (OSError, EOFError):
        return None
    finally:
        one.close()


def break_the_engine(rounds: int = 3) -> None:
    """An engine that raises is a 500, one that crashes ends its worker; all else goes on."""
    with service(command=script("broken_engine.py"), OHMPATH_READ_SECONDS="300") as running:
        # Not what is asked otherwise: an answer that is kept needs no engine.
        case: dict[str, Any] = {**json.loads(BODY), "symptom": "loud-hum"}
        right = asked(running.port)
        assert right[0] == 200
        for _ in range(rounds):
            before = running.workers()
            for called in ("raise", "raise-hard"):
                status, said = asked(running.port, {**case, "case_id": called})
                assert status == 500
                assert json.loads(said)["type"] == "/problems/internal-error"
                assert [asked(running.port) for _ in range(4)] == [right] * 4
            assert running.workers() == before
            spared = _crash(running, {**case, "case_id": "crash"}, before)
            assert [asked(running.port) for _ in range(4)] == [right] * 4
            wait_for(lambda: len(running.workers()) == 2, told="two workers")
            assert spared in running.workers()
        assert "SIGSEGV" in running.log()


def _crash(running: Running, case: Any, before: list[int]) -> int:
    """Have one worker crash while the other works on a batch; the one that is spared."""
    batch = Lines(running.port)
    batch.ask()
    spared = batch.holder(running)
    assert spared in before
    end = time.monotonic() + 60
    while True:  # until a connection is one of the worker that is to crash
        assert time.monotonic() < end
        connection = http.client.HTTPConnection("127.0.0.1", running.port, timeout=60)
        connection.request("GET", "/healthz")
        connection.getresponse().read()
        if running.holder(connection.sock) != spared:
            break
        connection.close()
    connection.request("POST", "/v1/assessments", json.dumps(case), HEADERS)
    with pytest.raises(ConnectionError):
        connection.getresponse()
    connection.close()
    assert batch.ask()["assessment"]
    assert batch.end()["summary"]["complete"] is True
    return spared


def drip(
    slow: int = 200, seconds: int = 2, *, body: bool = False, pause: float = 0.2
) -> dict[str, float]:
    """Clients that send a byte now and then are cut off, and others are served meanwhile."""
    with service(OHMPATH_READ_SECONDS=str(seconds)) as running:
        asked(running.port)
        before = {pid: (open_files(pid), threads(pid)) for pid in running.workers()}
        start = b"POST /v1/assessments HTTP/1.1\r\nHost: localhost\r\n"
        if body:
            start += b"Content-Type: application/json\r\nContent-Length: 100000\r\n\r\n"
        held = [socket.create_connection(("127.0.0.1", running.port)) for _ in range(slow)]
        stop, ended = threading.Event(), [0.0]
        begun = time.monotonic()

        def go_on() -> None:
            left = list(held)
            for one in left:
                one.sendall(start)
                one.setblocking(False)
            while left and not stop.is_set():
                for one in list(left):
                    try:
                        one.send(b"X")
                    except BlockingIOError:
                        continue
                    except OSError:
                        left.remove(one)
                time.sleep(pause)
            ended[0] = time.monotonic() - begun

        dripping = threading.Thread(target=go_on)
        dripping.start()
        try:
            record = Record()
            client, served = Client(running.port, record, keep=False), 0
            while dripping.is_alive() and time.monotonic() - begun < 120:
                assert client.ask() is not None
                served += 1
                time.sleep(0.1)
        finally:
            stop.set()
            dripping.join()
            for one in held:
                one.close()
        assert set(record.outcomes) == {"200"}, str(record)
        assert ended[0] < 119, "some were never cut off"
        for pid, (files, had) in before.items():
            # A few are opened at the first occasion, such as those that counts are kept in.
            wait_for(lambda pid=pid, files=files: open_files(pid) <= files + 10, told="files")
            assert threads(pid) <= had + 16
    return {"served meanwhile": served, "slowest s": record.slowest, "all cut after s": ended[0]}


def go_on_unheard(**service_options: Any) -> None:
    """Nobody takes what the service logs; it answers, replaces workers and reloads all the same."""
    with service(**service_options) as running:
        right = asked(running.port)
        assert right[0] == 200
        assert asked(running.port, {"equipment": "toaster"})[0] == 422
        talk_nonsense(running.port)
        with under_load(running.port, clients=1) as record:
            running.hang_up()
            wait_for(lambda: running.ready()["last_reload"], 120, told="the reload")
        assert set(record.outcomes) == {"200"}, str(record)
        assert running.ready()["last_reload"]["outcome"] == "unchanged"
        workers = running.workers()
        os.kill(workers[0], signal.SIGKILL)
        wait_for(lambda: set(running.workers()) - set(workers), told="another worker")
        wait_for(lambda: asked_or_none(running.port) == right, 60, told="the same answer")
        running.process.terminate()
        assert running.process.wait(60) is not None


def talk_nonsense(port: int) -> None:
    """Send what is no HTTP: it is refused, and logged."""
    with socket.create_connection(("127.0.0.1", port), timeout=60) as nonsense:
        nonsense.sendall(b"NONSENSE\r\n\r\n")
        assert nonsense.recv(100).startswith(b"HTTP/1.1 400")


def asked_or_none(port: int) -> tuple[int, bytes] | None:
    """As `asked`; None if there is no answer."""
    try:
        return asked(port)
    except (OSError, http.client.HTTPException):
        return None


def step_the_clock(set_to: Callable[[int], None], running: Running, stay: float = 3.0) -> Record:
    """The wall clock is put forth and back under load; nobody notices.

    set_to: makes the service's clock wrong by so many seconds.
    """
    workers = running.workers()
    with under_load(running.port, clients=4) as record:
        for wrong in (3_600, -7_200, 11, 86_400 * 400, 0):
            set_to(wrong)
            time.sleep(stay)
    assert set(record.outcomes) == {"200"}, str(record)
    assert running.workers() == workers
    assert "TIMEOUT" not in running.log()
    return record


def kill_an_instance(seconds: float = 2.0) -> Record:
    """Two instances behind nginx, one of which is killed under load: who asks again is answered.

    Nginx asks the other instance, unless a part of the answer is on its way already. What breaks
    off then is at most what each client had under way, and asked again (an assessment is
    idempotent) it is answered.
    """
    with ExitStack() as held:
        first = held.enter_context(service())
        second = held.enter_context(service())
        front = held.enter_context(nginx(first.port, second.port))
        with under_load(front, clients=6) as record:
            time.sleep(seconds)
            # A master that is gone takes its workers along, but they notice within a second only:
            # this is the end of a machine, or of a container.
            for pid in (first.process.pid, *first.workers()):
                os.kill(pid, signal.SIGKILL)
            time.sleep(2 * seconds)
            before = record.outcomes["200"]
            wait_for(lambda: record.outcomes["200"] > before + 20, told="more answers")
    broken = [one for one in record.lost if one.startswith("broken answer")]
    assert set(record.outcomes) <= {"200", "lost"}, str(record)
    assert len(record.lost) == len(broken) <= 6, str(record)
    return record


@contextmanager
def nginx(first: int, second: int) -> Iterator[int]:
    """The port of an nginx before two instances: with the settings that the packaging ships."""
    program = shutil.which("nginx")
    assert program is not None
    with tempfile.TemporaryDirectory() as folder:
        port = free_port()
        text = (ROOT / "docker" / "nginx.conf").read_text()
        for shipped, here in (
            ("listen 8000;", f"listen 127.0.0.1:{port};"),
            ("server ohmpath-1:8080", f"server 127.0.0.1:{first}"),
            ("server ohmpath-2:8080", f"server 127.0.0.1:{second}"),
            ("access_log /dev/stdout lines;", "access_log off;"),
            (" /tmp/", f" {folder}/"),
            # All clients of a test have one address.
            ("rate=200r/s", "rate=100000r/s"),
        ):
            assert shipped in text, f"docker/nginx.conf has no {shipped!r} any more"
            text = text.replace(shipped, here)
        conf, log = Path(folder) / "nginx.conf", Path(folder) / "error.log"
        conf.write_text(text)
        # As root it would give up its rights, and with them its temporary files.
        as_who = "daemon off; user root;" if os.geteuid() == 0 else "daemon off;"
        process = subprocess.Popen(
            [program, "-p", folder, "-e", str(log), "-c", str(conf), "-g", as_who],
            stderr=subprocess.DEVNULL,
        )
        try:
            wait_for(lambda: asked_or_none(port), told=f"nginx: {log.exists() and log.read_text()}")
            yield port
        finally:
            process.terminate()
            process.wait(30)
