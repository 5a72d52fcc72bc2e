"""The gunicorn worker: threads, and problem documents for what never reaches the app."""

from __future__ import annotations

import faulthandler
import os
import re
import select
import selectors
import signal
import socket
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from http import HTTPStatus
from operator import itemgetter
from typing import Any

from gunicorn.http.body import ChunkedReader
from gunicorn.http.errors import (
    InvalidResponseHeader,
    InvalidResponseHeaderName,
    LimitRequestHeaders,
    LimitRequestLine,
    ParseException,
    UnsupportedTransferCoding,
)
from gunicorn.util import write_nonblock
from gunicorn.workers.gthread import ThreadWorker

from service import at_work
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
from service.running.arrival import has_come, let_read, nothing_has_come, take_no_more
from service.running.patience import Client, Patience
from service.running.remainder import Leaving, Untaken, is_here, unsent
from service.running.successor import successor
from service.settings import Settings

_NOTICE = 0.5  # s between what a worker does beside its requests


class ProblemWorker(ThreadWorker):
    """A threaded worker that answers what is not HTTP as the app answers what is.

    It does not wait for ever on a client that does not finish its request, nor on a case that
    does not come to an end.
    """

    alive: bool

    def __init__(self, *args: Any, **options: Any) -> None:
        """Made in the master, right before the fork: with the rule sets that it has then."""
        super().__init__(*args, **options)
        self._successor = successor(self.app.wsgi()) if self.cfg.preload_app else None
        self._ending = self._door_closed = False
        self._busy = 0  # threads that have a request, and requests that wait for one
        self._next_notice = 0.0
        self._parting: deque[tuple[Any, Leaving | Untaken]] = deque()

    def init_process(self) -> None:
        """Start the watchdog, which no fork carries over, and then the worker."""
        settings = Settings.from_environment()
        self._read_seconds = settings.read_seconds
        self._patience = Patience(settings.read_seconds, self.cfg.threads, self._others_wait)
        self._case_seconds = settings.case_seconds
        super().init_process()

    def notify(self) -> None:
        """Tell the master that this worker lives, about once a second, and hear its news.

        Is called far more often than that under load.
        """
        now = time.monotonic()
        if now < self._next_notice:
            return
        self._next_notice = now + _NOTICE
        super().notify()
        metrics.count_caches()
        if self._successor is not None and self._successor.due():
            self._successor.take_over(otherwise=self._leave)
        if self.alive and self._is_stuck():
            self.log.critical("a case takes more than %d s; this worker ends", self._case_seconds)
            faulthandler.dump_traceback()  # where the threads are: functions, and nothing sent
            self.alive = False  # what else is under way has its time to come to an end

    def run(self) -> None:
        """Serve until told to end."""
        super().run()
        metrics.count_caches()
        if self._is_stuck():
            # The end of a process waits for its threads.
            os._exit(os.EX_SOFTWARE)

    def _is_stuck(self) -> bool:
        return at_work.longest() > self._case_seconds

    def init_signals(self) -> None:
        """Leave SIGHUP to the master, even if somebody sends it to all processes."""
        super().init_signals()
        signal.signal(signal.SIGHUP, signal.SIG_IGN)

    def _leave(self) -> None:
        """End, once the requests under way are answered: the master starts another worker."""
        self.log.exception("a worker could not take over new rule sets")
        self.alive = False

    def handle_exit(self, sig: int, frame: Any) -> None:
        """Come to an end, as the master says."""
        self._ending = True
        super().handle_exit(sig, frame)

    def set_accept_enabled(self, enabled: bool) -> None:
        """Begin or stop to accept; before the end all that has come to the door is let in.

        What is left waiting would be reset. A worker that ends alone leaves it to the others, and
        so does one whose threads all have something to do.
        """
        if self._ending and not enabled and not self._door_closed:
            self._door_closed = True
            for listener in self.sockets:
                before = -1
                while before < self.nr_conns:
                    before = self.nr_conns
                    self.accept(listener)
        super().set_accept_enabled(enabled and self._busy < self.cfg.threads)

    def _others_wait(self) -> bool:
        """Whether a request waits for a thread, or a connection to be accepted."""
        if self._busy > self.cfg.threads:
            return True
        door = select.poll()
        with suppress(OSError, ValueError):  # closed meanwhile
            for listener in self.sockets:
                door.register(listener, select.POLLIN)
            return any(event & select.POLLIN for _, event in door.poll(0))
        return False

    def enqueue_req(self, conn: Any) -> None:
        """Give a request to a thread, once it is there."""
        if not self.cfg.is_ssl and not isinstance(conn.sock, Client):
            conn.sock = Client(conn.sock.detach())
            conn.sock.setblocking(False)
        if self._waits_until_taken(conn):
            return
        read_ahead = conn.parser is not None and conn.parser.unreader.buf.getvalue()
        if read_ahead or self.cfg.is_ssl or has_come(conn.sock):
            conn.data_ready = True
            self._busy += 1
            super().enqueue_req(conn)
            if self._busy >= self.cfg.threads:
                super().set_accept_enabled(False)  # until `run` looks again and a thread is free
            return
        conn.timeout = time.monotonic() + self._read_seconds
        self.pending_conns.append(conn)
        arrived = partial(self.on_pending_socket_readable, conn)
        self.poller.register(conn.sock, selectors.EVENT_READ, arrived)

    def finish_request(self, conn: Any, fs: Any) -> None:
        """A thread has done with a request."""
        self._busy -= 1
        failed = fs.cancelled() or fs.exception() is not None
        if failed or fs.result() or self.cfg.is_ssl:
            super().finish_request(conn, fs)
        else:
            self._let_go(conn)

    def _let_go(self, conn: Any) -> None:
        """Close a connection, once its client has had the time to read the answer.

        Gunicorn would wait for that here, and all other connections with it.
        """
        try:
            leaving = Leaving(conn.sock)
            if not leaving.has_left():
                self.poller.register(conn.sock, selectors.EVENT_READ, self._throw_away(leaving))
                self._parting.append((conn, leaving))
                return
        except (OSError, ValueError, KeyError):
            self.log.debug("the client has left")
        self._closed(conn)

    def _waits_until_taken(self, conn: Any) -> bool:
        """Whether the client has to take an answer before it is given the next.

        Else the answers to many requests that come at once would fill the system's buffer, and
        then hold a thread.
        """
        with suppress(OSError, ValueError, KeyError):  # no TCP, or gone
            if conn.parser is not None and not self.cfg.is_ssl and unsent(conn.sock):
                untaken = Untaken(conn.sock, self._read_seconds)
                conn.sock.setblocking(False)
                self.poller.register(conn.sock, selectors.EVENT_WRITE, self._go_on(conn, untaken))
                self._parting.append((conn, untaken))
                return True
        return False

    def _go_on(self, conn: Any, untaken: Untaken) -> Callable[[Any], None]:
        def has_been_taken(_: Any) -> None:
            self.poller.unregister(conn.sock)
            self._parting.remove((conn, untaken))
            untaken.taken()
            self.enqueue_req(conn)

        return has_been_taken

    def _throw_away(self, leaving: Leaving) -> Callable[[Any], None]:
        def more_has_come(_: Any) -> None:
            if leaving.has_left():
                leaving.until = 0.0  # `murder_pending` comes next

        return more_has_come

    def _closed(self, conn: Any) -> None:
        self.nr_conns -= 1
        conn.close()

    def on_pending_socket_readable(self, conn: Any, client: Any) -> None:
        """More of a request has come."""
        if has_come(client):
            let_read(client)
            super().on_pending_socket_readable(conn, client)

    def murder_pending(self) -> None:
        """Close the connections on which no request has come in time, or have it refused.

        And those whose clients have had their time to take an answer, or to leave.
        """
        now = time.monotonic()
        for conn, parting in [one for one in self._parting if one[1].has_ended(now)]:
            self._parting.remove((conn, parting))
            with suppress(OSError, KeyError, ValueError):
                self.poller.unregister(conn.sock)
            self._closed(conn)
        for conn in [one for one in self.pending_conns if one.timeout <= now]:
            if take_no_more(conn.sock):
                self.on_pending_socket_readable(conn, conn.sock)
                continue
            self.pending_conns.remove(conn)
            self.poller.unregister(conn.sock)
            self._closed(conn)
        self._keep_a_place_free()

    def _keep_a_place_free(self) -> None:
        """Close what has been idle for longest, where no further connection could be taken."""
        while self.alive and self.nr_conns >= self.worker_connections:
            idle = [  # each of the two has its oldest first
                (queue[0].timeout - allowed, queue)
                for queue, allowed in (
                    (self.pending_conns, self._read_seconds),
                    (self.keepalived_conns, self.cfg.keepalive),
                )
                if queue
            ]
            if not idle:
                return
            conn = min(idle, key=itemgetter(0))[1].popleft()
            self.poller.unregister(conn.sock)
            self._closed(conn)

    def _cap_keepalive(self, deadline: float) -> None:
        """As this worker ends, wait no longer for whoever has sent nothing yet."""
        super()._cap_keepalive(deadline)
        for conn in self.pending_conns:
            if nothing_has_come(conn.sock):
                conn.timeout = min(conn.timeout, deadline)

    def handle(self, conn: Any) -> Any:
        """Read and answer one request, within the time that the client has to send it."""
        client = conn.sock
        if not isinstance(client, Client):  # TLS, which has sockets of its own
            return super().handle(conn)
        self._patience.begin(client)
        try:
            return super().handle(conn)
        finally:
            self._patience.over(client)

    def handle_request(self, req: Any, conn: Any) -> Any:
        """Answer a request, whose chunks are handed on as they come.

        Where the answer comes before the body, the connection ends with it.
        """
        for name, value in req.headers:
            # Gunicorn takes other codings too, and hands on what they have made of the body.
            if name == "TRANSFER-ENCODING" and value.strip().lower() != "chunked":
                raise UnsupportedTransferCoding(value)
        if isinstance(req.body.reader, ChunkedReader):
            req.body.reader = PromptReader(req.body.reader)
        asked_to_close = req.should_close

        def should_close() -> bool:
            if not asked_to_close() and is_here(req, conn.sock):
                return False
            req.must_close = True
            return True

        req.should_close = should_close
        return super().handle_request(req, conn)

    def _keepalive_after(self, conn: Any, keepalive: Any) -> bool:
        """Whether the connection goes on: without waiting for what is left of the body."""
        if not keepalive or not is_here(conn.parser.mesg, conn.sock):
            return False
        return bool(super()._keepalive_after(conn, keepalive))

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
        self.inner = reader
        self._held = b""

    def read(self, size: int) -> bytes:
        """At least one byte and at most so many; none at the end of the body."""
        while not self._held and self.inner.parser is not None:
            try:
                self._held = next(self.inner.parser)
            except StopIteration:
                self.inner.parser = None
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
