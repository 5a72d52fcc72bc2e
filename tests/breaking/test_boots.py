"""Workers that end again and again, and a folder for metrics that takes nothing, over HTTP."""

from __future__ import annotations

import os
import signal
import time
import urllib.request
from contextlib import suppress
from pathlib import Path

import pytest

from service.running.boots import AT_ONCE
from tests.breaking.running import service, wait_for

pytestmark = pytest.mark.long


def test_workers_that_end_at_once_are_started_with_pauses() -> None:
    """Kill each worker as soon as it is there: a pause of 1, 2, 4 s and so on comes between."""
    with service() as running:
        seen: set[int] = set()
        end = time.monotonic() + 12
        while time.monotonic() < end:
            for pid in running.workers():
                seen.add(pid)
                with suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
            time.sleep(0.01)
        # The two that were there, those that are started at once, and after 1, 2, 4 and 8 s.
        assert AT_ONCE < len(seen) <= 2 + AT_ONCE + 2 + 4
        assert "the next one starts in" in running.log()
        wait_for(running.ready, 60, told="workers that live again")


def test_metrics_that_cannot_be_written_are_done_without(full: Path) -> None:
    with service(PROMETHEUS_MULTIPROC_DIR=str(full)) as running:
        before = running.workers()
        os.kill(before[0], signal.SIGKILL)
        wait_for(lambda: len(running.workers()) == 2 and running.workers() != before)
        after = running.workers()
        for _ in range(20):
            assert running.ready()
        time.sleep(3)
        assert running.workers() == after, "workers go on being started"
        with urllib.request.urlopen(running.url + "/metrics", timeout=30) as answer:
            assert "ohmpath_metrics_lacking 1.0\n" in answer.read().decode()
        assert running.log().count("metrics are not complete") == 1, running.log()
