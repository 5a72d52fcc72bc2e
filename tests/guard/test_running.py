"""The guard of the real service: several processes, refusals to start, logs, what never ends."""

from __future__ import annotations

import base64
import os
import socket
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
import requests

from service.api.examples import NO_HEAT
from service.guard.keys import Key, digest_of, new_token

ROOT = Path(__file__).resolve().parents[2]
TOKEN = new_token("desk")
KEY = Key("desk", frozenset({"assess", "batch"}), digest_of(TOKEN), rate=5, burst=10)
BEARER = {"Authorization": f"Bearer {TOKEN}"}


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def keys(tmp_path: Path) -> Path:
    path = tmp_path / "keys"
    path.write_text(KEY.line + "\n")
    path.chmod(0o600)
    return path


def gunicorn(*arguments: str, app: str = "service.app:create_app()") -> list[str]:
    return [
        *(sys.executable, "-m", "gunicorn", "-c", "python:service.gunicorn_conf"),
        *arguments,
        app,
    ]


def environment(**more: str) -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), **more}


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[..., tuple[str, Path, Any]]]:
    """Start gunicorn by hand; its address, its log and its process."""
    started: list[subprocess.Popen[bytes]] = []

    def run(*arguments: str, app: str = "service.app:create_app()", **more: str) -> Any:
        port, log = free_port(), tmp_path / "log"
        with log.open("wb") as out:
            process = subprocess.Popen(
                gunicorn("-b", f"127.0.0.1:{port}", *arguments, app=app),
                cwd=ROOT,
                env=environment(**more),
                stdout=out,
                stderr=out,
            )
        started.append(process)
        url, end = f"http://127.0.0.1:{port}", time.monotonic() + 120
        while True:
            try:
                requests.get(f"{url}/healthz", timeout=60)
                return url, log, process
            except requests.ConnectionError:
                assert process.poll() is None, log.read_text()
                assert time.monotonic() < end
                time.sleep(0.1)

    yield run
    for process in started:
        process.terminate()
    for process in started:
        process.wait(timeout=60)


def test_two_processes_keep_one_limit(start: Callable[..., Any], keys: Path) -> None:
    url, _, _ = start(OHMPATH_KEYS=str(keys))

    def ask(_: int) -> tuple[int, str]:
        # A connection each, so that both processes have some.
        headers = {**BEARER, "Connection": "close"}
        answer = requests.get(f"{url}/v1/calculations", headers=headers, timeout=30)
        return answer.status_code, answer.headers.get("Retry-After", "")

    begin = time.monotonic()
    with ThreadPoolExecutor(8) as pool:
        answers = Counter(pool.map(ask, range(160)))
    took = time.monotonic() - begin
    assert answers.keys() == {(200, ""), (429, "1")}
    # The tolerance is none: burst and rate, and the time it took, are all that may pass.
    assert 10 <= answers[200, ""] <= 10 + 5 * took


def test_a_batch_gives_its_place_back_at_its_end_and_when_its_client_leaves(
    start: Callable[..., Any], keys: Path
) -> None:
    keys.write_text(Key("desk", KEY.scopes, KEY.digest).line)
    url, _, _ = start(OHMPATH_KEYS=str(keys), OHMPATH_AT_A_TIME="1")
    headers = {**BEARER, "Content-Type": "application/x-ndjson"}

    def whole() -> int:
        answer = requests.post(
            f"{url}/v1/assessments/batch", data=b"1\n", headers=headers, timeout=30
        )
        return answer.status_code

    def answered_soon() -> None:
        # A client has its answer a moment before the place is given back.
        end = time.monotonic() + 30
        while whole() != 200:
            assert time.monotonic() < end
            time.sleep(0.1)

    for _ in range(4):
        answered_soon()
    host, port = url.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=30) as held:
        lines = [
            "POST /v1/assessments/batch HTTP/1.1",
            "Host: localhost",
            *(f"{name}: {value}" for name, value in headers.items()),
            "Transfer-Encoding: chunked",
        ]
        held.sendall(
            "\r\n".join([*lines, "", "2\r\n1\n\r\n"])
            .encode()
            .replace(b"chunked\r\n2", b"chunked\r\n\r\n2")
        )
        assert held.recv(1000).startswith(b"HTTP/1.1 200")
        assert whole() == 429  # whichever of the processes it came to
    answered_soon()


