"""`ohmpath batch --scheduler`: the same bytes from a Dask cluster, though a worker is killed."""

from __future__ import annotations

import csv
import json
import os
import shutil
import signal
import socket
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import dask
import pytest
from click.testing import CliRunner, Result
from distributed import LocalCluster

from service.api.examples import BATCH, BATCH_TABLE
from service.batch import cluster as module
from service.batch.cluster import Cluster
from service.batch.items import from_documents
from service.batch.kept import CannotGoOn, Kept, lines_of
from service.batch.ordered import ordered
from service.batch.run import Form, assess_item
from service.commands import offline
from service.commands.main import main


@pytest.fixture(scope="module")
def local() -> Iterator[LocalCluster]:
    fewer = dask.config.set({"distributed.scheduler.allowed-failures": 0})
    with (
        fewer,
        LocalCluster(
            n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address="127.0.0.1:0"
        ) as made,
    ):
        yield made


@pytest.fixture
def cases(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(offline, "PIECE", 2)
    path = tmp_path / "cases.ndjson"
    lines = [json.dumps({**BATCH[number % 2], "case_id": f"job-{number}"}) for number in range(60)]
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def batch(*arguments: Any) -> Result:
    return CliRunner().invoke(main, ["batch", *map(str, arguments)])


def test_the_results_are_the_same_bytes_though_a_worker_is_killed_midway(
    cases: Path, local: LocalCluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    here, there = cases.with_name("here.ndjson"), cases.with_name("there.ndjson")
    with ThreadPoolExecutor(1) as pool:
        job = offline.job_of(None, brief=False)
        kept = offline.begin(cases, here, job, fresh=False)
        submit = offline.Submit(lambda piece: pool.submit(offline.work, piece), 2)
        assert [*offline.run(cases, kept, job, submit)][-1] == cases.stat().st_size
        kept.finish(here)
    before = sorted(worker.pid for worker in local.workers.values())
    add, added = Kept.add, []

    def adding(kept: Kept, results: Any) -> None:
        add(kept, results)
        added.append(kept.count)
        if len(added) == 3:
            os.kill(before[0], signal.SIGKILL)

    monkeypatch.setattr(Kept, "add", adding)
    done = batch(cases, "-o", there, "--scheduler", local.scheduler_address)
    assert done.exit_code == 0, done.output
    assert added == list(range(2, 61, 2))
    assert there.read_bytes() == here.read_bytes()
    assert before[0] not in [worker.pid for worker in local.workers.values()]


def test_a_table_says_the_same_from_a_cluster(
    tmp_path: Path, local: LocalCluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What cannot be read has no decision, and only what came to its end is called complete."""
    source, target = tmp_path / "cases.csv", tmp_path / "out.csv"
    source.write_bytes(BATCH_TABLE.encode().replace(b"228.6,V", b"228.6,V\xb2"))

    def failing(_self: Cluster, _future: Any) -> Any:
        raise CannotGoOn("the cluster has failed")

    with monkeypatch.context() as meanwhile:
        meanwhile.setattr(Cluster, "take", failing)
        assert batch(source, "-o", target, "--scheduler", local.scheduler_address).exit_code == 1
    assert not target.exists()
    assert batch(source, "-o", target, "--scheduler", local.scheduler_address).exit_code == 0
    torn, whole, last = csv.DictReader(target.read_text(encoding="utf-8").splitlines())
    assert (torn["case_id"], torn["status"], torn["problem"]) == ("job-17", "", "malformed-csv")
    assert (whole["case_id"], whole["problem"]) == ("job-18", "")
    assert (last["status"], last["detail"][:19]) == ("complete", "2 cases, 1 assessed")


def test_a_worker_with_other_rule_sets_is_refused(
    cases: Path, local: LocalCluster, root: Path
) -> None:
    rules = cases.with_name("rules")
    shutil.copytree(root / "rules" / "tumble-dryer", rules / "tumble-dryer")
    about = rules / "tumble-dryer" / "rule-set.yaml"
    text = about.read_text(encoding="utf-8")
    about.write_text(text.replace("version: 0.1.0", "version: 0.1.1"), encoding="utf-8")
    target = cases.with_name("out.ndjson")
    refused = batch(cases, "-o", target, "--rules", rules, "--scheduler", local.scheduler_address)
    assert refused.exit_code == 1
    assert "tumble-dryer is sha256:" in refused.output
    assert "microwave-oven" not in refused.output
    assert "OHMPATH_RULES" in refused.output
    assert target.with_name("out.ndjson.part").read_bytes() == b""
    assert not target.exists()


def test_a_scheduler_that_cannot_be_reached_is_said(
    cases: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "CONNECTING", 0.5)
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{closed.getsockname()[1]}"
        refused = batch(cases, "--scheduler", address)
    assert refused.exit_code == 1
    assert f"no Dask scheduler can be reached at '{address}'" in refused.output
    assert [one.name for one in cases.parent.iterdir()] == ["cases.ndjson"]
    both = batch(cases, "--scheduler", address, "--processes", "2")
    assert both.exit_code == 2
    assert "leave it out" in both.output


def _deadly(piece: offline.Piece) -> offline.Worked:
    if any(item.document == {"case_id": "deadly"} for item in piece.items):
        os.kill(os.getpid(), signal.SIGKILL)
    nothing = dict.fromkeys(("status", "verdict", "next_check", "rule_set"))
    answer = {**nothing, "hypotheses": [], "rule_set": {"id": "any"}}
    form = Form(brief=True)
    return lines_of(assess_item(item, lambda _document: answer, form) for item in piece.items)


def test_a_case_that_kills_every_worker_is_a_problem_of_its_own(local: LocalCluster) -> None:
    job = offline.Job(None, brief=True, version="", rule_sets={})
    names = ["a", "b", "c", "deadly", "d", "e", "f"]
    items = from_documents({"case_id": name} for name in names)
    pieces = list(offline.pieces(items, job, lambda: 0))
    pieces = [offline.Piece(job, pieces[0].items[at : at + 3], 0) for at in range(0, len(names), 3)]
    with Cluster(_deadly, offline.died, local.scheduler_address) as cluster:
        worked = [done for _, done in ordered(pieces, cluster.submit, ahead=3)]
    results = [json.loads(one) for done in worked for one in done.lines.splitlines()]
    assert [one["case_id"] for one in results] == names
    problems = [one for one in results if "problem" in one]
    assert [one["case_id"] for one in problems] == ["deadly"]
    assert "has died" in problems[0]["problem"]["detail"]
