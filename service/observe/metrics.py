"""What is counted, for Prometheus. Everybody counts by the functions here.

Under several processes `service.observe.multiprocess.prepare` must have been called before this
is imported. Whatever becomes a label is one of few: a route's template, a known method, an id of
an installed rule set.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import cache as memoised
from threading import Lock
from typing import Any, Literal

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram
from prometheus_client.exposition import choose_encoder
from prometheus_client.metrics_core import GaugeMetricFamily, Metric
from prometheus_client.multiprocess import MultiProcessCollector
from prometheus_client.registry import Collector
from prometheus_client.values import ValueClass

from service.observe import number_files
from service.observe.multiprocess import lacking

number_files.use()

UNMATCHED = "unmatched"
"""The route of a request that has none."""
OTHER_METHOD = "_OTHER"
METHODS = frozenset(
    ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "CONNECT", "TRACE")
)

# Seconds. A single case is a matter of a millisecond, a drawing of a second, a batch of minutes.
_BUCKETS = (0.0005, 0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 60)

_own = CollectorRegistry()
_requests = Counter(
    "ohmpath_requests",
    "Requests answered.",
    ("route", "method", "status"),
    registry=_own,
)
_durations = Histogram(
    "ohmpath_request_duration_seconds",
    "From the request to the last byte of its answer.",
    ("route",),
    buckets=_BUCKETS,
    registry=_own,
)
_problems = Counter("ohmpath_problems", "Problem answers, by type.", ("type",), registry=_own)
_assessments = Counter(
    "ohmpath_assessments",
    "Assessments given, singly and in batches; fault: of the verdict.",
    ("rule_set", "status", "fault"),
    registry=_own,
)
_batch_cases = Counter(
    "ohmpath_batch_cases",
    "Cases of batches: assessed, or the type of their problem.",
    ("result",),
    registry=_own,
)
_engine_failures = Counter(
    "ohmpath_engine_failures",
    "Times that the rule engine failed, and with it an answer or the proof of being ready.",
    registry=_own,
)
_decision_log_failures = Counter(
    "ohmpath_decision_log_failures",
    "Decisions that could not be written to the decision log.",
    registry=_own,
)
_reloads = Counter(
    "ohmpath_rule_set_reloads", "Reloads of the rule sets.", ("result",), registry=_own
)
_last_reload = Gauge(
    "ohmpath_rule_set_last_reload_timestamp_seconds",
    "When rule sets were last taken over while running; 0: never.",
    registry=_own,
    multiprocess_mode="max",
)
_cache_hits = Counter("ohmpath_cache_hits", "Answered from a cache.", ("cache",), registry=_own)
_cache_misses = Counter("ohmpath_cache_misses", "Not in the cache.", ("cache",), registry=_own)
_cache_entries = Gauge(
    "ohmpath_cache_entries",
    "Entries of a cache, over all processes.",
    ("cache",),
    registry=_own,
    multiprocess_mode="livesum",
)

# Of each label set the child is looked up once: the library's look-up takes as long as counting.
_request = memoised(_requests.labels)
_duration = memoised(_durations.labels)
_problem = memoised(_problems.labels)
_assessment = memoised(_assessments.labels)
_batch_case = memoised(_batch_cases.labels)


def request(route: str, method: str, status: int, seconds: float) -> None:
    """Count a request that was answered."""
    _request(route, known_method(method), status).inc()
    _duration(route).observe(seconds)


def refused(kind: str, status: int) -> None:
    """Count what was answered without being a request: it is not HTTP, or beyond its limits."""
    _request(UNMATCHED, OTHER_METHOD, status).inc()
    _problem(kind).inc()


def known_method(method: str) -> str:
    """The method, or one word for all that HTTP does not know."""
    return method if method in METHODS else OTHER_METHOD


def problem(kind: str) -> None:
    """Count a problem answer by the name of its type."""
    _problem(kind).inc()


def assessment(rule_set: str, status: str, fault: str | None) -> None:
    """Count an assessment by the fault of its verdict, if there is one."""
    _assessment(rule_set, status, fault or "none").inc()


def batch_case(result: Mapping[str, Any]) -> None:
    """Count a case of a batch by what became of it."""
    problem = result.get("problem")
    _batch_case("assessed" if problem is None else problem["type"].rpartition("/")[2]).inc()


def engine_failed() -> None:
    """Count a failure of the rule engine that cost an answer."""
    _engine_failures.inc()


def decision_lost() -> None:
    """Count a decision that could not be written down."""
    _decision_log_failures.inc()


def reloaded(result: Literal["installed", "unchanged", "refused"]) -> None:
    """Count a reload of the rule sets.

    result: `refused` if the new ones cannot be used and the old ones stay.
    """
    _reloads.labels(result).inc()
    if result == "installed":
        _last_reload.set(time.time())


# -- caches: each process has its own, and only what it counts itself can be told for all ----------

Info = Callable[[], tuple[int, int, int]]
"""Hits, misses, entries."""


class _Cache:
    """A cache of this process, and how much of what it has done is counted."""

    def __init__(self, name: str, info: Info) -> None:
        self._info = info
        self.start()
        self._hits, self._misses = _cache_hits.labels(name), _cache_misses.labels(name)
        self._entries = _cache_entries.labels(name)

    def start(self) -> None:
        """Count from now on; how many entries there are is told in any case."""
        self._seen = (*self._info()[:2], -1)

    def count(self) -> None:
        now = self._info()
        if now == self._seen:
            return
        for counter, before, after in (
            (self._hits, self._seen[0], now[0]),
            (self._misses, self._seen[1], now[1]),
        ):
            # Fewer than before: the cache has been made anew.
            if grown := after - before if after >= before else after:
                counter.inc(grown)
        if now[2] != self._seen[2]:
            self._entries.set(now[2])
        self._seen = now


_caches: dict[str, _Cache] = {}
_counting = Lock()


def cache(name: str, info: Info) -> None:
    """Have a cache counted; the name again takes the place of the one before."""
    count_caches()
    _caches[name] = _Cache(name, info)


def count_caches() -> None:
    """Count what the caches have done since they were last counted.

    To be called now and then, and before a process ends: after each request it would cost as much
    as all else that is counted of one.
    """
    # Who finds another thread at it leaves it to that.
    if _caches and _counting.acquire(blocking=False):
        try:
            for one in tuple(_caches.values()):
                one.count()
        finally:
            _counting.release()


def _start_anew() -> None:
    """In a process that was forked: what the first one did is counted there."""
    global _counting
    _counting = Lock()
    for one in _caches.values():
        one.start()


os.register_at_fork(after_in_child=_start_anew)


# -- the answer to Prometheus ----------------------------------------------------------------------


class _Now(Collector):
    """What is the same in every process: the rule sets, and whether numbers are lacking."""

    def __init__(self, references: Iterable[Mapping[str, str]]) -> None:
        self._references = references

    def collect(self) -> Iterator[Metric]:
        labels = ("id", "version", "content_hash")
        found = GaugeMetricFamily("ohmpath_rule_set_info", "Installed rule sets.", labels=labels)
        for one in self._references:
            found.add_metric([one[name] for name in labels], 1)
        yield found
        told = "1: the numbers of some process could not be written, and are not here."
        yield GaugeMetricFamily("ohmpath_metrics_lacking", told, value=int(lacking()))


def exposition(references: Iterable[Mapping[str, str]], accept: str) -> tuple[bytes, str]:
    """The metrics of all processes, and their media type.

    references: `describe.reference` of each installed rule set. accept: the Accept header.
    """
    count_caches()
    registry = CollectorRegistry()
    if ValueClass._multiprocess:
        MultiProcessCollector(registry)  # type: ignore[no-untyped-call]
    else:
        registry.register(_own)
    registry.register(_Now(references))
    encode, content_type = choose_encoder(accept)
    return encode(registry), content_type
