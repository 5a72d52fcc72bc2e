"""`ohmpath batch`: complete or not there, gone on with after a cut, and deaf to dying processes."""

from __future__ import annotations

import csv
import json
import os
import signal
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from service import offline
from service.api.examples import BATCH, BATCH_TABLE
from service.batch.items import Item, from_documents
from service.batch.ordered import Processes, ordered
from service.cli import main


@pytest.fixture
def cases(tmp_path: Path) -> Path:
    """Cases enough for several pieces, one of them no JSON."""
    path = tmp_path / "cases.ndjson"
    lines = [json.dumps({**BATCH[1], "case_id": f"job-{number}"}) for number in range(120)]
    lines[70] = "no case"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def batch(*arguments: Any) -> Result:
    return CliRunner().invoke(main, ["batch", "--processes", "1", *map(str, arguments)])


def read(path: Path) -> list[Any]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def test_a_file_is_assessed_and_summed_up(cases: Path) -> None:
    done = batch(cases, "--brief")
    assert done.exit_code == 0, done.output
    *results, last = read(cases.with_name("cases.ndjson.results.ndjson"))
    assert [one["index"] for one in results] == list(range(120))
    assert [one["index"] for one in results if "problem" in one] == [70]
    assert last["summary"] == json.loads(done.stdout)
    assert last["summary"]["agreement"] == {"expected": 119, "agreed": 119}
    assert sorted(path.name for path in cases.parent.iterdir()) == [
        "cases.ndjson",
        "cases.ndjson.results.ndjson",
    ]
    assert batch(cases, "--brief", "--strict").exit_code == 3, "one case is no JSON"


def test_what_was_cut_off_is_gone_on_with_and_comes_out_the_same(
    cases: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole, cut = cases.with_name("whole.ndjson"), cases.with_name("cut.ndjson")
    assert batch(cases, "--brief", "-o", whole).exit_code == 0
    job = offline.Job(None, brief=True)
    kept = offline.begin(cases, cut, job, fresh=False)
    with ThreadPoolExecutor(1) as pool:
        steps = offline.run(
            cases, kept, job, offline.Submit(lambda piece: pool.submit(offline.work, piece), 1)
        )
        next(steps)
        steps.close()
    part = cut.with_name("cut.ndjson.part")
    assert len(read(part)) == offline.PIECE
    with part.open("ab") as lines:
        lines.write(b'{"index": 50, "half a li')
    assert not cut.exists()
    assert batch(cases, "--brief", "-o", cut).exit_code == 0
    assert cut.read_bytes() == whole.read_bytes()


def test_a_part_of_something_else_is_not_gone_on_with(cases: Path) -> None:
    target = cases.with_name("results.ndjson")
    job = offline.Job(None, brief=True)
    offline.begin(cases, target, job, fresh=False).close()
    refused = batch(cases, "-o", target)
    assert refused.exit_code == 1
    assert "begun with another detail; --fresh drops that" in refused.output
    cases.write_text(json.dumps(BATCH[1]), encoding="utf-8")
    assert "another cases" in batch(cases, "--brief", "-o", target).output
    assert batch(cases, "-o", target, "--fresh").exit_code == 0


@pytest.mark.parametrize("ending", ["csv", "json", "ndjson"])
def test_each_form_is_read_and_written(tmp_path: Path, ending: str) -> None:
    sources = {
        "csv": BATCH_TABLE,
        "json": json.dumps(BATCH),
        "ndjson": "".join(json.dumps(one) + "\n" for one in BATCH),
    }
    source = tmp_path / f"cases.{ending}"
    source.write_text(sources[ending], encoding="utf-8")
    target = tmp_path / f"out.{ending}"
    assert batch(source, "-o", target, "--strict").exit_code == 0
    text = target.read_text(encoding="utf-8")
    if ending == "csv":
        rows = list(csv.DictReader(text.splitlines()))
        assert [row["case_id"] for row in rows] == ["job-17", "job-18", ""]
        assert rows[-1]["status"] == "complete"
    elif ending == "json":
        assert [one["case_id"] for one in json.loads(text)["results"]] == ["job-17", "job-18"]
    else:
        assert json.loads(text.splitlines()[-1])["summary"]["complete"] is True


def test_what_cannot_be_read_or_written_is_said(tmp_path: Path) -> None:
    odd = tmp_path / "cases.txt"
    odd.write_text("[]", encoding="utf-8")
    assert "one of .ndjson" in batch(odd).output
    wrong = tmp_path / "cases.json"
    wrong.write_text("{}", encoding="utf-8")
    refused = batch(wrong)
    assert refused.exit_code == 2
    assert json.loads(refused.stderr)["errors"][0]["message"].startswith("must be a list")


# -- processes --------------------------------------------------------------------------------


def _work(piece: int) -> int:
    if piece == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return 10 * piece


def _failed(piece: int) -> int:
    return -piece


def _nothing() -> None:
    pass


def test_a_process_that_dies_loses_nothing_but_what_it_dies_of() -> None:
    with Processes(_work, _failed, 2, _nothing) as pool:
        found = list(ordered(range(8), pool.submit, ahead=4))
    assert found == [(piece, -3 if piece == 3 else 10 * piece) for piece in range(8)]


def test_a_case_that_kills_its_process_is_a_problem_of_its_own() -> None:
    piece = offline.Piece(offline.Job(None, brief=True), tuple(from_documents([BATCH[1]])), 0)
    (result,) = offline.died(piece)
    assert result["problem"]["status"] == 500
    assert result["case_id"] == "job-18"
    assert isinstance(piece.items[0], Item)
