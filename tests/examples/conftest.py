"""Fixtures of the tests of examples/: running services, and a place to run commands in."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from tests.breaking import running
from tests.wanted import want

ROOT = Path(__file__).resolve().parents[2]

Run = Callable[..., "subprocess.CompletedProcess[str]"]


def await_port(process: subprocess.Popen[Any], port: int) -> None:
    """Return once something listens."""
    end = time.monotonic() + 90
    while True:
        assert process.poll() is None, f"it ended with {process.returncode}"
        try:
            socket.create_connection(("127.0.0.1", port), timeout=5).close()
            return
        except OSError:
            assert time.monotonic() < end, "nothing listens after 90 s"
            time.sleep(0.1)


@pytest.fixture(scope="session")
def start_service() -> Iterator[Callable[..., str]]:
    """Start `ohmpath serve`, and return its URL once it is ready."""
    with ExitStack() as started:
        yield lambda **environment: started.enter_context(running.service(**environment)).url


@pytest.fixture(scope="session")
def service(start_service: Callable[..., str]) -> str:
    """The URL of a service that asks for no key."""
    return start_service()


@pytest.fixture(scope="session")
def need() -> Callable[..., None]:
    """Skip without a program that an example needs; in CI there is no test without it."""

    def look(*programs: str) -> None:
        for program in programs:
            want(shutil.which(program) is not None, f"{program} is not installed")

    return look


@pytest.fixture
def run(tmp_path: Path) -> Run:
    """Run a shell script where examples/ and rules/ are, with `ohmpath` and `python3`."""
    shutil.copytree(ROOT / "examples", tmp_path / "examples")
    (tmp_path / "rules").symlink_to(ROOT / "rules")
    programs = tmp_path / "bin"
    programs.mkdir()
    for name, command in (("ohmpath", "-W error -m service"), ("python3", "")):
        (programs / name).write_text(f'#!/bin/sh\nexec {sys.executable} {command} "$@"\n')
        (programs / name).chmod(0o755)

    def run(script: str, **environment: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            ["sh", "-c", script],
            cwd=tmp_path,
            env={**_own_environment(), "PATH": f"{programs}:{os.environ['PATH']}", **environment},
            capture_output=True,
            text=True,
            timeout=300,
        )

    return run


def _own_environment() -> Mapping[str, str]:
    kept = {name: value for name, value in os.environ.items() if not name.startswith("OHMPATH_")}
    return {**kept, "PYTHONPATH": str(ROOT)}


@pytest.fixture
def start_webhook() -> Iterator[Callable[..., str]]:
    """Start examples/webhook.py, and return its URL once it listens."""
    started: list[subprocess.Popen[bytes]] = []

    def start(service: str, **environment: str) -> str:
        port = running.free_port()
        process = subprocess.Popen(
            [sys.executable, ROOT / "examples" / "webhook.py"],
            env={**_own_environment(), "PORT": str(port), "OHMPATH_URL": service, **environment},
            stderr=subprocess.DEVNULL,
        )
        started.append(process)
        await_port(process, port)
        return f"http://127.0.0.1:{port}"

    yield start
    for process in started:
        process.terminate()
    for process in started:
        process.wait(timeout=30)
