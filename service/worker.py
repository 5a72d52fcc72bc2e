"""The gunicorn worker: threads, and problem documents for what never reaches the app."""

from __future__ import annotations

import faulthandler
import os
import re
import socket
from http import HTTPStatus
from typing import Any

from gunicorn.http.body import ChunkedReader
from gunicorn.http.errors import (
    InvalidResponseHeader,
    InvalidResponseHeaderName,
    LimitRequestHeaders,
    LimitRequestLine,
    ParseException,
)
from gunicorn.util import write_nonblock
from gunicorn.workers.gthread import ThreadWorker

from service import at_work
from service.deadline import ReadDeadline, install
from service.documents import dump_json
from service.guard.headers import FIELDS
from service.observe import metrics
from service.problems import (
    ADDRESS_TOO_LONG,
    BAD_REQUEST,
    HEADERS_TOO_LARGE,
    INTERNAL_ERROR,
    MEDIA_TYPE,
    Problem,
)
from service.settings import Settings


class ProblemWorker(ThreadWorker):
    """A threaded worker that answers what is not HTTP as the app answers what is.

    It does not wait for ever on a client that does not finish its request, nor on a case that
    does not come to an end.
    """

    alive: bool

    def init_process(self) -> None:
        """Start the watchdog, which no fork carries over, and then the worker."""
        settings = Settings.from_environment()
        self._deadline = ReadDeadline(settings.read_seconds)
        install(self._deadline)
        self._case_seconds = settings.case_seconds
        super().init_process()

    def notify(self) -> None:
        """Tell the master process that this one lives; about once a second."""
        super().notify()
        if self.alive and self._is_stuck():
            self.log.critical("a case takes more than %d s; this worker ends", self._case_seconds)
            faulthandler.dump_traceback()  # where the threads are: functions, and nothing sent
            self.alive = False  # what else is under way has its time to come to an end

    def run(self) -> None:
        """Serve until told to end."""
        super().run()
        if self._is_stuck():
            # The end of a process waits for its threads.
            os._exit(os.EX_SOFTWARE)

    def _is_stuck(self) -> bool:
        return at_work.longest() > self._case_seconds

    def handle(self, conn: Any) -> Any:
        """Read and answer one request, within the time that the client has to send it."""
        with self._deadline.over(conn.sock):
            return super().handle(conn)

    def handle_request(self, req: Any, conn: Any) -> Any:
        """Answer a request, whose chunks are handed on as they come."""
        if isinstance(req.body.reader, ChunkedReader):
            req.body.reader = PromptReader(req.body.reader)
        return super().handle_request(req, conn)

    def handle_error(self, req: Any, client: socket.socket, addr: Any, exc: Exception) -> None:
        """Answer an error that arose outside of the app; gunicorn closes the connection after."""
        problem = problem_of(exc)
        if problem.kind is INTERNAL_ERROR:
            self.log.exception("a request failed outside of the app")
        else:
            # Not the detail: it shows what was sent, which may be anything.
            self.log.info("refused: %s (%s)", problem.kind.name, type(exc).__name__)
        metrics.refused(problem.kind.name, problem.kind.status)
        try:
            write_nonblock(client, raw_response(problem))
        except OSError:
            self.log.debug("the client has left")


class PromptReader:
    """Reads chunks as they come; gunicorn's reader waits until it has all that it is asked for.

    A client may wait for the answer to one line of a batch before it sends the next.
    """

    def __init__(self, reader: ChunkedReader) -> None:
        self._reader = reader
        self._held = b""

    def read(self, size: int) -> bytes:
        """At least one byte and at most so many; none at the end of the body."""
        while not self._held and self._reader.parser is not None:
            try:
                self._held = next(self._reader.parser)
            except StopIteration:
                self._reader.parser = None
        data, self._held = self._held[:size], self._held[size:]
        return data


def problem_of(error: Exception) -> Problem:
    """The problem of an error that gunicorn has raised."""
    ours = isinstance(error, InvalidResponseHeader | InvalidResponseHeaderName)
    if ours or not isinstance(error, ParseException):
        return Problem(INTERNAL_ERROR, "The service failed on this request.")
    # Not the error's own words: they repeat what was sent, and that may have been a token.
    words = re.sub("(?<=[a-z])(?=[A-Z])", " ", type(error).__name__).lower()
    detail = f"Not acceptable as HTTP: {words}."
    if isinstance(error, LimitRequestLine):
        return Problem(ADDRESS_TOO_LONG, detail)
    if isinstance(error, LimitRequestHeaders):
        return Problem(HEADERS_TOO_LARGE, detail)
    return Problem(BAD_REQUEST, detail)


def raw_response(problem: Problem) -> bytes:
    """A whole HTTP response; its `instance` is empty, since the request has not been read."""
    body = dump_json(problem.document(instance=""))
    status = HTTPStatus(problem.kind.status)
    lines = [
        f"HTTP/1.1 {status.value} {status.phrase}",
        "Connection: close",
        f"Content-Type: {MEDIA_TYPE}",
        f"Content-Length: {len(body)}",
        *(f"{name}: {value}" for name, value in FIELDS),
        "",
        "",
    ]
    return "\r\n".join(lines).encode("ascii") + body
