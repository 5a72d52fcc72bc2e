"""The real service, over a real socket: framing, processes, start and stop."""

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
from typing import Any
from urllib.parse import urlsplit

import pytest
import requests

JSON = {"Content-Type": "application/json"}
MIB = 1024 * 1024


def exchange(url: str, raw: bytes, *, end_of_input: bool = False) -> bytes:
    """Send bytes as they are and return all that comes back until the connection closes."""
    address = urlsplit(url)
    with socket.create_connection((address.hostname, address.port), timeout=20) as connection:
        connection.sendall(raw)
        if end_of_input:
            connection.shutdown(socket.SHUT_WR)
        received = b""
        while block := connection.recv(65536):
            received += block
    return received


def head(length: str, *more: str) -> bytes:
    lines = ["POST /v1/assessments HTTP/1.1", "Host: localhost", "Connection: close"]
    return "\r\n".join([*lines, "Content-Type: application/json", length, *more, "", ""]).encode()


@pytest.mark.parametrize("size", [MIB + 1, 10 * MIB])
@pytest.mark.parametrize("chunked", [False, True])
def test_large_body_is_refused_however_framed(service_url: str, size: int, chunked: bool) -> None:
    def chunks() -> Iterator[bytes]:
        for _ in range(0, size, MIB):
            yield b" " * MIB
        yield b" "

    body: Any = chunks() if chunked else b" " * size
    response = requests.post(f"{service_url}/v1/assessments", data=body, headers=JSON, timeout=30)
    assert response.status_code == 413
    assert response.headers["Content-Type"] == "application/problem+json"
    assert response.json()["type"] == "/problems/content-too-large"


def test_chunked_body_is_read(service_url: str, case: dict[str, Any]) -> None:
    raw = json.dumps(case).encode()
    url = f"{service_url}/v1/assessments"
    whole = requests.post(url, data=raw, headers=JSON, timeout=30)
    pieces = (raw[start : start + 7] for start in range(0, len(raw), 7))
    chunked = requests.post(url, data=pieces, headers=JSON, timeout=30)
    assert chunked.status_code == whole.status_code == 200
    assert chunked.content == whole.content


def test_body_cut_short_gets_no_assessment(service_url: str, case: dict[str, Any]) -> None:
    raw = json.dumps(case).encode()
    answer = exchange(service_url, head(f"Content-Length: {len(raw) + 9}") + raw, end_of_input=True)
    assert answer.startswith(b"HTTP/1.1 400")
    assert f"ends after {len(raw)} of {len(raw) + 9} bytes".encode() in answer


CHUNKED = head("Transfer-Encoding: chunked")


@pytest.mark.parametrize(
    ("raw", "status"),
    [
        pytest.param(head("Content-Length: -5") + b"{}", 400, id="negative length"),
        pytest.param(head("Content-Length: x") + b"{}", 400, id="length not a number"),
        pytest.param(
            head("Content-Length: 2", "Transfer-Encoding: chunked") + b"0\r\n\r\n{}",
            400,
            id="two framings",
        ),
        pytest.param(head("Transfer-Encoding: gzip") + b"{}", 400, id="unknown framing"),
        pytest.param(CHUNKED + b"zz\r\n{}\r\n0\r\n\r\n", 400, id="chunk size not a number"),
        pytest.param(CHUNKED + b"2\r\n{}xx0\r\n\r\n", 400, id="chunk without an end"),
        pytest.param(CHUNKED + b"9\r\n{}", 400, id="chunk cut short"),
        pytest.param(CHUNKED + b"2\r\n{}\r\n", 400, id="no last chunk"),
        pytest.param(CHUNKED, 400, id="no chunk at all"),
        pytest.param(b"NONSENSE\r\n\r\n", 400, id="not a request line"),
        pytest.param(b"GET /\xff\xfe HTTP/1.1\r\n\r\n", 400, id="bytes in the path"),
        pytest.param(b"GET /healthz HTTP/9.9\r\n\r\n", 400, id="unknown version"),
        pytest.param(b"GET /healthz HTTP/1.1\r\nA b: c\r\n\r\n", 400, id="bad header name"),
        pytest.param(b"GET /" + b"x" * 5000 + b" HTTP/1.1\r\n\r\n", 414, id="long path"),
        pytest.param(
            b"GET /healthz HTTP/1.1\r\n" + b"A: b\r\n" * 60 + b"\r\n", 431, id="many headers"
        ),
        pytest.param(
            b"GET /healthz HTTP/1.1\r\nA: " + b"x" * 9000 + b"\r\n\r\n", 431, id="long header"
        ),
    ],
)
def test_what_is_not_http_gets_a_problem_too(service_url: str, raw: bytes, status: int) -> None:
    answer = exchange(service_url, raw, end_of_input=True)
    first, _, body = answer.partition(b"\r\n\r\n")
    assert first.startswith(f"HTTP/1.1 {status} ".encode()), answer[:300]
    assert b"Content-Type: application/problem+json" in first
    assert f"Content-Length: {len(body)}".encode() in first
    problem = json.loads(body)
    assert problem["status"] == status
    assert requests.get(service_url + problem["type"], timeout=10).json()["status"] == status


