"""Requests per second of the service, as a share of what an echo does on the same server.

python tests/bench/bench_service.py [SECONDS] [CONNECTIONS]        (a script, not a test; needs wrk)

Both run under gunicorn with 2 workers of 16 threads: the service as it is started by hand, the
echo with nothing else. The echo reads the JSON of the same body and writes it again. Each round
measures one and then the other, and rounds are short and many, so that what else the machine does
meets both. "Work" is the processor time of the server for a request, which what else the machine
does hardly changes. Rows:

distinct      2,000 cases of which no two are alike, again and again
repeated      2,000 cases that come to a few hundred finding sets, again and again
other values  20,000 cases that come to a few hundred finding sets: too many to keep the requests

Before that a load of its own has filled what is kept; how long the 2,000 take when nothing is kept
as yet is told too ("first time", over one connection).
"""

from __future__ import annotations

import json
import os
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from http.client import HTTPConnection
from pathlib import Path
from typing import NamedTuple

from tests.bench.make_cases import alike, distinct, repeated

ROOT = Path(__file__).resolve().parents[2]
ROUNDS = 30
TICK = os.sysconf("SC_CLK_TCK")  # a second
CASES = 2000
WARMING = 45  # s
OTHER_VALUES = 20_000


class Load(NamedTuple):
    """What one run of wrk has measured."""

    per_second: float
    p99: float  # ms
    errors: int
    work: float  # us of a processor for each request


class Server(NamedTuple):
    """One that runs."""

    url: str
    process: int

    def worked(self) -> float:
        """Processor time of it and its workers so far, in s."""
        ticks = 0
        for stat in Path("/proc").glob("[0-9]*/stat"):
            with suppress(OSError):
                # The name before them is in parentheses and may hold anything (proc(5)).
                numbers = stat.read_text().rpartition(")")[2].split()
                if self.process in (int(numbers[1]), int(stat.parent.name)):
                    ticks += int(numbers[11]) + int(numbers[12])
        return ticks / TICK


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def running(ready: str, *command: str) -> Iterator[Server]:
    """A server, of which {port} in the command is the port."""
    port = free_port()
    process = subprocess.Popen(
        [sys.executable, "-m", *(part.format(port=port) for part in command)],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        for _ in range(200):
            with suppress(OSError):
                urllib.request.urlopen(f"http://127.0.0.1:{port}{ready}", timeout=30).close()
                break
            time.sleep(0.2)
        yield Server(f"http://127.0.0.1:{port}", process.pid)
    finally:
        process.terminate()
        process.wait()


def load(server: Server, path: str, cases: Path, seconds: int, connections: int) -> Load:
    """One run of wrk."""
    command = ["wrk", "-t1", f"-c{connections}", f"-d{seconds}s", "-s", "tests/bench/post.lua"]
    command.append(server.url + path)
    worked = server.worked()
    environment = {**os.environ, "CASES": str(cases)}
    told = subprocess.run(
        command, cwd=ROOT, env=environment, capture_output=True, text=True, check=True
    )
    line = next(one for one in told.stdout.splitlines() if one.startswith("RESULT"))
    requests, duration, p99, errors = map(int, line.split()[1:])
    work = (server.worked() - worked) / requests * 1e6
    return Load(requests / duration * 1e6, p99 / 1e3, errors, work)


def answered_once(url: str, cases: Path) -> float:
    """How many s it takes to answer every case once, one after another."""
    talk = HTTPConnection(url.removeprefix("http://"), timeout=60)
    start = time.perf_counter()
    for line in cases.read_bytes().splitlines()[:CASES]:
        talk.request("POST", "/v1/assessments", line, {"Content-Type": "application/json"})
        if talk.getresponse().read()[:1] != b"{":
            raise SystemExit("no answer")
    talk.close()
    return time.perf_counter() - start


def compare(service: Server, echo: Server, cases: Path, seconds: int, connections: int) -> str:
    """A row of the table: the medians of the rounds."""
    load(service, "/v1/assessments", cases, WARMING, 4 * connections)
    loads = [
        (
            load(service, "/v1/assessments", cases, seconds, connections),
            load(echo, "/echo", cases, seconds, connections),
        )
        for _ in range(ROUNDS)
    ]
    ours, theirs = zip(*loads, strict=True)
    rate, base = (statistics.median(one.per_second for one in side) for side in (ours, theirs))
    p99, base99 = (statistics.median(one.p99 for one in side) for side in (ours, theirs))
    work, base_work = (statistics.median(one.work for one in side) for side in (ours, theirs))
    ratio = statistics.median(one.per_second / other.per_second for one, other in loads)
    errors = sum(one.errors for one in (*ours, *theirs))
    return (
        f"{rate:.0f} | {base:.0f} | {ratio:.2f} | {p99:.1f} | {base99:.1f} | "
        f"{p99 / base99:.2f} | {work:.0f} | {base_work:.0f} | {base_work / work:.2f} | {errors}"
    )


def main() -> None:
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    connections = int(sys.argv[2]) if len(sys.argv) > 2 else 8
    echo_command = (
        *("gunicorn", "-k", "gthread", "--threads", "16", "-w", "2", "--keep-alive", "5"),
        *("--preload", "-b", "127.0.0.1:{port}", "tests.bench.echo:app"),
    )
    print(
        f"{connections} connections, {ROUNDS} rounds of {seconds} s, load {os.getloadavg()[0]:.1f}"
    )
    print(
        "cases | requests/s | echo/s | ratio | p99 ms | echo p99 | p99 ratio | work us | "
        "echo work | ratio of work | errors"
    )
    with tempfile.TemporaryDirectory() as folder, running("/", *echo_command) as echo:
        for kind, make, count in (
            ("distinct", distinct, CASES),
            ("repeated", repeated, CASES),
            ("other values", alike, OTHER_VALUES),
        ):
            cases = Path(folder) / f"{kind}.ndjson"
            with cases.open("w", encoding="utf-8") as out:
                out.writelines(json.dumps(one) + "\n" for one in make(count))
            with running("/readyz", "service", "serve", "--port", "{port}") as service:
                took = answered_once(service.url, cases)
                row = compare(service, echo, cases, seconds, connections)
            print(f"{kind} | {row}   (first time: {CASES / took:.0f} a second)", flush=True)


if __name__ == "__main__":
    main()
