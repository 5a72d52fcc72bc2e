"""Logs: a line for each thing that happened, as JSON for machines or as text for people.

A line is written by one call, so that no other process breaks into it. What cannot be written is
lost: nothing that is served waits for, or fails by, its log.
"""

from __future__ import annotations

import json
import logging
import os
import re
import sys
import time
from collections.abc import Mapping
from contextlib import suppress
from functools import lru_cache
from typing import Any, Literal

import orjson

from service.observe.trace import current

Form = Literal["json", "text"]
FORMS: tuple[Form, ...] = ("json", "text")

# What could end a line, or command a terminal: control characters and Unicode's own line ends.
_UNPRINTABLE = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029]")


class JsonLine(logging.Formatter):
    """One JSON object, in ASCII. `extra={"fields": {...}}` of a record adds names to it."""

    def format(self, record: logging.LogRecord) -> str:
        """The line of a record, without its end."""
        line = {
            "time": rfc3339(record.created),
            "level": record.levelname,
            "logger": record.name,
            "message": record.getMessage(),
        }
        trace = current.get()
        if trace is not None:
            line["request_id"] = trace.request_id
            line["trace_id"] = trace.trace_id
            line["span_id"] = trace.span_id
        line.update(getattr(record, "fields", ()))
        if record.exc_info:
            line["exception"] = self.formatException(record.exc_info)
        return _encoded(line)


class TextLine(logging.Formatter):
    """A line to read, with whatever could break out of it escaped; a traceback is indented."""

    def format(self, record: logging.LogRecord) -> str:
        """The line of a record, and those of its traceback, without the last end."""
        trace = current.get()
        named = "" if trace is None else f" [{trace.request_id}]"
        said = f"{record.levelname} {record.name}: {record.getMessage()}{named}"
        lines = [f"{rfc3339(record.created)} {_escaped(said)}"]
        if record.exc_info:
            lines += map(_escaped, self.formatException(record.exc_info).split("\n"))
        return "\n    ".join(lines)


class StandardError(logging.Handler):
    """Writes each line to standard error as it was when the log was set up."""

    def __init__(self, form: Form) -> None:
        super().__init__()
        self.setFormatter(formatter(form))
        self._file: int | None = None
        with suppress(AttributeError, OSError, ValueError):  # closed, or nothing of the system's
            # A copy: the number may be closed, and then be that of a client's connection.
            self._file = os.dup(sys.stderr.fileno())

    def handle(self, record: logging.LogRecord) -> bool:
        """Write without a lock: the system has one write wait for another as it is."""
        self.emit(record)
        return True

    def emit(self, record: logging.LogRecord) -> None:
        """Write one line, or let it be."""
        if self._file is None:
            return
        try:
            line = self.format(record)
            os.write(self._file, line.encode("utf-8", "backslashreplace") + b"\n")
        except OSError:
            pass
        except Exception:
            self.handleError(record)

    def close(self) -> None:
        """Give the copy back."""
        if self._file is not None:
            os.close(self._file)
            self._file = None
        super().close()


class Told(logging.LogRecord):
    """A record of what stands in a line, for those who log often.

    The usual one also looks up what no line of ours has, which takes longer than writing it.
    """

    def __init__(self, logger: str, message: str, fields: Mapping[str, Any]) -> None:
        """A record of this moment, with names beyond its message."""
        self.__dict__.update(_PLAIN, name=logger, msg=message, created=time.time(), fields=fields)


# What any formatter may ask a record for.
_PLAIN = {**logging.makeLogRecord({"levelno": logging.INFO, "levelname": "INFO"}).__dict__}


def configure(form: Form | None) -> None:
    """Send all that is logged to standard error, from INFO up.

    form: None for text on a terminal and JSON elsewhere.
    """
    chosen = form or ("text" if _on_terminal() else "json")
    # Of 0 to 2, one that is free would be a connection's next, and get what libraries print.
    while (number := os.open(os.devnull, os.O_RDWR)) <= 2:
        pass
    os.close(number)
    logging.basicConfig(level=logging.INFO, handlers=[StandardError(chosen)], force=True)
    logging.captureWarnings(True)
    # Who wrote a line, and in which thread and process, is not in it: not to be looked up either.
    logging.logThreads = logging.logProcesses = logging.logMultiprocessing = False
    logging._srcfile = None


def formatter(form: Form) -> logging.Formatter:
    """How a line is written."""
    return JsonLine() if form == "json" else TextLine()


def rfc3339(seconds: float) -> str:
    """A time since the epoch as RFC 3339 has it: UTC, to the millisecond."""
    whole = int(seconds)
    return f"{_to_the_second(whole)}.{int((seconds - whole) * 1000):03d}Z"


@lru_cache(maxsize=4)
def _to_the_second(seconds: int) -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(seconds))


def _on_terminal() -> bool:
    try:
        return sys.stderr.isatty()
    except (AttributeError, ValueError):
        return False


def _escaped(text: str) -> str:
    return _UNPRINTABLE.sub(lambda found: ascii(found[0])[1:-1], text)


def _encoded(line: Mapping[str, Any]) -> str:
    encoded = ""
    with suppress(TypeError):  # half of a surrogate pair
        encoded = orjson.dumps(line, default=str).decode()
    if not encoded.isascii() or not encoded:
        encoded = json.dumps(line, default=str, separators=(",", ":"))
    return encoded.replace("\x7f", "\\u007f")  # the one control character that JSON leaves as it is


def fields(**named: Any) -> dict[str, Any]:
    """What a record says beyond its message, for `extra`; None is left out."""
    return {"fields": {name: value for name, value in named.items() if value is not None}}
