"""Clients that ask without pause, and what becomes of each of their requests.

What is a loss is judged as RFC 9110 (9.2.2) and RFC 9112 (9.3.1, 9.5) have it. A server may close
a kept-alive connection that is idle at any time; a client that has just sent a request on it gets
no byte of an answer, and may send it again on another connection if the method is idempotent or it
knows that the request is: an assessment is, it changes nothing. That is `closed-idle`. `refused` is
a connection that never came about, so that nothing has been sent. Anything else without a whole
answer is `lost`: a connection that was opened for the request and then reset or closed, or an
answer that breaks off.
"""

from __future__ import annotations

import http.client
import json
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

CASE = {
    "equipment": "microwave-oven",
    "symptom": "no-heat",
    "readings": [{"check": "display", "observed": "lit"}],
}
BODY = json.dumps(CASE).encode()
HEADERS = {"Content-Type": "application/json"}


@dataclass
class Record:
    """What became of the requests; kept by all clients together."""

    outcomes: Counter[str] = field(default_factory=Counter)
    hashes: Counter[str] = field(default_factory=Counter)
    lost: list[str] = field(default_factory=list)
    slowest: float = 0.0
    lock: threading.Lock = field(default_factory=threading.Lock)

    def note(self, outcome: str, told: str = "", seconds: float = 0.0) -> None:
        """Count an outcome."""
        with self.lock:
            self.outcomes[outcome] += 1
            self.slowest = max(self.slowest, seconds)
            if outcome == "lost":
                self.lost.append(told)

    def __str__(self) -> str:
        return f"{dict(self.outcomes)}, slowest {self.slowest:.2f} s {self.lost[:3] or ''}"


class Client:
    """One client, which keeps its connection if asked to."""

    def __init__(self, port: int, record: Record, *, keep: bool) -> None:
        self._port, self._record, self._keep = port, record, keep
        self._connection: http.client.HTTPConnection | None = None

    def ask(self, path: str = "/v1/assessments", body: bytes = BODY) -> bytes | None:
        """Ask once, and note what becomes of it; the answer if there is one."""
        begun, fresh = time.monotonic(), self._connection is None
        if self._connection is None:
            self._connection = http.client.HTTPConnection("127.0.0.1", self._port, timeout=60)
            try:
                self._connection.connect()
            except OSError as error:
                # A time-out is its own word: the system waits long for who does not answer.
                self._drop("refused", f"{error}")
                return None
        connection = self._connection
        headers = HEADERS if self._keep else {**HEADERS, "Connection": "close"}
        try:
            connection.request("POST", path, body, headers)
            answer = connection.getresponse()
        except OSError as error:
            # RemoteDisconnected is one of these. Nothing of an answer has come.
            self._drop(
                "lost" if fresh else "closed-idle", f"{'new' if fresh else 'kept'}: {error!r}"
            )
            return None
        except http.client.HTTPException as error:
            self._drop("lost", f"no answer: {error!r}")
            return None
        try:
            read = answer.read()
        except (OSError, http.client.HTTPException) as error:
            self._drop("lost", f"broken answer: {error!r}")
            return None
        self._record.note(str(answer.status), seconds=time.monotonic() - begun)
        if answer.will_close or not self._keep:
            self.close()
        return read

    def close(self) -> None:
        """Leave."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _drop(self, outcome: str, told: str) -> None:
        self._record.note(outcome, told)
        self.close()


@contextmanager
def under_load(
    port: int,
    *,
    clients: int = 6,
    heard: Callable[[Any], None] | None = None,
    pause: float = 0.0,
) -> Iterator[Record]:
    """Clients that ask all the time, half of them over a connection each that they keep.

    heard: is called with each answer's document.
    """
    record, stop = Record(), threading.Event()

    def work(number: int) -> None:
        client = Client(port, record, keep=number % 2 == 0)
        while not stop.is_set():
            answer = client.ask()
            if answer is None:
                time.sleep(0.01)
            elif heard is not None:
                heard(json.loads(answer))
            time.sleep(pause)
        client.close()

    working = [threading.Thread(target=work, args=(one,)) for one in range(clients)]
    for one in working:
        one.start()
    try:
        yield record
    finally:
        stop.set()
        for one in working:
            one.join()
