"""Cases per second and memory of a batch (a script, not a test; Linux, which it asks for memory).

python tests/bench/bench_batch.py offline CASES.ndjson [OPTIONS OF ohmpath batch]
python tests/bench/bench_batch.py http CASES.ndjson

The first counts the start in, as it is by who waits for it. The second does not; it sends a line as
soon as the one before is sent, and reads answers at the same time.
"""

from __future__ import annotations

import json
import os
import resource
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from http.client import HTTPConnection
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
BATCH = "/v1/assessments/batch?detail=brief"


class Memory:
    """The peak of the resident memory of a process and of those that it starts, in MB."""

    def __init__(self, pid: int) -> None:
        self.root, self.peaks = pid, dict[int, float]()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._watch)
        self._thread.start()

    def _watch(self) -> None:
        while not self._over.wait(0.3):
            family = {self.root}
            for pid in sorted(int(path.name) for path in Path("/proc").glob("[0-9]*")):
                with suppress(OSError, KeyError):
                    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
                    status = dict(line.split(":", 1) for line in lines)
                    if pid in family or int(status["PPid"]) in family:
                        family.add(pid)
                        self.peaks[pid] = int(status["VmHWM"].split()[0]) / 1024

    def end(self) -> str:
        self._over.set()
        self._thread.join()
        own = self.peaks.pop(self.root, 0)
        others = sorted(self.peaks.values(), reverse=True)
        return f"peak {own:.0f} MB, its processes {', '.join(f'{one:.0f}' for one in others)} MB"


@contextmanager
def running(*arguments: str) -> Iterator[tuple[subprocess.Popen[bytes], Memory]]:
    """`python -m service` with its memory watched."""
    process = subprocess.Popen(
        [sys.executable, "-m", "service", *arguments],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    memory = Memory(process.pid)
    try:
        yield process, memory
    finally:
        process.terminate()
        process.wait()
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        print(f"{used.ru_utime + used.ru_stime:.1f} s of processor time, the start included")
        print(memory.end())


def told(count: int, seconds: float) -> None:
    load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
    print(f"{count} cases in {seconds:.1f} s: {count / seconds:.1f} a second (load {load})")


def offline(file: Path, *options: str) -> None:
    with file.open("rb") as lines:
        count = sum(1 for _ in lines)
    start = time.perf_counter()
    with running("batch", str(file), "--fresh", *options) as (process, _):
        if process.wait():
            raise SystemExit(f"ohmpath batch has failed with {process.returncode}")
        told(count, time.perf_counter() - start)


def http(file: Path) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    with running("serve", "--port", str(port)):
        ready = False
        while not ready:
            time.sleep(0.2)
            with suppress(OSError):
                urllib.request.urlopen(f"http://127.0.0.1:{port}/readyz", timeout=20).close()
                ready = True
        start = time.perf_counter()
        count, first = streamed(port, file)
        told(count, time.perf_counter() - start)
        print(f"the first answer after {first - start:.2f} s")


def streamed(port: int, file: Path) -> tuple[int, float]:
    """Send a file as it is read back; how many cases, and when the first answer came."""
    talk = HTTPConnection("127.0.0.1", port, timeout=60)
    talk.putrequest("POST", BATCH)
    talk.putheader("Content-Type", "application/x-ndjson")
    talk.putheader("Transfer-Encoding", "chunked")
    talk.endheaders()

    def send() -> None:
        with file.open("rb") as lines:
            for line in lines:
                talk.sock.sendall(b"%x\r\n%s\r\n" % (len(line), line))
        talk.sock.sendall(b"0\r\n\r\n")

    sender = threading.Thread(target=send)
    sender.start()
    count, first, last = -1, 0.0, b""
    for last in talk.getresponse():  # noqa: B007 - the last one is the summary
        first = first or time.perf_counter()
        count += 1
    sender.join()
    if not json.loads(last)["summary"]["complete"]:
        raise SystemExit("the answer is not complete")
    return count, first


def main() -> None:
    kind, file, *options = sys.argv[1:]
    if kind == "http":
        http(Path(file).resolve())
    else:
        offline(Path(file).resolve(), *options)


if __name__ == "__main__":
    main()
