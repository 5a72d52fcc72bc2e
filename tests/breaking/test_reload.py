"""New rule sets on SIGHUP: taken over without a request being lost, or refused and said so."""

from __future__ import annotations

import http.client
import json
import os
import re
import shutil
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.breaking.lines import Lines
from tests.breaking.load import under_load
from tests.breaking.running import Running, gunicorn, service, wait_for
from tests.ruleset.rigged import RIG

CHECK_SECONDS = 120  # for the check of all rule sets, on a busy machine
CASE = {"equipment": "rig", "symptom": "dead"}
OWN_CASE = """\
cases:
  - id: nothing-known
    why: The lamp is looked at first.
    source: estimate
    given: {symptom: dead}
    expect: {status: check-next}
"""


def as_version(folder: Path, version: str) -> None:
    path = folder / "rule-set.yaml"
    text = re.sub(r"(?m)^version: .*$", f"version: {version}", path.read_text())
    path.write_text(text)


@pytest.fixture(scope="module")
def rules(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a copy of the rig, which has an own case."""
    root = tmp_path_factory.mktemp("rules")
    shutil.copytree(RIG, root / "rig")
    (root / "rig" / "cases").mkdir()
    (root / "rig" / "cases" / "first.yaml").write_text(OWN_CASE)
    return root


@pytest.fixture(scope="module")
def running(rules: Path) -> Iterator[Running]:
    with service(OHMPATH_RULES=str(rules)) as one:
        yield one


def reload_of(running: Running) -> Any:
    """Ask for a reload, and return what is said of it."""
    before = running.ready()["last_reload"]
    running.hang_up()

    def told() -> Any:
        found = running.ready()["last_reload"]
        return found if found != before and not running.checking() else None

    return wait_for(told, CHECK_SECONDS, told="the reload")


def reference(running: Running) -> Any:
    (found,) = (one for one in running.ready()["rule_sets"] if one["id"] == "rig")
    return found


def in_use(running: Running, version: str) -> None:
    """Wait until both workers have a version: each takes it over when it has time."""
    having: set[int] = set()

    def both() -> bool:
        connection = http.client.HTTPConnection("127.0.0.1", running.port, timeout=60)
        connection.request("GET", "/readyz")
        found = json.load(connection.getresponse())["rule_sets"]
        if ("rig", version) in {(one["id"], one["version"]) for one in found}:
            having.add(running.holder(connection.sock))
        connection.close()
        return having >= set(running.workers())

    wait_for(both, CHECK_SECONDS, told=f"{version} in both workers")


def test_unchanged_files_replace_nothing(running: Running) -> None:
    before, workers = running.ready(), running.workers()
    assert before["last_reload"] is None or before["last_reload"]["outcome"]
    found = reload_of(running)
    assert found["outcome"] == "unchanged"
    assert found["errors"] == []
    assert running.ready()["rule_sets"] == before["rule_sets"]
    assert running.workers() == workers


def test_no_request_is_lost_and_none_changes_its_rule_set(running: Running, rules: Path) -> None:
    old, workers = reference(running), running.workers()
    batch = Lines(running.port)
    said = [batch.ask(CASE)["assessment"]["rule_set"]]
    stop = threading.Event()

    def go_on() -> None:
        while not stop.wait(0.5):
            said.append(batch.ask(CASE)["assessment"]["rule_set"])

    talking = threading.Thread(target=go_on)
    talking.start()
    try:
        with under_load(running.port, pause=0.02) as record:
            as_version(rules / "rig", "2.0.0")
            assert reload_of(running)["outcome"] == "installed"
            in_use(running, "2.0.0")
            time.sleep(1)  # lines of the batch after everybody else has the new one
    finally:
        stop.set()
        talking.join()
    said.append(batch.ask(CASE)["assessment"]["rule_set"])
    assert batch.end()["summary"]["complete"] is True
    print(f"reload under load: {record}; {len(said)} lines of a batch meanwhile")
    assert set(record.outcomes) == {"200"}, str(record)
    assert all(one == old for one in said)
    assert reference(running)["version"] == "2.0.0"
    assert reference(running)["content_hash"] != old["content_hash"]
    assert running.workers() == workers  # nobody was replaced


def test_the_newest_state_of_the_files_counts(running: Running, rules: Path) -> None:
    as_version(rules / "rig", "3.0.0")
    running.hang_up()
    wait_for(running.checking, told="the check")
    time.sleep(0.5)
    as_version(rules / "rig", "4.0.0")
    for _ in range(3):
        running.hang_up()
        time.sleep(0.05)
    in_use(running, "4.0.0")
    wait_for(lambda: not running.checking(), CHECK_SECONDS)


def test_refusals_leave_the_old_ones_and_say_why(running: Running, rules: Path) -> None:
    rig = rules / "rig"
    before, kept = reference(running), (rig / "rules.yaml").read_text()
    (rig / "rules.yaml").write_text(kept + "oh: [")
    found = reload_of(running)
    (rig / "rules.yaml").write_text(kept)
    assert (found["outcome"], found["error_count"]) == ("refused", 1)
    (error,) = found["errors"]
    assert (error["code"], error["file"]) == ("yaml-syntax", "rig/rules.yaml")
    assert error["line"] == kept.count("\n") + 1
    assert running.ready()["status"] == "ready"
    assert reference(running) == before
    assert f"rig/rules.yaml:{error['line']}: {error['message']} [yaml-syntax]" in running.log()
    as_version(rig, "5.0.0")

    # A check that dies is no acceptance, whatever killed it.
    running.hang_up()
    (checking,) = wait_for(running.checking, told="the check")
    os.kill(checking, signal.SIGKILL)

    def told() -> bool:
        return bool(running.ready()["last_reload"]["errors"][0]["code"] == "not-checked")

    wait_for(told, CHECK_SECONDS)
    assert reference(running) == before

    assert reload_of(running)["outcome"] == "installed"
    in_use(running, "5.0.0")


def test_a_worker_that_is_started_later_has_the_new_rule_sets(running: Running) -> None:
    now = reference(running)
    for worker in running.workers():
        os.kill(worker, signal.SIGKILL)
    wait_for(running.ready, told="an answer")
    assert reference(running) == now


def test_a_check_has_limits_and_works_with_gunicorn_alone(rules: Path) -> None:
    limits = {"OHMPATH_TRIAL_SECONDS": "1", "OHMPATH_RULES": str(rules)}
    with service(command=gunicorn, **limits) as alone:
        as_version(rules / "rig", "6.0.0")
        found = reload_of(alone)
        assert found["outcome"] == "refused"
        assert "more than 1 second" in found["errors"][0]["message"]
        assert alone.ready()["status"] == "ready"