def refused(command: list[str], **variables: str) -> subprocess.CompletedProcess[bytes]:
    """What a server has said that did not start, in an environment with these variables."""
    done = subprocess.run(
        command,
        cwd=ROOT,
        env=environment(**variables),
        capture_output=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 1
    assert b"Traceback" not in done.stderr
    return done


def test_serving_the_network_without_keys_is_refused() -> None:
    done = refused(
        [sys.executable, "-m", "service", "serve", "--host", "0.0.0.0", "--port", str(free_port())]
    )
    for part in (b"no keys are set up", b"ohmpath keys new", b"OHMPATH_KEYS", b"OHMPATH_OPEN=yes"):
        assert part in done.stderr
    assert b"Listening" not in done.stderr


@pytest.mark.parametrize("bind", [":{}", "[::]:{}"])
def test_gunicorn_by_hand_is_refused_too(bind: str) -> None:
    done = refused(gunicorn("-b", "127.0.0.1:0", "-b", bind.format(free_port())))
    assert b"Error: other machines can reach" in done.stderr
    assert b"Listening" not in done.stderr


def test_unusable_keys_end_the_start_with_file_and_line(keys: Path) -> None:
    keys.write_text(f"{KEY.line}\ndesk-2 everything {TOKEN}\n")
    done = refused(
        [sys.executable, "-m", "service", "serve", "--port", str(free_port())],
        OHMPATH_KEYS=str(keys),
    )
    assert f"{keys}:2: ".encode() in done.stderr
    assert TOKEN.encode() not in done.stderr


def test_no_log_has_a_token(start: Callable[..., Any], keys: Path) -> None:
    url, log, process = start(
        *("--access-logfile", "-", "--log-level", "debug"), OHMPATH_KEYS=str(keys)
    )
    wrong = new_token("desk")
    basic = base64.b64encode(f"{wrong}:".encode()).decode()
    said = []
    for token in (TOKEN, wrong):
        for headers in (
            {"Authorization": f"Bearer {token}"},
            {"Authorization": f"Basic {basic}", "Referer": f"http://x/?access_token={token}"},
            {"Authorization": token, "User-Agent": token},
        ):
            for path in ("/v1/calculations", "/v1/none", f"/v1/rule-sets?access_token={token}"):
                answer = requests.get(url + path, headers=headers, timeout=30)
                said.append(answer.text + str(answer.headers))
                assert answer.headers["Server"] == "gunicorn"  # of no version, as far as it lets us
        for raw in (
            f"GET /v1/rule-sets?access_token={token} X HTTP/1.1\r\n\r\n",
            f"GET /?access_token={token} HTTP/9.9\r\n\r\n",
            f"GET / HTTP/1.1\r\nAuthorization Bearer {token}\r\n\r\n",
            f"GET / HTTP/1.1\r\nBearer {token}: x\r\n\r\n",
            f"GET / HTTP/1.1\r\nA: b\r\n Bearer {token}\r\n\r\n",
            f"{token} / HTTP/1.1\r\n\r\n",
            f"GET / HTTP/1.1\r\nExpect: {token}\r\n\r\n",
            f"POST / HTTP/1.1\r\nTransfer-Encoding: {token}\r\n\r\n",
        ):
            host, port = url.removeprefix("http://").split(":")
            with socket.create_connection((host, int(port)), timeout=20) as connection:
                connection.sendall(raw.encode())
                connection.shutdown(socket.SHUT_WR)
                while block := connection.recv(65536):
                    said.append(block.decode())
    process.terminate()
    process.wait(timeout=60)
    text = log.read_text()
    assert '"GET /v1/calculations HTTP/1.1" 200' in text, "nothing was logged"
    assert "- desk [" in text  # who it was is said by the name of the key
    for token in (TOKEN, wrong, basic):
        for part in (token, token[-43:]):
            assert part not in text
            assert not [one for one in said if part in one]


def test_a_case_without_end_costs_one_process_and_no_more(start: Callable[..., Any]) -> None:
    url, log, _ = start(
        *("--workers", "1", "--graceful-timeout", "1"),
        app="tests.guard.hanging:create_app()",
        OHMPATH_CASE_SECONDS="1",
    )
    case = {**NO_HEAT, "case_id": "for-ever"}
    with pytest.raises(requests.ConnectionError):
        requests.post(f"{url}/v1/assessments", json=case, timeout=60)
    with pytest.raises((requests.ConnectionError, requests.exceptions.ChunkedEncodingError)):
        requests.post(f"{url}/v1/assessments/batch", json=[case], timeout=60).json()
    end = time.monotonic() + 60
    while True:
        try:
            answer = requests.post(f"{url}/v1/assessments", json=NO_HEAT, timeout=30)
            break
        except requests.ConnectionError:
            assert time.monotonic() < end
            time.sleep(0.1)
    assert answer.status_code == 200
    text = log.read_text()
    assert "a case takes more than 1 s; this worker ends" in text
    assert "in _hang" in text
