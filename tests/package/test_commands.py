"""What is run in or around the container does what it is for."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from tests.package.deployed import DOCKER
from tests.package.test_agreement import PORT, health_command

DIGEST = "sha256:" + "0123456789abcdef" * 4


@contextmanager
def answering(status: int) -> Iterator[int]:
    """A server that answers everything with this status, and its port."""

    class Answer(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(status if self.path == "/readyz" else 404)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    with HTTPServer(("127.0.0.1", 0), Answer) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield server.server_port
        server.shutdown()
        thread.join()


def health(port: int) -> int:
    python, *rest = health_command()
    assert python == "python"
    command = [sys.executable, *(one.replace(str(PORT), str(port)) for one in rest)]
    return subprocess.run(command, capture_output=True, check=False).returncode


@pytest.mark.parametrize(("status", "code"), [(200, 0), (503, 1), (500, 1)])
def test_the_health_check_tells(status: int, code: int) -> None:
    with answering(status) as port:
        assert health(port) == code


def test_the_health_check_tells_that_nothing_answers() -> None:
    with answering(200) as port:
        pass
    assert health(port) == 1


def pinned(folder: Path, digest: str) -> subprocess.CompletedProcess[str]:
    """Run pin.sh on a copy, with a docker that knows one digest."""
    docker = folder / "bin" / "docker"
    docker.parent.mkdir(exist_ok=True)
    docker.write_text(f'#!/bin/sh\n[ "$1" = pull ] || echo "name@{digest}"\n')
    docker.chmod(0o755)
    for name in ("Dockerfile", "compose.yaml", "pin.sh"):
        if not (folder / name).exists():
            shutil.copy(DOCKER / name, folder)
    return subprocess.run(
        ["sh", str(folder / "pin.sh")],
        env={"PATH": f"{docker.parent}:{os.environ['PATH']}"},
        capture_output=True,
        text=True,
        check=False,
    )


def test_digests_are_written_behind_the_tags_and_renewed(tmp_path: Path) -> None:
    assert pinned(tmp_path, DIGEST).returncode == 0
    other = DIGEST[::-1][:64]
    again = pinned(tmp_path, "sha256:" + other)
    assert again.returncode == 0, again.stderr
    for name in ("Dockerfile", "compose.yaml"):
        before = (DOCKER / name).read_text(encoding="utf-8").splitlines()
        after = (tmp_path / name).read_text(encoding="utf-8").splitlines()
        (changed,) = [(a, b) for a, b in zip(before, after, strict=True) if a != b]
        assert changed[1] == changed[0].partition("@")[0] + "@sha256:" + other


def test_what_is_no_digest_is_not_written(tmp_path: Path) -> None:
    failed = pinned(tmp_path, "latest")
    assert failed.returncode == 1
    assert "no digest" in failed.stderr
    for name in ("Dockerfile", "compose.yaml"):
        assert (tmp_path / name).read_bytes() == (DOCKER / name).read_bytes()
