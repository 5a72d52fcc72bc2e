"""Each code of lint: how an author gets it wrong and is told so with its place, and how not.

The examples are in `lint_examples.py`; those of files and YAML in `test_yaml.py`.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import service.ruleset
from service.ruleset import codes
from service.ruleset.lint import LINTS
from tests.ruleset.lint_examples import EXAMPLES, Example
from tests.ruleset.rigged import issues

RULESET = Path(service.ruleset.__file__).parent
SOURCES = [
    *sorted(RULESET.rglob("*.py")),
    RULESET.parent / "running" / "acceptance.py",
    RULESET.parent / "commands" / "authoring.py",
]


def test_the_rig_itself_has_nothing_wrong() -> None:
    assert issues(()) == []


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda one: f"{one.code}:{one.says}")
def test_what_is_wrong_is_found_and_nothing_else(example: Example) -> None:
    found = issues(example.wrong)
    assert {one.rule for one in found} == {example.code}, "\n".join(map(str, found))
    for one in found:
        assert one.file.startswith("rig/")
        assert one.line > 0
        assert one.column > 0
        assert one.message
        assert one.advice[-1] in ".?"
    changed = {f"rig/{edit.file}.yaml" for edit in example.wrong}
    assert changed & {one.file for one in found} or example.code in ELSEWHERE
    assert any(example.says in one.message for one in found), "\n".join(map(str, found))


# Where what is wrong shows in a file that was not changed.
ELSEWHERE = {
    "danger-not-marked",
    "live-on-high-voltage",
    "limit-follows",
    "cannot-deduce",
    "never-admitted",
    "not-discharged",
}


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda one: f"{one.code}:{one.says}")
def test_what_is_right_is_let_pass(example: Example) -> None:
    assert issues(example.right) == []


def test_every_code_has_an_example() -> None:
    have = {example.code for example in EXAMPLES}
    assert have == codes.CODES.keys() - codes.FILES.keys()


def test_every_code_is_one_of_the_list() -> None:
    """Whatever stands where a code is expected is in `codes.py`, and what is there is in use."""
    used: set[str] = set(LINTS)
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            given = {word.arg: word.value for word in node.keywords}
            place = {
                "fail": 2,
                "note": 1,
                "refuse": 1,
                "Flaw": 2,
                "Issue": 4,
                "ConditionError": 1,
            }.get(name)
            code = given.get("rule") if name == "issue" else None
            if place is not None and len(node.args) > place:
                code = node.args[place]
            if isinstance(code, ast.Constant):
                used.add(str(code.value))
    assert used - {"yaml-syntax"} == codes.CODES.keys() - {"yaml-syntax"}


def test_what_codes_mean_is_one_line() -> None:
    for code, means in codes.CODES.items():
        assert code == code.lower()
        assert " " not in code
        assert means.endswith(".")
        assert "\n" not in means
        assert len(means) < 90
