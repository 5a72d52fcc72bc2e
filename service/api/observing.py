"""Every request as logs, metrics and traces see it: the edge's side of `service.observe`."""

from __future__ import annotations

import logging
import re
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, nullcontext
from functools import cache
from typing import Any

from flask import Flask, Request, Response, current_app, g, request
from flask.ctx import _AppCtxGlobals

from service.api.answers import Answered, counted, kept, worked_out
from service.api.cases import assess_documents, load_case
from service.api.installed import installed, itself
from service.batch.run import AssessAll, Found
from service.diagnosis.assessment import reasoner
from service.inference.rules import EngineError
from service.observe import metrics, spans
from service.observe.decision_log import DecisionLog
from service.observe.logs import Told
from service.observe.trace import child_of, current, named, parent_of
from service.problems import Problem
from service.ruleset.catalogue import Catalogue
from service.settings import Settings, SettingsError

access = logging.getLogger("ohmpath.access")
log = logging.getLogger(__name__)

_decision_log_key = "ohmpath-decision-log"
_REQUEST_ID = "X-Request-Id"


def observe(app: Flask, settings: Settings) -> None:
    """Have an app watched. To be called before anything else that may answer a request.

    Raises:
        SettingsError: if the decision log cannot be opened.
    """
    app.extensions[_decision_log_key] = _decision_log(settings)

    def begin() -> None:
        g.seen = Seen(itself(request), log_address=settings.log_addresses)

    def end(response: Response) -> Response:
        said = itself(g)
        seen: Seen | None = said.get("seen")
        return response if seen is None else seen.answered(response, said)

    app.before_request(begin)
    app.after_request(end)


def _decision_log(settings: Settings) -> DecisionLog | None:
    if settings.decision_log is None:
        return None
    try:
        return DecisionLog(settings.decision_log, batches=settings.decision_log_batches)
    except OSError as error:
        raise SettingsError(f"OHMPATH_DECISION_LOG cannot be opened: {error}") from None


class Seen:
    """One request, from its coming to the last byte of its answer.

    Views say more of it in `flask.g`: `problem` (the type of the problem that it got), `rule_set`
    (an id). The guard says in the environment whose key it has come with.
    """

    def __init__(self, asked: Request, *, log_address: bool) -> None:
        """A request that has just come."""
        self._since = time.perf_counter()
        self._asked = asked
        self._method = metrics.known_method(asked.method)
        self._address = asked.remote_addr if log_address else None
        sent = asked.environ.get
        parent = parent_of(sent("HTTP_TRACEPARENT"), sent("HTTP_TRACESTATE"))
        self._span = spans.begin(parent, self._method, asked.path, asked.scheme)
        request_id = sent("HTTP_X_REQUEST_ID")
        if self._span is None:
            self._trace = child_of(parent, request_id)
        else:
            self._trace = named(self._span.trace_id, self._span.span_id, request_id)
        current.set(self._trace)

    def stage(self, name: str) -> AbstractContextManager[None]:
        """A span for a part of the work, if spans are made."""
        return nullcontext() if self._span is None else self._span.stage(name)

    def answered(self, response: Response, said: _AppCtxGlobals) -> Response:
        """Have the answer seen on its way out, to its end."""
        response.headers[_REQUEST_ID] = self._trace.request_id
        rule = self._asked.url_rule
        self._route = None if rule is None else path_of(rule.rule)
        self._status = response.status_code
        self._problem: str | None = said.get("problem")
        self._rule_set: str | None = said.get("rule_set")
        self._client: str | None = self._asked.environ.get("REMOTE_USER")
        self._bytes = 0
        self._whole: bool | None = None  # of what is sent as it is made
        if response.is_streamed:
            self._whole = False
            response.response = self._passing(response.response)
        elif self._method != "HEAD" and self._status != 304:
            self._bytes = sum(map(len, response.response))
        response.call_on_close(self._ended)
        return response

    def _passing(self, body: Iterable[Any]) -> Iterator[Any]:
        try:
            for block in body:
                self._bytes += len(block)
                yield block
            self._whole = True
        finally:
            if hasattr(body, "close"):
                body.close()

    def _ended(self) -> None:
        """The answer is out, or the client has left: nothing that goes wrong here is its matter."""
        try:
            self._tell(time.perf_counter() - self._since)
        except Exception:
            log.exception("a request could not be told of")
        finally:
            current.set(None)

    def _tell(self, seconds: float) -> None:
        route = self._route or metrics.UNMATCHED
        metrics.request(route, self._method, self._status, seconds)
        if self._problem is not None:
            metrics.problem(self._problem)
        if self._span is not None:
            self._span.end(self._route, self._status, self._problem)
        milliseconds = round(seconds * 1000, 3)
        if not access.isEnabledFor(logging.INFO):
            return
        said = {
            "method": self._method,
            "route": route,
            "status": self._status,
            "duration_ms": milliseconds,
            "bytes": self._bytes,
        }
        if self._whole is False:
            said["cut_off"] = True
        for name, value in (
            ("problem", self._problem),
            ("rule_set", self._rule_set),
            ("client", self._client),
            ("address", self._address),
        ):
            if value is not None:
                said[name] = value
        message = f"{self._method} {route} {self._status}, {milliseconds:.1f} ms"
        access.handle(Told(access.name, message, said))


