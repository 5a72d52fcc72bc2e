"""What one address may do at nginx, and that the others do not feel it."""

from __future__ import annotations

import http.client
import json
import re
import shutil
import socket
import subprocess
import threading
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from tests.package.deployed import nginx
from tests.wanted import want

pytestmark = pytest.mark.long
STRANGER, OTHER = "127.0.0.2", "127.0.0.3"
UNDER_WAY, LONG, BURST = 64, 16, 400


class Replica(ThreadingHTTPServer):
    """Answers at once, or, as long as it is held, when it is let go."""

    daemon_threads = True
    request_queue_size = 500

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), Answering)
        self.free = threading.Event()
        self.free.set()


class Answering(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server: Replica

    def do_POST(self) -> None:
        self.rfile.read(int(self.headers["Content-Length"]))
        self.do_GET()

    def do_GET(self) -> None:
        if "quick" not in self.path:
            self.server.free.wait(20)
        self.send_response(200)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Nothing is to be read here."""


@pytest.fixture(scope="module")
def replica() -> Iterator[Replica]:
    one = Replica()
    threading.Thread(target=one.serve_forever, daemon=True).start()
    yield one
    one.shutdown()
    one.server_close()


@pytest.fixture
def port(replica: Replica, tmp_path: Path) -> Iterator[int]:
    """nginx as docker/nginx.conf says, with one replica in the place of both."""
    want(shutil.which("nginx") is not None, "nginx is not installed (apt-get install nginx-light)")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    conf = nginx().replace("listen 8000;", f"listen 127.0.0.1:{port};")
    conf = re.sub(r"ohmpath-[12]:8080", f"127.0.0.1:{replica.server_port}", conf)
    conf = conf.replace("/tmp/", f"{tmp_path}/").replace("/dev/stdout", f"{tmp_path}/log")
    (tmp_path / "nginx.conf").write_text(f"daemon off;\n{conf}")
    command = ["nginx", "-p", str(tmp_path), "-c", str(tmp_path / "nginx.conf"), "-e", "stderr"]
    with subprocess.Popen(command, stderr=subprocess.DEVNULL) as process:
        try:
            until = time.monotonic() + 10
            while time.monotonic() < until:
                try:
                    socket.create_connection(("127.0.0.1", port)).close()
                    break
                except OSError:
                    time.sleep(0.05)
            yield port
        finally:
            replica.free.set()
            process.terminate()
            process.wait(10)


def ask(port: int, path: str, source: str) -> http.client.HTTPResponse:
    connection = http.client.HTTPConnection(
        "127.0.0.1", port, timeout=30, source_address=(source, 0)
    )
    connection.request("POST", path, b"{}", {"Content-Type": "application/json"})
    answer = connection.getresponse()
    answer.body = answer.read()  # type: ignore[attr-defined]
    connection.close()
    return answer


@pytest.mark.parametrize(
    ("path", "most"),
    [
        ("/v1/assessments", UNDER_WAY),
        ("/v1/trials", LONG),
        ("/v1/rule-sets/check", LONG),
        ("/v1/assessments/batch", LONG),
    ],
)
def test_an_address_has_so_many_requests_under_way(
    port: int, replica: Replica, path: str, most: int
) -> None:
    replica.free.clear()
    sent = most + 20
    with ThreadPoolExecutor(sent) as pool:
        asked = [pool.submit(ask, port, path, STRANGER) for _ in range(sent)]
        until = time.monotonic() + 15
        while sum(one.done() for one in asked) < 20 and time.monotonic() < until:
            time.sleep(0.05)
        refused = [one.result() for one in asked if one.done()]
        others = ask(port, "/v1/quick", OTHER).status
        replica.free.set()
        found = Counter(one.result().status for one in asked)
    assert others == 200
    assert found == {200: most, 429: 20}
    for one in refused:
        assert one.status == 429
        assert one.headers["Content-Type"] == "application/problem+json"
        assert int(one.headers["Retry-After"]) >= 1
        assert json.loads(one.body)["status"] == 429  # type: ignore[attr-defined]


def test_an_address_makes_so_many_requests_a_second(port: int) -> None:
    with ThreadPoolExecutor(16) as pool:
        began = time.monotonic()
        asked = [pool.submit(ask, port, "/v1/quick", STRANGER) for _ in range(3 * BURST)]
        found = Counter(one.result().status for one in asked)
        took = time.monotonic() - began
        assert ask(port, "/v1/quick", OTHER).status == 200
    assert set(found) <= {200, 429}
    assert BURST <= found[200] <= BURST + 200 * took + 2
    time.sleep(0.2)
    assert ask(port, "/v1/quick", STRANGER).status == 200
