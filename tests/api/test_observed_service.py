"""Two workers of the real service are watched as one, also where they are killed."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
import requests
from prometheus_client.parser import text_string_to_metric_families

ROOT = Path(__file__).resolve().parents[2]
CLOSE = {"Connection": "close"}  # a new connection each, so that both workers answer


class Running:
    """A service with two workers, its log in a file."""

    def __init__(self, command: str, url: str, log: Path, environment: dict[str, str]) -> None:
        self.url, self.log = url, log
        self.process = subprocess.Popen(
            ["sh", "-c", f"exec {command}"],
            cwd=ROOT,
            env={**os.environ, **environment},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
        )
        self.wait(lambda: requests.get(f"{url}/readyz", timeout=20).ok)

    def wait(self, what: Callable[[], bool]) -> None:
        end = time.monotonic() + 90
        while True:
            try:
                if what():
                    return
            except OSError:
                pass
            assert self.process.poll() is None, "the service has ended"
            assert time.monotonic() < end, "it has not come about within 90 s"
            time.sleep(0.1)

    def workers(self) -> list[int]:
        return [
            int(one)
            for task in Path(f"/proc/{self.process.pid}/task").iterdir()
            for one in (task / "children").read_text().split()
        ]

    def counted(self, name: str, **labels: str) -> float:
        text = requests.get(f"{self.url}/metrics", headers=CLOSE, timeout=20).text
        return sum(
            sample.value
            for family in text_string_to_metric_families(text)
            for sample in family.samples
            if sample.name == name and labels.items() <= sample.labels.items()
        )

    def end(self) -> int:
        self.process.terminate()
        return self.process.wait(timeout=60)

    def lines(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.log.read_bytes().splitlines()]


Start = Callable[..., Running]


@pytest.fixture
def start(free_port: Callable[[], int], tmp_path: Path) -> Iterator[Start]:
    """Start a service: its command after `sh`, in which {port} and {log} are put."""
    started: list[Running] = []

    def begin(tail: str = "2> {log}", /, command: str = "", **environment: str) -> Running:
        port, log = free_port(), tmp_path / "log"
        serve = command or f"{sys.executable} -m service serve --port {port} --workers 2"
        line = f"{serve} {tail}".format(port=port, log=log)
        running = Running(line, f"http://127.0.0.1:{port}", log, environment)
        started.append(running)
        return running

    yield begin
    for one in started:
        if one.process.poll() is None:
            one.process.kill()
            one.process.wait()


def test_workers_are_counted_together_and_a_killed_one_takes_nothing_along(
    start: Start, case: dict[str, Any]
) -> None:
    service = start()
    asked = 0

    def ask(number: int) -> None:
        nonlocal asked
        with ThreadPoolExecutor(16) as pool:
            post = f"{service.url}/v1/assessments"
            answers = pool.map(
                lambda _: requests.post(post, json=case, headers=CLOSE, timeout=60), range(number)
            )
            assert all(one.status_code == 200 for one in answers)
        asked += number

    def told(number: int) -> bool:
        labels = {"route": "/v1/assessments", "status": "200"}
        return (
            service.counted("ohmpath_requests_total", **labels)
            == service.counted("ohmpath_assessments_total")
            == service.counted("ohmpath_request_duration_seconds_count", route="/v1/assessments")
            == number
        )

    ask(200)
    # The last byte of an answer is out before it is counted; from then on every worker agrees.
    service.wait(lambda: told(asked))
    assert all(told(asked) for _ in range(10))
    hits = service.counted("ohmpath_cache_hits_total", cache="requests")
    assert hits + service.counted("ohmpath_cache_misses_total", cache="requests") >= asked

    service.wait(lambda: len(service.workers()) == 2)
    for worker in service.workers():
        os.kill(worker, signal.SIGKILL)
        service.wait(lambda gone=worker: gone not in service.workers())  # type: ignore[misc]
        service.wait(lambda: len(service.workers()) == 2)
        service.wait(lambda: told(asked))
    ask(100)
    service.wait(lambda: told(asked))
    assert all(told(asked) for _ in range(10))

    maps = Path(f"/proc/{service.workers()[0]}/maps").read_text()
    folder = Path(next(one for one in maps.split() if "/counter_" in one)).parent
    assert folder.is_dir()
    assert service.end() == 0
    assert not folder.exists()
    lines = service.lines()
    access = [one for one in lines if one.get("route") == "/v1/assessments"]
    assert len(access) == asked
    assert len({one["request_id"] for one in access}) == asked
    assert any(one["logger"] == "gunicorn.error" and "SIGKILL" in one["message"] for one in lines)


def test_decisions_of_workers_and_threads_are_whole_lines(
    start: Start, case: dict[str, Any], tmp_path: Path
) -> None:
    path, moved = tmp_path / "decisions", tmp_path / "decisions.1"
    service = start(OHMPATH_DECISION_LOG=str(path))

    def ask(number: int) -> int:
        sent = {**case, "case_id": f"Mrs Miller {number}", "required_confidence": 0.8}
        post = f"{service.url}/v1/assessments"
        return requests.post(post, json=sent, headers=CLOSE, timeout=60).status_code

    with ThreadPoolExecutor(16) as pool:
        first = list(pool.map(ask, range(150)))
        path.rename(moved)
        service.process.send_signal(signal.SIGUSR1)
        second = list(pool.map(ask, range(150)))
    assert {*first, *second} == {200}
    service.wait(lambda: len(service.workers()) == 2)
    lines = [json.loads(one) for file in (moved, path) for one in file.read_bytes().splitlines()]
    assert len(lines) == 300
    assert len({one["trace_id"] for one in lines}) == 300
    assert len({one["answer"] for one in lines}) == 1
    assert b"Miller" not in path.read_bytes() + moved.read_bytes()
    assert path.read_bytes()
    assert service.end() == 0


@pytest.mark.parametrize("tail", ["2>/dev/full", "0<&- 1>&- 2>&-"])
def test_service_goes_on_without_standard_error(
    start: Start, case: dict[str, Any], tail: str
) -> None:
    service = start(tail)
    for _ in range(20):
        answer = requests.post(
            f"{service.url}/v1/assessments", json=case, headers=CLOSE, timeout=60
        )
        assert answer.status_code == 200
    assert requests.get(f"{service.url}/nowhere", timeout=20).status_code == 404
    assert service.end() == 0


def test_gunicorn_by_hand_logs_and_counts_alike(start: Start, tmp_path: Path) -> None:
    own = tmp_path / "numbers"
    command = (
        f"{sys.executable} -m gunicorn -c python:service.gunicorn_conf -b 127.0.0.1:{{port}} "
        "'service.app:create_app()'"
    )
    service = start(command=command, PROMETHEUS_MULTIPROC_DIR=str(own))
    for _ in range(20):
        requests.get(f"{service.url}/healthz", headers=CLOSE, timeout=20)
    service.wait(lambda: service.counted("ohmpath_requests_total", route="/healthz") == 20)
    assert list(own.glob("counter_*.db"))
    assert service.end() == 0
    assert own.is_dir()
    lines = service.lines()
    assert {"gunicorn.error", "ohmpath.access"} <= {one["logger"] for one in lines}


def test_what_is_not_http_is_counted_and_its_text_not_logged(start: Start) -> None:
    service = start()
    address = urlsplit(service.url)
    for raw in (
        b"GET /?secret HTTP/9.9\r\n\r\n",
        b"secret\r\n\r\n",
        b"GET / HTTP/1.1\r\nAuthorization secret\r\n\r\n",
    ):
        with socket.create_connection((address.hostname, address.port), timeout=20) as connection:
            connection.sendall(raw)
            assert connection.recv(4096).startswith(b"HTTP/1.1 400")
    labels = {"route": "unmatched", "method": "_OTHER", "status": "400"}
    service.wait(lambda: service.counted("ohmpath_requests_total", **labels) == 3)
    assert service.counted("ohmpath_problems_total", type="bad-request") == 3
    assert service.end() == 0
    assert b"secret" not in service.log.read_bytes()
    assert [one for one in service.lines() if one["message"].startswith("refused: bad-request")]
