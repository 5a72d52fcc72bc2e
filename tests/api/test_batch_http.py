"""Batches over a real socket: as they come in, as they go out, and as they break off."""

from __future__ import annotations

import csv
import json
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from typing import Any
from urllib.parse import urlsplit

import pytest
import requests

LINES = {"Content-Type": "application/x-ndjson"}
BATCH = "/v1/assessments/batch"
BRIEF = f"{BATCH}?detail=brief"


def dead(number: int) -> dict[str, Any]:
    readings = [{"check": "display", "observed": "dark"}]
    return {
        "case_id": f"job-{number}",
        "equipment": "microwave-oven",
        "symptom": "no-operation",
        "readings": readings,
    }


def line(number: int) -> bytes:
    return json.dumps(dead(number)).encode() + b"\n"


class Talk:
    """A client that sends and reads as it likes, in chunks. buffers: of its socket, in bytes."""

    def __init__(
        self, url: str, path: str = BRIEF, buffers: int = 0, accept: str = LINES["Content-Type"]
    ) -> None:
        address = urlsplit(url)
        self.socket = socket.socket()
        self.socket.settimeout(20)
        for option in (socket.SO_RCVBUF, socket.SO_SNDBUF) if buffers else ():
            self.socket.setsockopt(socket.SOL_SOCKET, option, buffers)
        self.socket.connect((address.hostname, address.port))
        self.socket.sendall(
            f"POST {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nAccept: {accept}\r\n"
            "Content-Type: application/x-ndjson\r\nTransfer-Encoding: chunked\r\n\r\n".encode()
        )
        self.file = self.socket.makefile("rb")
        self._told = False

    def send(self, raw: bytes) -> None:
        self.socket.sendall(b"%x\r\n%s\r\n" % (len(raw), raw))

    def hear(self) -> Any:
        """The next line of the answer, each of which is a chunk; None at its end."""
        chunk = self.chunk()
        return json.loads(chunk) if chunk else None

    def rest(self) -> str:
        """All of the answer that has not been heard, to its proper end."""
        return b"".join(iter(self.chunk, b"")).decode()

    def chunk(self) -> bytes:
        """The next chunk of the answer; empty for the one that ends it."""
        if not self._told:
            assert self.file.readline().startswith(b"HTTP/1.1 200")
            while self.file.readline().strip():
                pass
            self._told = True
        chunk = self.file.read(int(self.file.readline(), 16))
        self.file.readline()
        return chunk

    def close(self) -> None:
        self.file.close()
        self.socket.close()


@pytest.fixture
def talk(service_url: str) -> Iterator[Talk]:
    found = Talk(service_url)
    yield found
    found.close()


def test_each_case_is_answered_before_the_next_is_sent(talk: Talk) -> None:
    for number in range(3):
        talk.send(line(number))
        answer = talk.hear()
        assert (answer["index"], answer["case_id"]) == (number, f"job-{number}")
    talk.send(b"")
    assert talk.hear()["summary"]["complete"] is True
    assert talk.hear() is None


def test_a_body_that_breaks_off_is_not_complete(talk: Talk) -> None:
    talk.send(line(0) + line(1)[:-20])
    talk.socket.shutdown(socket.SHUT_WR)
    assert talk.hear()["case_id"] == "job-0"
    summary = talk.hear()["summary"]
    assert summary["complete"] is False
    assert summary["cases"] == 1
    assert summary["problem"]["type"] == "/problems/bad-request"


def test_a_client_that_sends_all_before_it_reads_is_not_waited_for(service_url: str) -> None:
    """Neither the body nor the answer, megabytes each, finds room in the buffers on the way."""
    count, sent, heard = 300, 0, 0
    with closing(Talk(service_url, BATCH, buffers=4096)) as greedy:
        for number in range(count):
            body = line(number).rstrip() + b" " * 20_000 + b"\n"
            greedy.send(body)
            sent += len(body)
        greedy.send(b"")
        for number in range(count):
            answer = greedy.hear()
            assert answer["case_id"] == f"job-{number}"
            heard += len(json.dumps(answer))
        assert greedy.hear()["summary"]["statuses"] == {"check-next": count}
    assert min(sent, heard) > 4_000_000


def test_a_client_that_leaves_harms_nobody(service_url: str) -> None:
    for _ in range(20):
        gone = Talk(service_url)
        gone.send(line(0) * 50)
        gone.hear()
        gone.close()
    answer = requests.post(f"{service_url}{BRIEF}", data=line(7), headers=LINES, timeout=30)
    assert json.loads(answer.content.splitlines()[0])["case_id"] == "job-7"


def test_lines_that_go_on_coming_are_waited_for_and_silence_is_not(
    start_service: Callable[..., tuple[str, Any]],
) -> None:
    url, process = start_service(OHMPATH_READ_SECONDS="1")
    patient = Talk(url)
    for number in range(6):
        patient.send(line(number))
        assert patient.hear()["case_id"] == f"job-{number}"
        time.sleep(0.4)
    # Nothing more is sent: the connection is not held for ever.
    summary = patient.hear()["summary"]
    assert summary["complete"] is False
    assert summary["cases"] == 6
    patient.close()
    process.terminate()
    assert process.wait(20) == 0


@pytest.mark.long
@pytest.mark.parametrize("ending", ["stalled", "broken off", "no chunk"])
def test_no_form_calls_a_body_without_its_end_complete(
    start_service: Callable[..., tuple[str, Any]], ending: str
) -> None:
    url, process = start_service(OHMPATH_READ_SECONDS="1")
    endings = {}
    for accept in ("application/json", "application/x-ndjson", "text/csv"):
        with closing(Talk(url, accept=accept)) as talk:
            talk.send(line(0) + line(1) + line(2)[:-20])
            if ending == "broken off":
                talk.socket.shutdown(socket.SHUT_WR)
            elif ending == "no chunk":
                talk.socket.sendall(b"zz\r\n")
            endings[accept] = talk.rest()
    process.terminate()
    assert process.wait(20) == 0
    whole = json.loads(endings["application/json"])
    summaries = [
        whole["summary"],
        json.loads(endings["application/x-ndjson"].splitlines()[-1])["summary"],
    ]
    for summary in summaries:
        assert (summary["complete"], summary["cases"]) == (False, 2)
    *rows, last = csv.DictReader(endings["text/csv"].splitlines())
    assert [row["case_id"] for row in rows] == ["job-0", "job-1"]
    assert (last["status"], last["problem"]) == ("incomplete", "bad-request")
    assert last["detail"].startswith("2 cases, 2 assessed. The body breaks off")
