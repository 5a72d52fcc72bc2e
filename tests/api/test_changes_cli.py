"""`ohmpath rules` with a file of changes to an installed rule set, as it is sent for a trial."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from service.commands.main import main
from service.ruleset.catalogue import Catalogue, bundled_rules, load_rule_set

DRYER = bundled_rules() / "tumble-dryer"
GOOD = """\
base: tumble-dryer
changes:
  version: 0.1.0+roof.1
  checks:
    # The duct ends on the roof.
    exhaust-airflow: {minutes: 8}
cases:
  - id: air-on-the-roof
    why: What takes long comes later.
    source: Potluck Kitchens
    given: {symptom: no-heat}
    expect: {status: check-next, not_next_check: [exhaust-airflow]}
"""
CHANGED = {
    "added": [],
    "changed": [
        {"pointer": "/version", "installed": "0.1.0", "candidate": "0.1.0+roof.1"},
        {"pointer": "/checks/exhaust-airflow/minutes", "installed": 2, "candidate": 8},
    ],
    "removed": [],
    "nothing_to_remove": [],
}
SAID = """\
    changes /version: "0.1.0" -> "0.1.0+roof.1"
    changes /checks/exhaust-airflow/minutes: 2 -> 8
"""

Sent = Callable[..., Path]


@pytest.fixture(autouse=True)
def loaded_once(monkeypatch: pytest.MonkeyPatch, catalogue: Catalogue) -> None:
    """The bundled rule sets are read once for all commands."""
    real = Catalogue.load
    monkeypatch.setattr(
        Catalogue, "load", lambda extra=None: catalogue if extra is None else real(extra)
    )


@pytest.fixture
def sent(tmp_path: Path) -> Sent:
    """A file with what is sent."""

    def write(text: str, name: str = "roof.yaml") -> Path:
        (tmp_path / name).write_text(text, encoding="utf-8")
        return tmp_path / name

    return write


def run(*arguments: str | Path, **environment: str) -> Result:
    return CliRunner().invoke(main, ["rules", *map(str, arguments)], env=environment)


def test_a_check_says_what_they_change(sent: Sent) -> None:
    path = sent(GOOD)
    result = run("check", path)
    assert (result.exit_code, result.output) == (0, f"nothing wrong with roof.yaml\n{SAID}")
    document = json.loads(run("check", path, "--format", "json").output)
    assert document == {"usable": True, "findings": [], "changes": CHANGED}
    assert "changes" not in json.loads(run("check", DRYER, "--format", "json").output)


def test_a_mistake_is_shown_in_the_file_that_it_is_in(sent: Sent) -> None:
    path = sent(GOOD.replace("exhaust-airflow: {", "exhaust-airflw: {"))
    result = run("check", path)
    assert result.exit_code == 1
    first, advice, last = result.output.splitlines()
    assert first.startswith(f"{path}:6:5: there is no check 'exhaust-airflw', and for a new one: ")
    assert advice.startswith("    Did you mean 'exhaust-airflow'? Or else: Add ")
    assert last == "1 finding in roof.yaml"
    for command in (["test"], ["diff"], ["graph", "--symptom", "no-heat"], ["apply", "--to", "x"]):
        result = run(*command, path)
        assert (result.exit_code, result.stdout) == (2, "")
        assert f"{path}:6:5: " in result.stderr


def test_a_mistake_that_follows_elsewhere_is_shown_there(sent: Sent) -> None:
    """A remedy is taken away that the installed faults name."""
    path = sent("base: tumble-dryer\nchanges: {remedies: {replace-motor: null}}\n")
    result = run("check", path)
    assert result.exit_code == 1
    assert result.output.startswith(f"{DRYER / 'faults.yaml'}:")
    assert "unknown remedy 'replace-motor'" in result.output


@pytest.mark.parametrize(
    ("text", "name", "where", "message"),
    [
        ("base: tumble-drier\nchanges: {}", "a.yaml", ":1:1", "unknown rule set 'tumble-drier'"),
        ("changes: {}\nbase: [1]", "a.yaml", ":2:1", "must be the id of an installed rule set"),
        ("changes: {}", "a.yaml", ":1:1", "is missing"),
        ("base: tumble-dryer\nchanges: 3", "a.yaml", ":2:1", "must be an object (RFC 7396)"),
        ("base: tumble-dryer\nchange: {}", "a.yaml", ":2:1", "unknown key beside base 'change'"),
        ("base: tumble-dryer\ncases: 3", "a.yaml", ":2:1", "must be a list"),
        ("[]", "a.yaml", ":1:1", "must be an object"),
        ("base: [", "a.yaml", ":1:8", ""),
        ("", "a.yaml", ":1:1", "holds nothing"),
        ('{"base": "tumble-dryer",}', "a.JSON", "", "Not JSON at line 1, column 25"),
        ('{"base": "tumble-dryer",\n\t"changes": 3}', "a.json", ":2:2", "must be an object"),
        (
            '{"base": "tumble-dryer",\n "changes": [\n  {"op": "remove", "path": "/rules/x"}]}',
            "a.json",
            ":3:3",
            "this operation cannot be carried out: ",
        ),
        (
            "base: tumble-dryer\ncases:\n  - {case_id: a, equipment: tumble-dryer, symptom: x}",
            "a.yaml",
            ":3:5",
            "a case as a batch has it",
        ),
        (
            "base: tumble-dryer\ncases:\n  - {id: a, symptom: x, expect: {}}",
            "a.yaml",
            ":3:5",
            "`why`, `source`, `given` missing",
        ),
        ("base: tumble-dryer\nchanges: {version: 1.0.0+}", "a.yaml", ":2:11", '"1.0.0+" cannot'),
        ("id: x\n", "a.yaml", "", "there is no section 'checks'"),
    ],
)
def test_what_is_no_set_of_changes(
    sent: Sent, text: str, name: str, where: str, message: str
) -> None:
    path = sent(text, name)
    result = run("check", path)
    assert result.exit_code == 1, result.output
    assert any(
        line.startswith((f"{path}{where}: {message}", f"checks.yaml: {message}"))
        for line in result.output.splitlines()
    ), result.output
    document = json.loads(run("check", path, "--format", "json").output)
    assert document["usable"] is False
    assert all(one["advice"] for one in document["findings"])


def test_own_cases_and_those_of_the_installed_rule_set_are_run(
    sent: Sent, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, small: Path
) -> None:
    whole = json.loads(run("test", small, "--format", "json").output)[0]["cases"]
    path = sent(GOOD)
    document = json.loads(run("test", path, "--rules", small, "--format", "json").output)[0]
    assert (document["cases"], document["met"]) == (whole + 1, whole + 1)
    # The environment says what is installed, as to the service.
    text = GOOD.replace("status: check-next", "status: released")
    result = run("test", sent(text), OHMPATH_RULES=str(small))
    assert result.exit_code == 1
    assert f"NOT MET air-on-the-roof ({path})" in result.output
    assert result.output.endswith(f"tumble-dryer: {whole} of {whole + 1} cases met\n")
    # One of the same id takes the place of the installed one.
    named = GOOD.replace("id: air-on-the-roof", f"id: {first_case(small)}")
    document = json.loads(run("test", sent(named), "--rules", small, "--format", "json").output)[0]
    assert (document["cases"], document["met"]) == (whole, whole)


@pytest.fixture
def small(tmp_path: Path) -> Path:
    """An installed rule set with few cases."""
    made = tmp_path / "installed" / "tumble-dryer"
    shutil.copytree(DRYER, made)
    for path in (made / "cases").glob("*.yaml"):
        if path.name != "further.yaml":
            path.unlink()
    return made


def first_case(folder: Path) -> str:
    text = (folder / "cases" / "further.yaml").read_text(encoding="utf-8")
    return text.split("id: ", 1)[1].split()[0].rstrip(",")


def test_differences_and_what_may_be_mistyped(sent: Sent, small: Path) -> None:
    document = json.loads(run("diff", sent(GOOD), "--format", "json").output)
    assert document["changes"] == CHANGED
    assert document["installed"]["version"] == "0.1.0"
    assert document["summary"]["differences"]["next_check"] > 0
    assert document["summary"]["expectations"]["met"] == document["summary"]["cases"]
    changes = "changes: {rules: {element-on-the-chasis: null}}"
    result = run("diff", sent(f"base: tumble-dryer\n{changes}\n"), "--rules", small)
    said = result.output.splitlines()
    assert said[0] == (
        "note: /rules/element-on-the-chasis is not there anyway; "
        "did you mean 'element-on-the-chassis'?"
    )


def test_a_whole_thing_of_nearly_the_same_name_is_noted(sent: Sent) -> None:
    text = GOOD.replace(
        "  checks:\n",
        "  precautions:\n"
        "    unplug-frist: {signal_word: NOTICE, text: Pull the plug., source: own}\n"
        "  rules:\n    plug:\n      when: {symptom: no-heat}\n"
        "      then: [{require: unplug-frist}]\n"
        "      because: It is so.\n      source: own\n  checks:\n",
    )
    result = run("check", sent(text))
    assert result.exit_code == 0, result.output
    lines = result.output.splitlines()
    assert lines[1:3] == ["    adds /rules/plug", "    adds /precautions/unplug-frist"]
    assert lines[-1] == ("note: /precautions/unplug-frist is new; did you mean 'unplug-first'?")


def test_what_was_tried_is_written_and_can_be_installed(
    sent: Sent, small: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "potluck" / "tumble-dryer"
    result = run("apply", sent(GOOD), "--to", folder, "--rules", small)
    assert (result.exit_code, result.output) == (0, f"{folder}\n{SAID}")
    assert run("check", folder).output == "nothing wrong with tumble-dryer\n"
    assert run("test", folder.parent).exit_code == 0
    assert (folder / "cases" / "roof.yaml").is_file()
    assert (folder / "translations" / "de.po").is_file()
    rule_set = load_rule_set(folder)
    assert rule_set.version == "0.1.0+roof.1"
    assert Catalogue.load(folder).get("tumble-dryer").content_hash == rule_set.content_hash
    was = (DRYER / "checks.yaml").read_text(encoding="utf-8").splitlines()
    now = (folder / "checks.yaml").read_text(encoding="utf-8").splitlines()
    assert [line for line in now if line not in was] == ["    minutes: 8"]
    assert len(was) == len(now)
    # Once more, onto what is there.
    again = run("apply", sent(GOOD), "--to", folder)
    assert (again.exit_code, again.stdout) == (2, "")
    assert "not empty" in again.stderr


def test_without_a_version_of_its_own_that_is_said(sent: Sent, small: Path, tmp_path: Path) -> None:
    text = (
        "base: tumble-dryer\nchanges: [{op: replace, path: /checks/motor-sound/minutes, value: 3}]"
    )
    result = run("apply", sent(text), "--to", tmp_path / "new", "--rules", small)
    assert result.exit_code == 0
    assert "the version is still that of the installed one" in result.stderr
    assert not (tmp_path / "new" / "cases" / "roof.yaml").exists()


def test_what_does_not_meet_its_cases_is_not_written(
    sent: Sent, small: Path, tmp_path: Path
) -> None:
    text = GOOD.replace("status: check-next", "status: released")
    result = run("apply", sent(text), "--to", tmp_path / "new", "--rules", small)
    assert result.exit_code == 1
    assert "NOT MET air-on-the-roof" in result.output
    assert "Nothing was written" in result.stderr
    assert not (tmp_path / "new").exists()


def test_what_changes_nothing_that_is_installed_is_not_applied(
    sent: Sent, tmp_path: Path, small: Path
) -> None:
    names = ("rule-set", "symptoms", "faults", "checks", "rules", "precautions")
    whole = "\n".join((DRYER / f"{name}.yaml").read_text(encoding="utf-8") for name in names)
    path = sent(whole)
    assert run("check", path).output == "nothing wrong with roof.yaml\n"
    result = run("apply", path, "--to", tmp_path / "new")
    assert result.exit_code == 2
    assert "has no `base`" in result.stderr
    assert run("apply", DRYER, "--to", tmp_path / "new").exit_code == 2
    assert run("apply", tmp_path / "none.yaml", "--to", tmp_path / "new").exit_code == 2
    translated = run("translate", path, "fr")
    assert translated.exit_code == 2
    assert "no rule set here" in translated.stderr


def test_what_they_come_to_is_drawn(sent: Sent, catalogue: Any) -> None:
    drawn = run("graph", sent(GOOD), "--symptom", "no-heat", "--format", "mermaid")
    assert drawn.exit_code == 0
    assert "0.1.0+roof.1" in drawn.output
