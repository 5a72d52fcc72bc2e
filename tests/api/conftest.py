"""Fixtures of the edge's tests: the app in this process, and the real service in its own."""

from __future__ import annotations

import copy
import os
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from service.api.examples import NO_HEAT
from service.app import create_app
from service.settings import Settings

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="session")
def root() -> Path:
    return ROOT


@pytest.fixture(scope="session")
def app() -> Flask:
    return create_app(Settings())


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()


@pytest.fixture
def case() -> dict[str, Any]:
    """A case that is assessed without complaint; the test may change it."""
    return copy.deepcopy(NO_HEAT)


@pytest.fixture(scope="session")
def free_port() -> Callable[[], int]:
    def find() -> int:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            return int(probe.getsockname()[1])

    return find


@pytest.fixture(scope="session")
def start_service(free_port: Callable[[], int]) -> Iterator[Callable[..., tuple[str, Any]]]:
    """Start `python -m service serve` and return its URL and process once it is ready."""
    started: list[subprocess.Popen[bytes]] = []

    def start(**environment: str) -> tuple[str, subprocess.Popen[bytes]]:
        port = free_port()
        process = subprocess.Popen(
            [sys.executable, "-m", "service", "serve", "--port", str(port), "--workers", "2"],
            cwd=ROOT,
            env={**os.environ, **environment},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        started.append(process)
        url = f"http://127.0.0.1:{port}"
        end = time.monotonic() + 60
        while True:
            try:
                with urllib.request.urlopen(f"{url}/readyz", timeout=10):
                    return url, process
            except OSError:
                assert process.poll() is None, f"the service ended with {process.returncode}"
                assert time.monotonic() < end, "the service was not ready within 60 s"
                time.sleep(0.1)

    yield start
    for process in started:
        process.terminate()
    for process in started:
        process.wait(timeout=30)


@pytest.fixture(scope="session")
def service_url(start_service: Callable[..., tuple[str, Any]]) -> str:
    """The URL of one running service that the tests share."""
    return start_service()[0]