def test_same_bytes_from_every_process_under_load(service_url: str, case: dict[str, Any]) -> None:
    def ask(_: int) -> bytes:
        response = requests.post(
            f"{service_url}/v1/assessments", json=case, timeout=30, headers={"Connection": "close"}
        )
        assert response.status_code == 200
        return response.content

    with ThreadPoolExecutor(8) as pool:
        assert len(set(pool.map(ask, range(80)))) == 1


def test_bytes_do_not_depend_on_the_hash_seed(
    start_service: Callable[..., tuple[str, Any]], service_url: str, case: dict[str, Any]
) -> None:
    other, process = start_service(PYTHONHASHSEED="12345")
    complaint = {"equipment": "microwave-oven", "symptom": "blows-fuse"}
    proof = {**complaint, "phase": "verify-repair"}
    for document in (case, complaint, proof, {**case, "costs": {}}):
        answers = [
            requests.post(f"{url}/v1/assessments", json=document, timeout=30).content
            for url in (service_url, other)
        ]
        assert answers[0] == answers[1]
    process.terminate()
    assert process.wait(timeout=30) == 0


def test_taken_port_ends_it_with_a_message(service_url: str) -> None:
    port = str(urlsplit(service_url).port)
    done = subprocess.run(
        [sys.executable, "-m", "service", "serve", "--port", port],
        capture_output=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 1
    assert f"127.0.0.1:{port} is taken".encode() in done.stderr
    assert b"Traceback" not in done.stderr


def test_worker_that_is_killed_is_replaced(start_service: Callable[..., tuple[str, Any]]) -> None:
    url, process = start_service()
    children = f"/proc/{process.pid}/task/{process.pid}/children"
    if not os.path.exists(children):
        pytest.skip("this system does not list the children of a process")

    def workers() -> list[int]:
        with open(children) as listing:
            return [int(one) for one in listing.read().split()]

    end = time.monotonic() + 30
    while len(workers()) < 2:
        assert time.monotonic() < end
        time.sleep(0.05)
    for worker in workers():
        os.kill(worker, signal.SIGKILL)
    while True:
        try:
            if requests.get(f"{url}/readyz", timeout=5).status_code == 200:
                break
        except (requests.ConnectionError, requests.Timeout):
            assert time.monotonic() < end
        time.sleep(0.2)
    process.send_signal(signal.SIGINT)
    assert process.wait(timeout=30) == 0


@pytest.mark.parametrize(
    ("start", "told"),
    [
        (head("Content-Length: 99") + b"{", b"ends after 1 of 99 bytes"),
        (head("Content-Length: 999999") + b"{", b"ends after 1 of 999999 bytes"),
        (b"POST /v1/assessments HTTP/1.1\r\nHost: l", b""),
    ],
    ids=["body", "long body", "head"],
)
def test_clients_that_never_finish_do_not_stop_the_service(
    start_service: Callable[..., tuple[str, Any]], start: bytes, told: bytes
) -> None:
    url, _ = start_service(OHMPATH_READ_SECONDS="1")
    address = urlsplit(url)
    held = [
        socket.create_connection((address.hostname, address.port), timeout=30) for _ in range(60)
    ]
    try:
        for connection in held:
            connection.sendall(start)
        time.sleep(0.5)
        assert requests.get(f"{url}/healthz", timeout=20).json() == {"status": "ok"}
        for connection in held:
            # Told what is wrong if there is somebody to tell, else cut off; not waited for.
            answer = b"".join(iter(lambda one=connection: one.recv(4096), b""))
            assert answer.startswith(b"HTTP/1.1 400 ") if told else not answer
            assert told in answer
    finally:
        for connection in held:
            connection.close()


def test_what_takes_longer_than_a_client_may_take_to_send_is_answered(
    start_service: Callable[..., tuple[str, Any]],
) -> None:
    """And the connection is kept: nothing was late on it."""
    url, _ = start_service(OHMPATH_READ_SECONDS="1")
    trial = {"base": "microwave-oven", "changes": {}}
    kind = {"Content-Type": "application/merge-patch+json"}
    answer = requests.post(f"{url}/v1/trials?own_cases=no", json=trial, headers=kind, timeout=60)
    assert answer.status_code == 200, answer.text
    assert answer.elapsed.total_seconds() > 1.2, "too quick to show anything: send more cases"
    assert answer.headers.get("Connection") != "close"
