"""What is accepted in the place of the rule sets in use, and what is not."""

from __future__ import annotations

import pickle
import shutil
from pathlib import Path

import pytest

from service.ruleset import catalogue as catalogue_module
from service.ruleset.catalogue import Catalogue
from service.ruleset.codes import CODES
from service.running.acceptance import Job, handed_over, hashes, work
from service.running.board import Board, Published
from service.running.reloading import MOST_CHARACTERS, MOST_ERRORS
from tests.ruleset.rigged import RIG

CASES = """\
cases:
  - id: nothing-known
    why: The lamp is looked at first.
    source: estimate
    given: {symptom: dead}
    expect: {status: check-next}
  - id: lamp-lit
    why: It has power, so the fuse is whole.
    source: estimate
    given: {symptom: dead, readings: [{check: lamp, observed: lit}]}
    expect: {no_verdict: %s}
"""


@pytest.fixture(autouse=True)
def rules(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of rule sets that are all there are: the rig, and its own cases."""
    folder = tmp_path / "rules"
    shutil.copytree(RIG, folder / "rig")
    (folder / "rig" / "cases").mkdir()
    (folder / "rig" / "cases" / "own.yaml").write_text(CASES % "true")
    monkeypatch.setattr(catalogue_module, "bundled_rules", lambda: folder)
    return folder


def test_what_is_accepted_is_handed_over_as_it_was_checked(rules: Path) -> None:
    answer = work(Job(rules, {}))
    assert answer["findings"] == []
    (rules / "rig" / "rules.yaml").write_text("changed in the meantime")
    pickled = handed_over(answer)
    assert pickled is not None
    catalogue = pickle.loads(pickled)
    assert isinstance(catalogue, Catalogue)
    assert set(hashes(catalogue)) == {"rig"}
    assert catalogue.get("rig").content_hash == hashes(catalogue)["rig"]


def test_the_same_is_no_news(rules: Path) -> None:
    in_use = hashes(Catalogue.load(rules))
    # What is in use has met its cases; layout and comments say nothing.
    with (rules / "rig" / "rule-set.yaml").open("a") as file:
        file.write("\n# nothing new\n")
    (rules / "rig" / "cases" / "own.yaml").write_text(CASES % "false")
    answer = work(Job(rules, in_use))
    assert answer == {"findings": [], "catalogue": None}
    assert handed_over(answer) is None


def test_an_own_case_that_is_not_met_is_named_with_its_line(rules: Path) -> None:
    (rules / "rig" / "cases" / "own.yaml").write_text(CASES % "false")
    answer = work(Job(rules, {}))
    (found,) = answer["findings"]
    assert answer["catalogue"] is None
    assert (found["file"], found["line"], found["rule"]) == (
        "rig/cases/own.yaml",
        7,
        "case-not-met",
    )
    assert "own case lamp-lit: verdict None" in found["message"]
    assert found["rule"] in CODES


@pytest.mark.parametrize(
    ("file", "content", "code"),
    [
        ("rules.yaml", "rules: [", "yaml-syntax"),
        ("checks.yaml", "", "yaml-empty"),
        ("cases/own.yaml", "cases: 7", "shape"),
        ("faults.yaml", None, "unreadable"),
        ("rule-set.yaml", None, "unreadable"),
    ],
)
def test_files_that_cannot_be_used_are_findings(
    rules: Path, file: str, content: str | None, code: str
) -> None:
    path = rules / "rig" / file
    path.unlink()
    if content is not None:
        path.write_text(content)
    answer = work(Job(rules, {}))
    assert answer["catalogue"] is None
    assert code in {one["rule"] for one in answer["findings"]}


@pytest.mark.parametrize("name", ["a", "rig.bak"])
def test_a_second_folder_of_one_id_is_a_finding_and_takes_no_place(rules: Path, name: str) -> None:
    in_use = hashes(Catalogue.load(rules))
    shutil.copytree(rules / "rig", rules / name)
    text = (rules / name / "rule-set.yaml").read_text()
    (rules / name / "rule-set.yaml").write_text(text.replace("version: ", "version: 9"))
    answer = work(Job(rules, in_use))
    assert answer["catalogue"] is None
    assert {one["rule"] for one in answer["findings"]} == {"id-taken"}


def test_a_folder_that_is_gone_is_a_finding(rules: Path) -> None:
    answer = work(Job(rules / "gone", {}))
    assert [one["rule"] for one in answer["findings"]] == ["no-rule-set"]


def test_a_board_shows_the_last_that_was_written_or_nothing() -> None:
    board = Board(10)
    assert (board.number, board.read()) == (0, None)
    board.write(b"first")
    board.write(b"2nd")
    assert board.read() == (2, b"2nd")
    with pytest.raises(ValueError, match="room for 10"):
        board.write(bytes(11))
    assert board.read() == (2, b"2nd")
    board._memory[-len(b"2nd") - 5 :] = bytes(8)  # as a write that is under way would leave it
    board._memory[48:51] = b"3rd"
    assert board.read() is None


def test_an_outcome_has_room_whatever_it_tells() -> None:
    published = Published()
    assert published.outcome() is None
    errors = [{"file": "x" * 500, "message": "\0" * MOST_CHARACTERS}] * MOST_ERRORS
    published.tell({"errors": errors})
    assert published.outcome() == {"errors": errors}
