"""Fixtures of the tests of examples/: running services, and a place to run commands in."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]

Run = Callable[..., "subprocess.CompletedProcess[str]"]


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


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
    started: list[subprocess.Popen[bytes]] = []

    def start(**environment: str) -> str:
        port = free_port()
        process = subprocess.Popen(
            [sys.executable, "-m", "service", "serve", "--port", str(port), "--workers", "1"],
            cwd=ROOT,
            env={**os.environ, **environment},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        started.append(process)
        await_port(process, port)
        url = f"http://127.0.0.1:{port}"
        urllib.request.urlopen(f"{url}/readyz", timeout=60).close()
        return url

    yield start
    for process in started:
        process.terminate()
    for process in started:
        process.wait(timeout=30)


@pytest.fixture(scope="session")
def service(start_service: Callable[..., str]) -> str:
    """The URL of a service that asks for no key."""
    return start_service()


@pytest.fixture(scope="session")
def need() -> Callable[..., None]:
    """Skip without a program that an example needs; in CI there is no test without it."""

    def look(*programs: str) -> None:
        for program in programs:
            if shutil.which(program) is None:
                told = f"{program} is not installed"
                (pytest.fail if os.environ.get("CI") == "true" else pytest.skip)(told)

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
        port = free_port()
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
