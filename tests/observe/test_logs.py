"""Logs: every line is one line, says what it should, and harms nobody."""

from __future__ import annotations

import io
import json
import logging
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from service.observe.logs import JsonLine, StandardError, TextLine, fields, rfc3339
from service.observe.trace import child_of, current

ROOT = Path(__file__).resolve().parents[2]


def record(message: str, *args: Any, **named: Any) -> logging.LogRecord:
    extra = fields(**named)
    return logging.getLogger("some").makeRecord("some", 20, "", 0, message, args, None, extra=extra)


def failed(message: str) -> logging.LogRecord:
    try:
        raise ValueError(message)
    except ValueError:
        return logging.makeLogRecord(
            {"name": "some", "levelname": "ERROR", "msg": "failed", "exc_info": sys.exc_info()}
        )


@pytest.fixture
def trace() -> Iterator[Any]:
    """A request that is being worked on."""
    trace = child_of(None)
    current.set(trace)
    yield trace
    current.set(None)


def test_time_is_rfc_3339_in_utc() -> None:
    assert rfc3339(0) == "1970-01-01T00:00:00.000Z"
    assert rfc3339(1_764_134_504.9996) == "2025-11-26T05:21:44.999Z"


def test_line_names_the_request(trace: Any) -> None:
    line = json.loads(JsonLine().format(record("%s is done", "it", status=200, problem=None)))
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", line.pop("time"))
    assert line == {
        "level": "INFO",
        "logger": "some",
        "message": "it is done",
        "request_id": trace.request_id,
        "trace_id": trace.trace_id,
        "span_id": trace.span_id,
        "status": 200,
    }
    assert TextLine().format(record("done")).endswith(f"INFO some: done [{trace.request_id}]")


@given(st.text() | st.text("\n\r\x1b\x00\x7f\x85\u2028\x9b\ud800ab"))
@example("\x7f")
def test_nothing_breaks_out_of_a_line(text: str) -> None:
    for one in (record(text), record("%s", text), failed(text)):
        line = JsonLine().format(one)
        assert line.isascii()
        assert line.isprintable()
        assert isinstance(json.loads(line), dict)
    assert json.loads(JsonLine().format(record("%s", text)))["message"] == text
    assert len(TextLine().format(record("%s", text)).splitlines()) == 1
    first, *more = TextLine().format(failed(text)).splitlines()
    assert first.endswith("failed")
    assert more
    # What stands at the margin begins a record, so nothing else does.
    assert all(line.startswith("    ") for line in more)
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f]", TextLine().format(failed(text)))


def test_what_json_has_no_form_for_is_shown() -> None:
    assert json.loads(JsonLine().format(record("x", odd={1: Path("a")})))["odd"]


class _Broken(io.StringIO):
    def __init__(self, file: int) -> None:
        super().__init__()
        self._file = file

    def fileno(self) -> int:
        return self._file


def test_full_disk_is_borne(monkeypatch: pytest.MonkeyPatch) -> None:
    with open("/dev/full", "w") as full:
        monkeypatch.setattr(sys, "stderr", _Broken(full.fileno()))
        handler = StandardError("json")
    handler.handle(record("lost"))
    handler.close()


def test_closed_standard_error_is_borne(monkeypatch: pytest.MonkeyPatch) -> None:
    for closed in (None, io.StringIO(), _Broken(987)):
        monkeypatch.setattr(sys, "stderr", closed)
        handler = StandardError("json")
        handler.handle(record("lost"))
        handler.close()


SCRIPT = """
import logging, os, socket, sys
from service.observe import logs
logs.configure(None)
with socket.socket() as first:
    assert first.fileno() > 2, first.fileno()
logging.getLogger("a").warning("said")
"""


@pytest.mark.parametrize("redirect", ["2>&-", "2>/dev/full", "0<&- 1>&- 2>&-"])
def test_process_goes_on_without_standard_error(redirect: str) -> None:
    command = f"\"{sys.executable}\" -c '{SCRIPT}' {redirect}"
    done = subprocess.run(["sh", "-c", command], cwd=ROOT, env={**os.environ}, check=False)
    assert done.returncode == 0


def test_terminal_gets_text_and_a_file_gets_json(tmp_path: Path) -> None:
    script = (
        "from service.observe import logs; logs.configure(None); import logging as l; l.info('a')"
    )
    with (tmp_path / "log").open("wb") as file:
        subprocess.run([sys.executable, "-c", script], cwd=ROOT, stderr=file, check=True)
    assert json.loads((tmp_path / "log").read_text())["message"] == "a"
    master, slave = os.openpty()
    subprocess.run([sys.executable, "-c", script], cwd=ROOT, stderr=slave, check=True)
    os.close(slave)
    assert b"INFO root: a" in os.read(master, 1000)
    os.close(master)
