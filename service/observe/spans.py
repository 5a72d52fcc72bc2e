"""Spans for OpenTelemetry, where ohmpath[otel] is installed and OTEL_TRACES_EXPORTER names one.

Exporter, sampler, resource and the rest are those of the standard OTEL_* variables. Without all
that nothing of OpenTelemetry is imported, and there are no spans.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from importlib.metadata import entry_points
from typing import TYPE_CHECKING

from service import __version__
from service.observe.metrics import OTHER_METHOD
from service.observe.trace import Parent

if TYPE_CHECKING:
    from opentelemetry.sdk.trace import TracerProvider
    from opentelemetry.trace import Span, Tracer

log = logging.getLogger(__name__)

_OTLP = {"http/protobuf": "otlp_proto_http", "grpc": "otlp_proto_grpc"}

_tracer: Tracer | None = None


def set_up(environment: Mapping[str, str] = os.environ) -> None:
    """Begin to make spans, if that is asked for, in a process that forks no more.

    An exporter has threads, which no fork carries over. What cannot be set up is logged.
    """
    asked = [one.strip() for one in environment.get("OTEL_TRACES_EXPORTER", "").split(",")]
    names = [one for one in asked if one not in ("", "none")]
    if not names or environment.get("OTEL_SDK_DISABLED", "").strip().lower() == "true":
        return
    try:
        use(_provider(names, environment))
    except ImportError:
        log.error("OTEL_TRACES_EXPORTER is set, but spans need ohmpath[otel]: none are made")
    except Exception:
        log.exception("the exporter of spans cannot be set up: none are made")


def _provider(names: list[str], environment: Mapping[str, str]) -> TracerProvider:
    from opentelemetry.sdk.resources import Resource
    from opentelemetry.sdk.trace import TracerProvider
    from opentelemetry.sdk.trace.export import BatchSpanProcessor

    resource = Resource({"service.version": __version__}).merge(Resource.create())
    if str(resource.attributes["service.name"]).startswith("unknown_service"):
        resource = resource.merge(Resource({"service.name": "ohmpath"}))
    provider = TracerProvider(resource=resource)
    for name in names:
        if name == "otlp":
            general = environment.get("OTEL_EXPORTER_OTLP_PROTOCOL", "http/protobuf")
            protocol = environment.get("OTEL_EXPORTER_OTLP_TRACES_PROTOCOL", general)
            name = _OTLP.get(protocol.strip(), protocol)
        found = entry_points(group="opentelemetry_traces_exporter", name=name)
        if not found:
            raise LookupError(f"no exporter {name} is installed")
        provider.add_span_processor(BatchSpanProcessor(next(iter(found)).load()()))
    return provider


def use(provider: TracerProvider | None) -> None:
    """Make spans by a provider from now on, or none."""
    global _tracer
    _tracer = None if provider is None else provider.get_tracer("ohmpath", __version__)


class ServerSpan:
    """The span of one request, by OpenTelemetry's semantic conventions for HTTP servers."""

    def __init__(self, tracer: Tracer, span: Span, name: str) -> None:
        self._tracer, self._span, self._name = tracer, span, name

    @property
    def trace_id(self) -> str:
        """Of the trace, in hexadecimal."""
        return f"{self._span.get_span_context().trace_id:032x}"

    @property
    def span_id(self) -> str:
        """Of this span, in hexadecimal."""
        return f"{self._span.get_span_context().span_id:016x}"

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """A span below this one, for as long as the block takes."""
        from opentelemetry.trace import set_span_in_context, use_span

        below = self._tracer.start_span(name, set_span_in_context(self._span))
        with use_span(below, end_on_exit=True, record_exception=False):
            yield

    def end(self, route: str | None, status: int, problem: str | None) -> None:
        """The request has been answered. route: its template. problem: the type of the answer's."""
        from opentelemetry.trace import StatusCode

        span = self._span
        if route is not None:
            span.update_name(f"{self._name} {route}")
            span.set_attribute("http.route", route)
        span.set_attribute("http.response.status_code", status)
        if status >= 500:
            span.set_attribute("error.type", problem or str(status))
            span.set_status(StatusCode.ERROR)
        span.end()


def begin(parent: Parent | None, method: str, path: str, scheme: str) -> ServerSpan | None:
    """The span of a request that has just come; None if none are made.

    method: a known one, or OTHER_METHOD. path: without the query, in which anything may stand.
    """
    tracer = _tracer
    if tracer is None:
        return None
    from opentelemetry import trace
    from opentelemetry.context import Context

    context = Context()
    if parent is not None:
        caller = trace.SpanContext(
            int(parent.trace_id, 16),
            int(parent.span_id, 16),
            is_remote=True,
            trace_flags=trace.TraceFlags(parent.flags),
            trace_state=trace.TraceState.from_header([parent.state]),
        )
        context = trace.set_span_in_context(trace.NonRecordingSpan(caller), context)
    name = "HTTP" if method == OTHER_METHOD else method
    span = tracer.start_span(
        name,
        context,
        kind=trace.SpanKind.SERVER,
        attributes={"http.request.method": method, "url.path": path, "url.scheme": scheme},
    )
    return ServerSpan(tracer, span, name)
