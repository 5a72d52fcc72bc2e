"""Results as a Parquet file."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from service.batch import parquet
from service.batch.table import COLUMNS
from service.problems import INTERNAL_ERROR, Problem

FOUND = {
    "status": "fault-found",
    "verdict": {"fault": "f", "component": "c", "confidence": 1},
    "next_check": None,
}
NEXT = {"status": "check-next", "verdict": None, "next_check": {"id": "n", "kind": "check"}}
SUMMARY = {"complete": True, "cases": 3, "rule_sets": [{"id": "Größe"}]}


def result(index: int, **more: Any) -> dict[str, Any]:
    return {"index": index, "line": None, "case_id": f"=job-{index}", **more}


def test_a_case_is_a_row_of_typed_cells(tmp_path: Path) -> None:
    target = tmp_path / "results.parquet"
    problem = Problem(INTERNAL_ERROR, "It failed.").document("")
    results = [
        result(0, assessment=FOUND, agrees=True),
        result(1, assessment=NEXT),
        {"index": 2, "line": 7, "case_id": None, "problem": problem},
    ]
    parquet.write_parquet(target, results, SUMMARY)
    read = pq.read_table(target)
    assert [(field.name, str(field.type)) for field in read.schema] == [
        ("index", "int64"),
        ("line", "int64"),
        ("case_id", "string"),
        ("status", "string"),
        ("fault", "string"),
        ("component", "string"),
        ("confidence", "double"),
        ("next_check", "string"),
        ("agrees", "bool"),
        ("problem", "string"),
        ("detail", "string"),
    ]
    nothing = dict.fromkeys(COLUMNS)
    verdict = {"status": "fault-found", "fault": "f", "component": "c", "confidence": 1.0}
    failed = {"problem": "internal-error", "detail": "It failed."}
    assert read.to_pylist() == [
        {**nothing, "index": 0, "case_id": "=job-0", **verdict, "agrees": True},
        {**nothing, "index": 1, "case_id": "=job-1", "status": "check-next", "next_check": "n"},
        {**nothing, "index": 2, "line": 7, **failed},
    ]
    assert json.loads(read.schema.metadata[b"ohmpath_summary"]) == SUMMARY


@pytest.mark.parametrize(("count", "groups"), [(0, []), (4, [4]), (9, [4, 4, 1])])
def test_rows_are_written_in_groups(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, count: int, groups: list[int]
) -> None:
    monkeypatch.setattr(parquet, "_GROUP", 4)
    target = tmp_path / "results.parquet"
    results = (result(index, assessment=NEXT) for index in range(count))
    parquet.write_parquet(target, results, SUMMARY)
    about = pq.read_metadata(target)
    assert [about.row_group(at).num_rows for at in range(about.num_row_groups)] == groups
    assert pq.read_table(target)["index"].to_pylist() == list(range(count))
