"""Metrics: what is counted and how it is told; and caches, which each process counts itself."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families as openmetrics
from prometheus_client.parser import text_string_to_metric_families as classic

from service.observe import metrics

ROOT = Path(__file__).resolve().parents[2]
REFERENCE = {"id": "rig", "version": "1", "content_hash": "sha256:0"}


def value(name: str, **labels: str) -> float:
    body, _ = metrics.exposition([REFERENCE], "")
    for family in classic(body.decode()):
        for sample in family.samples:
            if sample.name == name and sample.labels == labels:
                return sample.value
    return 0.0


def test_request_is_counted_with_its_duration() -> None:
    labels = {"route": "/metrics-test", "method": "GET", "status": "200"}
    for seconds in (0.0004, 0.3):
        metrics.request("/metrics-test", "GET", 200, seconds)
    assert value("ohmpath_requests_total", **labels) == 2
    name = "ohmpath_request_duration_seconds"
    assert value(f"{name}_count", route="/metrics-test") == 2
    assert value(f"{name}_sum", route="/metrics-test") == pytest.approx(0.3004)
    assert value(f"{name}_bucket", route="/metrics-test", le="0.0005") == 1
    assert value(f"{name}_bucket", route="/metrics-test", le="+Inf") == 2


def test_methods_that_nobody_knows_are_one() -> None:
    for method in ("BREW", "PROPFIND", "get"):
        metrics.request("/methods-test", method, 405, 0.001)
    labels = {"route": "/methods-test", "method": "_OTHER", "status": "405"}
    assert value("ohmpath_requests_total", **labels) == 3


def test_rule_sets_are_those_of_the_moment() -> None:
    assert value("ohmpath_rule_set_info", **REFERENCE) == 1
    body, _ = metrics.exposition([], "")
    assert b"ohmpath_rule_set_info{" not in body


def test_reloads_are_counted_and_the_last_is_dated() -> None:
    refused = value("ohmpath_rule_set_reloads_total", result="refused")
    before = value("ohmpath_rule_set_last_reload_timestamp_seconds")
    metrics.reloaded("refused")
    assert value("ohmpath_rule_set_reloads_total", result="refused") == refused + 1
    assert value("ohmpath_rule_set_last_reload_timestamp_seconds") == before
    metrics.reloaded("installed")
    assert value("ohmpath_rule_set_last_reload_timestamp_seconds") > 1.7e9


@pytest.mark.parametrize(
    ("accept", "content_type"),
    [
        ("", "text/plain; version=0.0.4; charset=utf-8"),
        ("*/*", "text/plain; version=0.0.4; charset=utf-8"),
        ("text/plain;version=0.0.4;q=0.5,*/*;q=0.1", "text/plain; version=0.0.4; charset=utf-8"),
    ],
)
def test_form_is_the_text_format(accept: str, content_type: str) -> None:
    body, got = metrics.exposition([REFERENCE], accept)
    assert got == content_type
    assert {one.name for one in classic(body.decode())} >= {"ohmpath_requests", "ohmpath_problems"}


def test_form_is_openmetrics_if_asked_for() -> None:
    accept = "application/openmetrics-text;version=1.0.0,text/plain;version=0.0.4;q=0.5"
    body, got = metrics.exposition([REFERENCE], accept)
    assert got.startswith("application/openmetrics-text; version=1.0.0; charset=utf-8")
    assert {one.name for one in openmetrics(body.decode())} >= {"ohmpath_requests"}


def test_cache_is_counted_by_what_it_does_from_now_on() -> None:
    now = [5, 3, 2]
    metrics.cache("first", lambda: (now[0], now[1], now[2]))
    assert value("ohmpath_cache_hits_total", cache="first") == 0
    assert value("ohmpath_cache_entries", cache="first") == 2
    now[:] = [9, 4, 3]
    metrics.count_caches()
    metrics.count_caches()
    assert value("ohmpath_cache_hits_total", cache="first") == 4
    assert value("ohmpath_cache_misses_total", cache="first") == 1
    assert value("ohmpath_cache_entries", cache="first") == 3
    now[:] = [1, 2, 1]  # made anew
    assert value("ohmpath_cache_hits_total", cache="first") == 5
    assert value("ohmpath_cache_misses_total", cache="first") == 3
    assert value("ohmpath_cache_entries", cache="first") == 1
    now[:] = [2, 2, 1]
    metrics.cache("first", lambda: (100, 0, 0))  # another in its place
    assert value("ohmpath_cache_hits_total", cache="first") == 6
    assert value("ohmpath_cache_entries", cache="first") == 0


FORKED = """
import os, sys
from service.observe import multiprocess
multiprocess.prepare()
from service.observe import metrics
used = [0, 0, 0]
metrics.cache("c", lambda: tuple(used))
def use(times):
    for _ in range(times):
        used[0] += 1
        used[2] += 1
        metrics.request("/x", "GET", 200, 0.001)
    metrics.count_caches()
use(3)
used[0] += 2  # not counted as yet; not to be counted by each child either
children = []
for _ in range(2):
    if not (pid := os.fork()):
        use(10)
        os._exit(0)
    children.append(pid)
for pid in children:
    os.waitpid(pid, 0)
    multiprocess.died(pid)
text = metrics.exposition([], "")[0].decode()
for line in text.splitlines():
    if line.startswith(("ohmpath_cache", "ohmpath_requests_total")):
        print(line)
print("folder", os.environ["PROMETHEUS_MULTIPROC_DIR"])
"""


def test_processes_are_counted_together() -> None:
    done = subprocess.run(
        [sys.executable, "-c", FORKED], cwd=ROOT, capture_output=True, text=True, check=True
    )
    lines = dict(line.rsplit(" ", 1) for line in done.stdout.splitlines())
    assert float(lines['ohmpath_requests_total{method="GET",route="/x",status="200"}']) == 23
    assert float(lines['ohmpath_cache_hits_total{cache="c"}']) == 25
    assert float(lines['ohmpath_cache_entries{cache="c"}']) == 3  # of those that live
    assert not Path(lines["folder"]).exists()


def test_operators_folder_is_emptied_and_kept(tmp_path: Path) -> None:
    (tmp_path / "counter_1.db").write_bytes(b"left from an earlier run")
    (tmp_path / "other").write_bytes(b"of somebody else")
    script = "from service.observe import multiprocess as m; m.prepare()"
    environment = {"PROMETHEUS_MULTIPROC_DIR": str(tmp_path), "PYTHONPATH": str(ROOT)}
    subprocess.run([sys.executable, "-c", script], env=environment, cwd=ROOT, check=True)
    assert [one.name for one in tmp_path.iterdir()] == ["other"]


def test_folder_of_a_server_that_is_being_replaced_is_let_alone(tmp_path: Path) -> None:
    other = tmp_path / "ohmpath-metrics-other"
    other.mkdir()
    (other / "counter_1.db").write_bytes(b"in use")
    script = (
        "import os; from service.observe import multiprocess as m; m.prepare();"
        "print(os.environ[m.VARIABLE])"
    )
    environment = {"PROMETHEUS_MULTIPROC_DIR": str(other), "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-c", script], env=environment, cwd=ROOT, check=True, capture_output=True
    )
    assert done.stdout.decode().strip() != str(other)
    assert [one.name for one in other.iterdir()] == ["counter_1.db"]


def test_command_line_counts_nothing_before_it_serves() -> None:
    script = "import sys, service.commands.main; sys.exit('prometheus_client' in sys.modules)"
    subprocess.run([sys.executable, "-c", script], cwd=ROOT, check=True)