@cache
def path_of(rule: str) -> str:
    """A path as OpenAPI writes it, from a rule of the web framework."""
    return re.sub(r"<(?:[^<>:]+:)?([^<>:]+)>", r"{\1}", rule)


def stage(name: str) -> AbstractContextManager[None]:
    """A span for a part of the work on this request, if spans are made."""
    seen: Seen = g.seen
    return seen.stage(name)


def decided(found: Answered, raw: bytes) -> None:
    """An assessment is about to be given: count it, and write it down if that is asked for.

    raw: the body that it answers.
    """
    itself(g).rule_set = found.rule_set
    metrics.assessment(found.rule_set, found.status, found.fault)
    decision_log: DecisionLog | None = itself(current_app).extensions[_decision_log_key]
    if decision_log is not None:
        decision_log.write(*worked_out(installed(), raw))


def batch_assessor(catalogue: Catalogue, *, brief: bool) -> AssessAll:
    """As `cases.assess_documents`, with what `decided` does. It outlives the request's context."""
    decision_log: DecisionLog | None = current_app.extensions[_decision_log_key]
    if decision_log is not None and not decision_log.batches:
        decision_log = None
    in_brief = brief and decision_log is None

    def assess(documents: Sequence[Any]) -> Sequence[Found]:
        try:
            answers = assess_documents(catalogue, documents, brief=in_brief)
        except Exception as error:
            if len(documents) == 1:  # or each is tried alone
                failed(error)
            raise
        for document, answer in zip(documents, answers, strict=True):
            if not isinstance(answer, Problem):
                metrics.assessment(*counted(answer))
                if decision_log is not None:
                    decision_log.write(load_case(document), answer)
        return answers

    return assess


def watch_caches(catalogue: Catalogue) -> None:
    """Have counted what is kept for these rule sets, in place of those before."""
    reasoners = [reasoner(catalogue, name) for name in catalogue.ids()]
    _watch("answers", [one.answers for one in reasoners])
    _watch("decisions", [one.decisions for one in reasoners])
    _watch("requests", [kept(catalogue)])


def _watch(name: str, caches: Sequence[Any]) -> None:
    def info() -> tuple[int, int, int]:
        found = [one.cache_info() for one in caches]
        return (
            sum(one.hits for one in found),
            sum(one.misses for one in found),
            sum(one.currsize for one in found),
        )

    metrics.cache(name, info)


def failed(error: Exception) -> None:
    """Something has failed: count it if it was the rule engine."""
    if isinstance(error, EngineError):
        metrics.engine_failed()
