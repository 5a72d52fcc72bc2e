"""`ohmpath batch`: complete or not there, gone on with after a cut, and deaf to dying processes."""

from __future__ import annotations

import csv
import json
import os
import resource
import signal
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner, Result

from service.api.examples import BATCH, BATCH_TABLE
from service.batch.items import from_documents
from service.batch.kept import CannotGoOn, Kept
from service.batch.ordered import Processes, ordered
from service.batch.run import Tally
from service.commands import offline
from service.commands.main import main
from service.problems import INTERNAL_ERROR, Problem

COUNT = 11


@pytest.fixture
def cases(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Cases enough for several pieces, one of them no JSON."""
    monkeypatch.setattr(offline, "PIECE", 4)
    path = tmp_path / "cases.ndjson"
    lines = [json.dumps({**BATCH[1], "case_id": f"job-{number}"}) for number in range(COUNT)]
    lines[7] = "no case"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch) -> None:
    """No process but this one, which has its rule sets already, where that is not the point."""

    @contextmanager
    def workers(_rules: object, _processes: object) -> Iterator[offline.Submit]:
        with ThreadPoolExecutor(1) as pool:
            yield offline.Submit(lambda piece: pool.submit(offline.work, piece), 2)

    monkeypatch.setattr(offline, "workers", workers)


def batch(*arguments: Any) -> Result:
    return CliRunner().invoke(main, ["batch", *map(str, arguments)])


def read(path: Path) -> list[Any]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def beside(path: Path) -> list[str]:
    return sorted(one.name for one in path.parent.iterdir())


def test_a_file_is_assessed_and_summed_up(cases: Path) -> None:
    done = batch(cases, "--brief", "--strict", "--processes", "1")
    assert done.exit_code == 3, f"one case is no JSON: {done.output}"
    *results, last = read(cases.with_name("cases.ndjson.results.ndjson"))
    assert [one["index"] for one in results] == list(range(COUNT))
    assert [one["index"] for one in results if "problem" in one] == [7]
    assert last["summary"] == json.loads(done.stdout)
    assert last["summary"]["agreement"] == {"expected": COUNT - 1, "agreed": COUNT - 1}
    assert beside(cases) == ["cases.ndjson", "cases.ndjson.results.ndjson"]


@pytest.mark.usefixtures("here")
def test_what_was_cut_off_is_gone_on_with_and_comes_out_the_same(cases: Path) -> None:
    whole, cut = cases.with_name("whole.ndjson"), cases.with_name("cut.ndjson")
    assert batch(cases, "--brief", "-o", whole).exit_code == 0
    job = offline.job_of(None, brief=True)
    kept = offline.begin(cases, cut, job, fresh=False)
    with offline.workers(None, 1) as submit:
        steps = offline.run(cases, kept, job, submit)
        next(steps)
        steps.close()
    part = cut.with_name("cut.ndjson.part")
    assert len(read(part)) == offline.PIECE
    with part.open("ab") as lines:
        lines.write(b'{"index": 4, "half a li')
    assert not cut.exists()
    assert batch(cases, "--brief", "-o", cut).exit_code == 0
    assert cut.read_bytes() == whole.read_bytes()


@pytest.mark.usefixtures("here")
def test_a_part_of_something_else_is_not_gone_on_with(cases: Path) -> None:
    target = cases.with_name("results.ndjson")
    offline.begin(cases, target, offline.job_of(None, brief=True), fresh=False).close()
    refused = batch(cases, "-o", target)
    assert refused.exit_code == 1
    assert "begun with another detail; --fresh drops that" in refused.output
    cases.write_text(json.dumps(BATCH[1]), encoding="utf-8")
    assert "another cases" in batch(cases, "--brief", "-o", target).output
    assert batch(cases, "-o", target, "--fresh").exit_code == 0


@pytest.mark.usefixtures("here")
@pytest.mark.parametrize("ending", ["csv", "json", "ndjson", "parquet"])
def test_each_form_is_read_and_written(tmp_path: Path, ending: str) -> None:
    sources = {
        "csv": BATCH_TABLE,
        "json": json.dumps(BATCH),
        "ndjson": "".join(json.dumps(one) + "\n" for one in BATCH),
    }
    form = ending if ending in sources else "ndjson"
    source = tmp_path / f"cases.{form}"
    source.write_text(sources[form], encoding="utf-8")
    target = tmp_path / f"out.{ending}"
    done = batch(source, "-o", target, "--strict")
    assert done.exit_code == 0
    if ending == "parquet":
        table = pq.read_table(target)
        assert table["case_id"].to_pylist() == ["job-17", "job-18"]
        assert table["next_check"].to_pylist() == [None, "outlet-voltage"]
        assert json.loads(table.schema.metadata[b"ohmpath_summary"]) == json.loads(done.stdout)
        return
    text = target.read_text(encoding="utf-8")
    if ending == "csv":
        rows = list(csv.DictReader(text.splitlines()))
        assert [row["case_id"] for row in rows] == ["job-17", "job-18", ""]
        assert rows[-1]["status"] == "complete"
    elif ending == "json":
        assert [one["case_id"] for one in json.loads(text)["results"]] == ["job-17", "job-18"]
    else:
        assert json.loads(text.splitlines()[-1])["summary"] == json.loads(done.stdout)


FORMS = ["csv", "json", "jsonl", "ndjson", "parquet"]


def _complete(target: Path) -> bool:
    """Whether a file of results says that it is complete."""
    if target.suffix == ".parquet":
        summary = json.loads(pq.read_schema(target).metadata[b"ohmpath_summary"])
    elif target.suffix == ".csv":
        *_, last = csv.DictReader(target.read_text(encoding="utf-8").splitlines())
        assert last["status"] in ("complete", "incomplete")
        return last["status"] == "complete"
    elif target.suffix == ".json":
        summary = json.loads(target.read_bytes())["summary"]
    else:
        summary = json.loads(target.read_bytes().splitlines()[-1])["summary"]
    return bool(summary["complete"])


@pytest.mark.usefixtures("here")
@pytest.mark.parametrize("form", FORMS)
def test_only_what_came_to_its_end_is_called_complete(
    cases: Path, monkeypatch: pytest.MonkeyPatch, form: str
) -> None:
    """A full disk and a file that is still being written leave no results under their name."""
    target = cases.with_name(f"out.{form}")
    with _room_for(2000):
        full = batch(cases, "--brief", "-o", target)
    assert full.exit_code == 1
    assert full.output.rstrip().endswith("File too large")
    assert not target.exists()

    add = Kept.add

    def writing(kept: Kept, more: Any) -> None:
        add(kept, more)
        with cases.open("ab") as file:
            file.write(b"\n")

    with monkeypatch.context() as meanwhile:
        meanwhile.setattr(Kept, "add", writing)
        grown = batch(cases, "--brief", "--fresh", "-o", target)
    assert grown.exit_code == 1
    assert "has changed while it was read; --fresh" in grown.output
    assert not target.exists()

    assert batch(cases, "--brief", "--fresh", "-o", target).exit_code == 0
    assert _complete(target)


@pytest.mark.parametrize("form", FORMS)
def test_every_form_of_a_file_says_what_the_summary_says(tmp_path: Path, form: str) -> None:
    broken = Problem(INTERNAL_ERROR, "It broke.").document("")
    for summary in (Tally().summary(), Tally().summary(broken)):
        kept = Kept(tmp_path / f"out.{form}", {})
        kept.close()
        kept.tally.summary = lambda summary=summary: summary  # type: ignore[method-assign,misc]
        kept.finish(tmp_path / f"out.{form}")
        assert _complete(tmp_path / f"out.{form}") == summary["complete"]


@contextmanager
def _room_for(size: int) -> Iterator[None]:
    """Let no file of this process become larger than so many bytes."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.usefixtures("here")
@pytest.mark.parametrize("form", FORMS)
def test_a_row_that_cannot_be_read_leaves_its_case_undecided(tmp_path: Path, form: str) -> None:
    source, target = tmp_path / "cases.csv", tmp_path / f"out.{form}"
    torn = BATCH_TABLE.encode().replace(b"228.6,V", b"228.6,V\xb2")
    source.write_bytes(torn)
    done = batch(source, "-o", target, "--strict", "--brief")
    assert done.exit_code == 3
    summary = json.loads(done.stdout)
    assert (summary["cases"], summary["problems"]) == (2, {"malformed-csv": 1})
    assert summary["agreement"] == {"expected": 1, "agreed": 1}
    assert _complete(target)
    if form in ("jsonl", "ndjson"):
        first, second, _ = read(target)
        assert (first["case_id"], first["problem"]["status"]) == ("job-17", 422)
        assert "assessment" not in first
        assert "assessment" in second


def test_what_cannot_be_read_or_written_is_said(tmp_path: Path) -> None:
    odd = tmp_path / "cases.txt"
    odd.write_text("[]", encoding="utf-8")
    assert "one of .ndjson" in batch(odd).output
    wrong = tmp_path / "cases.json"
    wrong.write_text("{}", encoding="utf-8")
    assert "out.txt: the ending" in batch(wrong, "-o", tmp_path / "out.txt").output
    refused = batch(wrong)
    assert refused.exit_code == 2
    assert json.loads(refused.stderr)["errors"][0]["message"].startswith("This must be a list")


@pytest.mark.parametrize(
    ("missing", "module", "arguments", "extra"),
    [
        ("pyarrow", "service.batch.parquet", ("-o", "out.parquet"), "ohmpath[parquet]"),
        (
            "distributed",
            "service.batch.cluster",
            ("--scheduler", "127.0.0.1:8786"),
            "ohmpath[dask]",
        ),
    ],
)
def test_what_is_not_installed_is_named_before_anything_is_done(
    cases: Path,
    monkeypatch: pytest.MonkeyPatch,
    missing: str,
    module: str,
    arguments: tuple[str, ...],
    extra: str,
) -> None:
    monkeypatch.chdir(cases.parent)
    monkeypatch.setitem(sys.modules, missing, None)  # an import of it fails
    monkeypatch.delitem(sys.modules, module, raising=False)
    refused = batch(cases, *arguments)
    assert refused.exit_code == 1
    assert f"pip install {extra}" in refused.output
    assert beside(cases) == ["cases.ndjson"]


def test_results_are_not_to_rest_on_other_rule_sets_or_another_version(cases: Path) -> None:
    job = offline.job_of(None, brief=True)
    hashes = {**job.rule_sets, "washer": "sha256:1", "tumble-dryer": "sha256:2"}
    told = [
        offline.work(offline.Piece(changed, tuple(from_documents([BATCH[1]])), 0))
        for changed in (replace(job, rule_sets=hashes), replace(job, version="9"))
    ]
    assert all(isinstance(one, CannotGoOn) for one in told)
    assert f"tumble-dryer is {job.rule_sets['tumble-dryer']} and not sha256:2" in str(told[0])
    assert "washer is missing and not sha256:1" in str(told[0])
    assert "microwave-oven" not in str(told[0])
    assert f"ohmpath is {job.version} and not 9" in str(told[1])
    kept = offline.begin(cases, cases.with_name("out.ndjson"), job, fresh=False)
    refusal: Future[Any] = Future()
    refusal.set_result(told[0])
    with pytest.raises(CannotGoOn, match="washer"):
        list(offline.run(cases, kept, job, offline.Submit(lambda _piece: refusal, 1)))
    assert kept.count == 0


# -- processes --------------------------------------------------------------------------------


def _work(piece: list[int]) -> list[int]:
    if 3 in piece:
        os.kill(os.getpid(), signal.SIGKILL)
    return [10 * number for number in piece]


def _failed(piece: list[int], alone: Callable[[list[int]], list[int]]) -> list[int]:
    if len(piece) == 1:
        return [-piece[0]]
    return [found for number in piece for found in alone([number])]


def _nothing() -> None:
    pass


def test_a_process_that_dies_loses_nothing_but_what_it_dies_of() -> None:
    pieces = [[0], [1], [2, 3], [4], [5], [6], [7]]
    with Processes(_work, _failed, 2, _nothing) as pool:
        found = list(ordered(pieces, pool.submit, ahead=4))
    assert found == [(p, [-3 if n == 3 else 10 * n for n in p]) for p in pieces]


def test_a_case_that_kills_its_process_is_a_problem_of_its_own() -> None:
    job = offline.Job(None, brief=True, version="", rule_sets={})
    piece = offline.Piece(job, tuple(from_documents([BATCH[0], BATCH[1]])), 0)

    def alone(one: offline.Piece) -> offline.Worked:
        (item,) = one.items
        fine = offline.Lines(b'{"fine": true}\n', Tally(cases=1))
        return fine if item.index == 0 else offline.died(one, alone)

    worked = offline.died(piece, alone)
    assert isinstance(worked, offline.Lines)
    assert worked.tally.cases == 2
    first, second = map(json.loads, worked.lines.splitlines())
    assert first == {"fine": True}
    assert second["problem"]["status"] == 500
    assert second["case_id"] == "job-18"
