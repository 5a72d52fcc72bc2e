"""Requests good and bad without end, and what they leave behind."""

from __future__ import annotations

import copy
import http.client
import json
import random
import threading
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from itertools import cycle, islice
from typing import Any

from tests.bench.make_cases import originals, varied
from tests.breaking.running import Running, open_files, resident, threads
from tests.breaking.slow import SHAPES, slow_clients

JSON = "application/json"


@dataclass(frozen=True)
class Sent:
    """One request, and the statuses that are right for it."""

    body: bytes
    media_type: str = JSON
    path: str = "/v1/assessments"
    right: frozenset[int] = frozenset({200})


BAD = frozenset({400, 413, 415, 422})
_DEEP = b'{"a":' * 5_000 + b"1" + b"}" * 5_000


def broken(case: dict[str, Any], rng: random.Random) -> Sent:
    """A request in which something is wrong."""
    case = copy.deepcopy(case)
    raw = json.dumps(case).encode()
    reading: dict[str, Any] = {"check": "outlet-voltage", "value": 230, "unit": "V"}
    match rng.randrange(14):
        case 0:
            return Sent(raw[: rng.randrange(len(raw))], right=BAD)
        case 1:
            return Sent(raw, "text/plain", right=BAD)
        case 2:
            reading["unit"] = rng.choice(["Ohm", "m/s", "furlong", "", "V" * 500])
        case 3:
            reading["check"] = f"check-{rng.randrange(10**9)}"
        case 4:
            reading["value"] = rng.choice([1e308, -1e308, 10**400])
        case 5:
            case["symptom"] = f"symptom-{rng.randrange(10**9)}"
        case 6:
            case["equipment"] = "steam-engine" * rng.randrange(1, 100)
        case 7:
            return Sent(_DEEP, right=BAD)
        case 8:
            return Sent(raw.replace(b'"', b"\xff", 1), right=BAD)
        case 9:
            case["readings"] = [reading] * 2_000
            return Sent(json.dumps(case).encode(), right=BAD | {200})
        case 10:
            return Sent(b"[" * 100_000, right=BAD)
        case 11:  # refused before its end has come
            rows = b"case_id,equipment\r\n" + b"POST /nowhere HTTP/1.1\r\n" * rng.randrange(9_000)
            return Sent(rows, "text/csv", "/v1/assessments/batch", right=BAD)
        case 12:
            case |= {f"member-{rng.randrange(10**9)}": None for _ in range(5_000)}
        case _:
            case[f"member-{rng.randrange(10**9)}"] = None
    case["readings"] = [*case.get("readings", []), reading]
    return Sent(json.dumps(case).encode(), right=BAD)


def requests(count: int, seed: int = 1) -> Iterator[Sent]:
    """So many requests: three of four are cases, some of them by the batch; the rest is broken."""
    rng, known = random.Random(seed), originals()
    for number in range(count):
        case = varied(rng.choice(known), rng)
        if number % 4 == 3:
            yield broken(case, rng)
        elif number % 50 == 0:
            lines = [json.dumps(varied(rng.choice(known), rng)) for _ in range(5)]
            lines.insert(2, "no case")
            body = "\n".join(lines).encode()
            yield Sent(body, "application/x-ndjson", "/v1/assessments/batch?detail=brief")
        else:
            yield Sent(json.dumps(case).encode())


def _ask(
    connection: http.client.HTTPConnection, sent: Sent
) -> tuple[http.client.HTTPResponse, bytes]:
    """The answer to a request; one that comes before the whole body ends the connection."""
    try:
        connection.request("POST", sent.path, sent.body, {"Content-Type": sent.media_type})
    except OSError:
        if not sent.right & BAD:
            raise
    answer = connection.getresponse()
    return answer, answer.read()


@dataclass
class Soaked:
    """What came of it. wrong: answers that are not right; the rest by worker."""

    statuses: Counter[int] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    growth: dict[int, float] = field(default_factory=dict)
    memory: list[list[int]] = field(default_factory=list)

    def __str__(self) -> str:
        grown = ", ".join(f"{100 * one:.1f} %" for one in self.growth.values())
        statuses = dict(sorted(self.statuses.items()))
        return f"{statuses}; resident memory of each worker after warm-up grew {grown}"


def soak(
    running: Running, count: int, *, pool: int, warm_up: int, clients: int = 4, slow: int = 0
) -> Soaked:
    """Send so many requests, after a warm-up that is not measured but judged as well.

    pool: how many different ones there are. Answers that are kept take memory, up to a bound, as
    long as new cases come; what grows though nothing is new is a leak. slow: connections that are
    slow all the while, of each shape.
    """
    with ExitStack() as held:
        for shape in SHAPES if slow else ():
            held.enter_context(slow_clients(running.port, shape, slow))
        return _soak(running, count, pool, warm_up, clients, slow * len(SHAPES))


def _soak(
    running: Running, count: int, pool: int, warm_up: int, clients: int, others: int
) -> Soaked:
    out, lock = Soaked(), threading.Lock()
    endless = cycle(list(requests(pool)))

    def send(sent: Iterator[Sent]) -> None:
        connection = http.client.HTTPConnection("127.0.0.1", running.port, timeout=120)
        while True:
            with lock:
                one = next(sent, None)
            if one is None:
                break
            answer, said = _ask(connection, one)
            with lock:
                out.statuses[answer.status] += 1
                if answer.status not in one.right:
                    out.wrong.append(f"{answer.status} to {one.body[:200]!r}: {said[:200]!r}")
        connection.close()

    def all_of(sent: Iterator[Sent]) -> None:
        working = [threading.Thread(target=send, args=(sent,)) for _ in range(clients)]
        for one in working:
            one.start()
        for one in working:
            one.join()

    all_of(islice(endless, warm_up))
    workers = running.workers()
    before = {pid: resident(pid) for pid in workers}
    files = {pid: (open_files(pid), threads(pid)) for pid in workers}
    steps = max(1, count // 10)
    for part in range(0, count, steps):
        all_of(islice(endless, min(steps, count - part)))
        out.memory.append([resident(pid) // 2**20 for pid in workers])
    assert running.workers() == workers, "a worker was replaced"
    out.growth = {pid: resident(pid) / before[pid] - 1 for pid in workers}
    for pid, (had, had_threads) in files.items():
        assert open_files(pid) <= had + 2 * clients + others, (
            f"files piled up: {had}, {open_files(pid)}"
        )
        assert threads(pid) <= had_threads + 16, "threads piled up"
    return out
