"""The service as it is run, started for a test and ended by its own process id."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
START_SECONDS = 90


def serve(port: int) -> list[str]:
    """The command that users start it with."""
    return ["-m", "service", "serve", "--port", str(port), "--workers", "2"]


def script(name: str, *arguments: str) -> Callable[[int], list[str]]:
    """The same with something changed, by a script beside this module."""
    path = str(Path(__file__).with_name(name))
    return lambda port: [path, *arguments, *serve(port)[2:]]


def gunicorn(port: int) -> list[str]:
    """Gunicorn by itself, with the settings of the service."""
    settings = ["-c", "python:service.gunicorn_conf", "--bind", f"127.0.0.1:{port}"]
    return ["-m", "gunicorn", *settings, "service.app:create_app()"]


def free_port() -> int:
    """A port on which nobody listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_for(what: Callable[[], Any], seconds: float = 30, *, told: str = "") -> Any:
    """What becomes true within so many seconds; a limit for a busy machine, not for the service."""
    end = time.monotonic() + seconds
    while not (found := what()):
        assert time.monotonic() < end, f"not within {seconds} s: {told or what}"
        time.sleep(0.02)
    return found


@dataclass
class Running:
    """A service that runs: its port, its master process, and the file of what it says."""

    port: int
    process: subprocess.Popen[bytes]
    said: Path

    @property
    def url(self) -> str:
        """Where it is."""
        return f"http://127.0.0.1:{self.port}"

    def get(self, path: str, timeout: float = 30) -> Any:
        """The JSON document at a path."""
        with urllib.request.urlopen(self.url + path, timeout=timeout) as answer:
            return json.load(answer)

    def ready(self) -> Any:
        """What /readyz says; None if nobody answers."""
        with suppress(OSError):
            return self.get("/readyz")
        return None

    def children(self) -> dict[int, str]:
        """The command line of each child of the master, by process id (Linux)."""
        found = {}
        pid = self.process.pid
        for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split():
            with suppress(OSError):
                found[int(child)] = Path(f"/proc/{child}/cmdline").read_bytes().decode()
        return found

    def workers(self) -> list[int]:
        """The process ids of the workers; not of what checks rule sets."""
        return sorted(pid for pid, line in self.children().items() if "acceptance" not in line)

    def checking(self) -> list[int]:
        """The process ids of what checks rule sets."""
        return [pid for pid, line in self.children().items() if "acceptance" in line]

    def holder(self, client: socket.socket) -> int:
        """The process id of the worker that has a client's connection; 0 if none does."""
        inode = None
        for row in Path("/proc/net/tcp").read_text().splitlines()[1:]:
            fields = row.split()
            ends = [int(fields[one].rpartition(":")[2], 16) for one in (1, 2)]
            if ends == [self.port, client.getsockname()[1]]:
                inode = fields[9]
        for pid in self.workers():
            with suppress(OSError):
                for one in os.listdir(f"/proc/{pid}/fd"):
                    if os.readlink(f"/proc/{pid}/fd/{one}") == f"socket:[{inode}]":
                        return pid
        return 0

    def hang_up(self) -> None:
        """Ask for a reload."""
        self.process.send_signal(signal.SIGHUP)

    def log(self) -> str:
        """All that it has said on standard error."""
        return self.said.read_text(errors="replace")


@contextmanager
def service(
    *,
    command: Callable[[int], list[str]] = serve,
    stderr: str | None = None,
    closed: bool = False,
    wrap: Sequence[str] = (),
    **environment: str,
) -> Iterator[Running]:
    """The service with two workers, from ready to ended.

    stderr: a file in the place of the one that `log` reads; closed: without any standard error.
    wrap: a command that runs it.
    """
    port = free_port()
    line = [*wrap, sys.executable, *command(port)]
    if closed:
        line = ["sh", "-c", 'exec "$@" 2>&-', "sh", *line]
    with tempfile.NamedTemporaryFile(suffix=".log") as kept:
        said = Path(kept.name)
        with open(stderr or said, "wb") as told:
            process = subprocess.Popen(
                line,
                cwd=ROOT,
                env={**os.environ, "OMP_NUM_THREADS": "1", "PYTHONPATH": str(ROOT), **environment},
                stdout=subprocess.DEVNULL,
                stderr=told,
            )
        running = Running(port, process, said)
        try:
            end = time.monotonic() + START_SECONDS
            while running.ready() is None or len(running.workers()) < 2:
                assert process.poll() is None, f"ended with {process.returncode}: {running.log()}"
                assert time.monotonic() < end, f"not ready in {START_SECONDS} s: {running.log()}"
                time.sleep(0.1)
            yield running
        finally:
            if process.poll() is None:
                process.terminate()
                try:
                    process.wait(30)
                except subprocess.TimeoutExpired:
                    process.kill()
                    process.wait()


def resident(pid: int) -> int:
    """The resident memory of a process, in bytes."""
    for row in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
        if row.startswith("Rss:"):
            return int(row.split()[1]) * 1024
    raise AssertionError("no Rss")


def open_files(pid: int) -> int:
    """How many file descriptors a process has open."""
    return len(os.listdir(f"/proc/{pid}/fd"))


def threads(pid: int) -> int:
    """How many threads a process has."""
    return len(os.listdir(f"/proc/{pid}/task"))
