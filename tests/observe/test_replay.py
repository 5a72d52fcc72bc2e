"""Replay: the same rule sets decide the same, others differ in what is named."""

from __future__ import annotations

import json
import shutil
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from service.api.cases import assess_case, assessor, load_case
from service.commands.main import main
from service.observe.decisions import entry
from service.observe.replay import replay
from service.ruleset.catalogue import Catalogue, bundled_rules
from tests.bench.make_cases import originals

Written = Callable[[list[Any]], Path]


@pytest.fixture(autouse=True)
def loaded_once(catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch) -> None:
    """The bundled rule sets, which each replay would load."""
    load = Catalogue.load
    monkeypatch.setattr(
        Catalogue, "load", lambda extra=None: load(extra) if extra is not None else catalogue
    )


def ran(*arguments: str) -> tuple[int, str]:
    done = CliRunner().invoke(main, ["replay", *arguments])
    return done.exit_code, done.output


def test_same_rule_sets_decide_the_same(entries: list[dict[str, Any]], written: Written) -> None:
    code, out = ran(str(written(entries)))
    assert code == 0, out
    assert f"{len(entries)} decisions: {len(entries)} the same, 0 differ" in out


@pytest.fixture
def changed(tmp_path: Path) -> Path:
    """A folder with the oven's rule set, in which a leakage limit has one nought too many."""
    folder = tmp_path / "rules" / "microwave-oven"
    shutil.copytree(bundled_rules() / "microwave-oven", folder)
    checks = folder / "checks.yaml"
    text = checks.read_text(encoding="utf-8")
    limit = "{id: within-limit, below: {value: 5, unit: mW/cm2"
    assert text.count(limit) == 1
    checks.write_text(text.replace(limit, limit.replace("5", "50")), encoding="utf-8")
    return tmp_path / "rules"


@pytest.fixture
def leaking(catalogue: Catalogue) -> list[dict[str, Any]]:
    """What the log says of the own cases in which an oven leaks."""
    cases = [
        one
        for one in originals()
        if any(reading["check"] == "leakage-survey" for reading in one.get("readings", ()))
    ]
    loaded = [load_case(one) for one in cases]
    return [entry(case, assess_case(catalogue, case)) for case in loaded]


def test_changed_rule_set_is_told_by_what_it_decides(
    entries: list[dict[str, Any]], leaking: list[dict[str, Any]], changed: Path, written: Written
) -> None:
    entries = entries[:15]
    path = written([*entries, *leaking])
    code, out = ran(str(path), "--rules", str(changed), "--json")
    assert code == 1
    *told, last = [json.loads(line) for line in out.splitlines()]
    summary = last["summary"]
    assert summary["differ"] == len(told) > 0
    assert summary["same"] + summary["differ"] == summary["decisions"] == len(entries + leaking)
    ovens = [one for one in entries + leaking if one["case"]["equipment"] == "microwave-oven"]
    assert summary["other_rules"] == len(ovens)
    lines = path.read_bytes().splitlines()
    for one in told:
        recorded = json.loads(lines[one["line"] - 1])
        assert one["trace_id"] == recorded["trace_id"]
        assert one["time"] == recorded["time"]
        assert one["other_rules"]
    stopped = [one for one in told if one["differs"].get("status", {})["recorded"] == "stop-work"]
    assert stopped
    assert any("do-not-use" in one["differs"].get("precautions_lost", ()) for one in told)

    code, text = ran(str(path), "--rules", str(changed))
    assert code == 1
    assert "    status: stop-work -> " in text
    assert f"{summary['differ']} differ" in text


def test_other_answer_of_the_same_rules_differs(
    entries: list[dict[str, Any]], written: Written
) -> None:
    reworded = {**entries[0], "answer": "sha256:0"}
    other = next(one for one in entries if one["status"] == "check-next")
    decided = {**other, "status": "unresolved", "answer": "sha256:0"}
    code, out = ran(str(written([reworded, decided, entries[1]])), "--json")
    assert code == 1
    first, second, last = [json.loads(line) for line in out.splitlines()]
    assert first["differs"] == {
        "answer": {"recorded": "sha256:0", "replayed": entries[0]["answer"]}
    }
    assert second["differs"] == {"status": {"recorded": "unresolved", "replayed": "check-next"}}
    assert last["summary"] == {
        "decisions": 3,
        "same": 1,
        "differ": 2,
        "broken": 0,
        "other_rules": 0,
    }


def test_case_that_is_refused_now_differs(entries: list[dict[str, Any]], written: Written) -> None:
    unknown = {**entries[0], "case": {**entries[0]["case"], "equipment": "kettle"}}
    code, out = ran(str(written([unknown])), "--json")
    assert code == 1
    refused = json.loads(out.splitlines()[0])["differs"]["problem"]
    assert refused["recorded"] is None
    assert "kettle" in refused["replayed"]


def test_broken_lines_are_named_and_passed_over(
    entries: list[dict[str, Any]], written: Written
) -> None:
    whole = json.dumps(entries[0]).encode()
    hostile = {**entries[0], "status": "\x1b[2J"}
    code, out = ran(
        str(
            written(
                [
                    entries[0],
                    whole[:200] + b"\n",
                    b"\n",
                    b"\xff\xfe\n",
                    b"[" * 100_000 + b"\n",
                    b"7\n",
                    {**entries[0], "verdict": []},
                    hostile,
                    entries[1],
                    whole[:-1],  # the disk was full
                ]
            )
        )
    )
    assert code == 0
    assert [line.split(" is broken")[0] for line in out.splitlines() if "broken:" in line] == [
        f"line {number}" for number in (2, 4, 5, 6, 7, 8, 10)
    ]
    assert "2 decisions: 2 the same" in out
    assert "7 broken lines" in out
    assert "\x1b" not in out


def test_nothing_to_replay_is_no_error_and_no_decision_at_all_is(written: Written) -> None:
    code, out = ran(str(written([])))
    assert (code, out.startswith("0 decisions")) == (0, True)
    code, out = ran(str(written([b"no log\n"])))
    assert code == 2
    assert "is no decision log" in out


def test_what_cannot_be_read_is_exit_2(tmp_path: Path, written: Written) -> None:
    assert ran(str(tmp_path / "missing"))[0] == 2
    assert ran(str(written([])), "--rules", str(tmp_path))[0] == 2


def test_endless_line_takes_no_memory(
    catalogue: Catalogue,
    entries: list[dict[str, Any]],
    written: Written,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("service.observe.replay.MOST_LINE", 100_000)
    path = written([b"x" * 10_000_000 + b"\n", entries[0]])
    with path.open("rb") as log:
        replayed = replay(log, catalogue, assessor(catalogue))
        tracemalloc.start()
        first = next(replayed)
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        monkeypatch.undo()
        (second,) = replayed
    assert first.broken
    assert most < 2_000_000
    assert second.line == 2
    assert not second.broken
