"""`ohmpath rules`: an author's mistakes, cases and changes on the command line."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner, Result
from jsonschema import Draft202012Validator
from ruamel.yaml import YAML

from service.commands.main import main
from service.ruleset.build import FILES
from service.ruleset.catalogue import bundled_rules


def run(*arguments: str | Path, colour: bool = False) -> Result:
    return CliRunner().invoke(main, ["rules", *map(str, arguments)], color=colour)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of a bundled rule set with few cases, to be changed."""
    made = tmp_path / "tumble-dryer"
    shutil.copytree(bundled_rules() / "tumble-dryer", made)
    for path in (made / "cases").glob("*.yaml"):
        if path.name != "further.yaml":
            path.unlink()
    return made


def replace(path: Path, old: str, new: str) -> int:
    """Write it changed; the line of the change."""
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return text[: text.index(old)].count("\n") + 1


def test_bundled_rule_sets_are_fine() -> None:
    result = run("check", bundled_rules())
    assert result.exit_code == 0
    assert result.output == "nothing wrong with microwave-oven, tumble-dryer\n"


def test_a_mistake_is_shown_where_it_is(folder: Path) -> None:
    line = replace(folder / "faults.yaml", "remedy: replace-motor\n", "remedy: replace-moter\n")
    result = run("check", folder)
    assert result.exit_code == 1
    first, advice, *_, last = result.output.splitlines()
    assert first.startswith(f"{folder / 'faults.yaml'}:{line}:")
    assert first.endswith("unknown remedy 'replace-moter' [unknown-id]")
    assert advice == "    Did you mean 'replace-motor'?"
    assert last == "1 finding in tumble-dryer"


def test_colours_only_where_they_are_shown(folder: Path) -> None:
    replace(folder / "faults.yaml", "remedy: replace-motor\n", "remedy: x\n")
    assert "\x1b[" in run("check", folder, colour=True).output
    assert "\x1b[" not in run("check", folder).output


def test_mistakes_as_json_and_junit(folder: Path) -> None:
    line = replace(folder / "faults.yaml", "remedy: replace-motor\n", "remedy: x\n")
    result = run("check", folder, "--format", "json")
    assert result.exit_code == 1
    (found,) = json.loads(result.output)["findings"]
    assert (found["line"], found["rule"]) == (line, "unknown-id")
    result = run("check", folder, "--format", "junit")
    assert result.exit_code == 1
    suites = ElementTree.fromstring(result.output)
    assert suites.get("failures") == "1"
    (failure,) = suites.iter("failure")
    assert f"faults.yaml:{line}:" in str(failure.get("message"))
    assert (
        ElementTree.fromstring(run("check", bundled_rules(), "--format", "junit").output).get(
            "failures"
        )
        == "0"
    )


def test_mistakes_in_a_case_file_are_found_too(folder: Path) -> None:
    replace(folder / "cases" / "further.yaml", "    expect:", "    expected:")
    result = run("check", folder)
    assert result.exit_code == 1
    assert "cases/further.yaml" in result.output


def test_own_cases_are_met(folder: Path) -> None:
    result = run("test", folder)
    assert result.exit_code == 0
    assert result.output.startswith("tumble-dryer: ")
    assert result.output.endswith(" cases met\n")


def test_a_case_that_is_not_met_is_named_with_the_reason(folder: Path) -> None:
    path = folder / "cases" / "further.yaml"
    text = path.read_text(encoding="utf-8")
    path.write_text(re.sub("status: [a-z-]+", "status: released", text, count=1), encoding="utf-8")
    result = run("test", folder)
    assert result.exit_code == 1
    assert result.output.startswith("NOT MET ")
    assert ", not released" in result.output
    document = json.loads(run("test", folder, "--format", "json").output)[0]
    assert document["met"] == document["cases"] - 1
    assert document["not_met"][0]["file"].endswith("further.yaml")
    suites = ElementTree.fromstring(run("test", folder, "--format", "junit").output)
    assert (suites.get("failures"), suites.get("tests")) == ("1", str(document["cases"]))


def test_coverage_names_what_no_case_exercises(folder: Path) -> None:
    result = run("test", folder, "--coverage")
    assert result.exit_code == 0
    few = json.loads(run("test", folder, "--coverage", "--format", "json").output)[0]["coverage"]
    assert set(few) == {"rules", "outcomes", "faults"}
    for what, found in few.items():
        done = found["known"] - len(found["missed"])
        assert f"  {what}: {done} of {found['known']} exercised" in result.output
        assert found["missed"]
        assert all(f"never {name}" in result.output for name in found["missed"])


def test_a_rule_set_that_cannot_be_used_is_not_tested(folder: Path) -> None:
    replace(folder / "faults.yaml", "remedy: replace-motor\n", "remedy: x\n")
    for command in ("test", "diff"):
        result = run(command, folder)
        assert result.exit_code == 2
        assert "unknown remedy" in result.stderr
        assert result.stdout == ""


def test_the_same_rule_set_differs_in_nothing(folder: Path) -> None:
    result = run("diff", folder)
    assert result.exit_code == 0
    assert "0 of 125 cases differ" in result.output


def test_a_changed_limit_shows_case_by_case(folder: Path) -> None:
    replace(folder / "checks.yaml", "below: {value: 2, unit: Ohm", "below: {value: 0.02, unit: Ohm")
    result = run("diff", folder)
    assert result.exit_code == 1
    assert " -> " in result.output
    document = json.loads(run("diff", folder, "--format", "json").output)
    assert document["summary"]["changed"] == len(document["cases"]) > 0
    assert document["errors"] == []


def test_a_lost_precaution_is_an_error(folder: Path) -> None:
    old = "precautions: [hot-and-sharp, motor-capacitor-about]"
    replace(folder / "precautions.yaml", old, "precautions: [motor-capacitor-about]")
    result = run("diff", folder)
    assert result.exit_code == 3
    assert result.output.startswith("PRECAUTION LOST: hot-and-sharp (checks: ")
    assert result.output.endswith("1 loss of safety\n")


def test_without_an_installed_rule_set_there_is_nothing_to_compare(folder: Path) -> None:
    path = folder / "rule-set.yaml"
    replace(path, "id: tumble-dryer", "id: spin-dryer")
    replace(path, "equipment: tumble-dryer", "equipment: spin-dryer")
    result = run("diff", folder)
    assert result.exit_code == 2
    assert "no rule set spin-dryer is installed" in result.stderr


@pytest.mark.parametrize(
    ("form", "starts"), [("svg", "<?xml"), ("mermaid", "flowchart TB"), ("dot", "// Rule set")]
)
def test_the_order_of_checks_is_drawn(folder: Path, tmp_path: Path, form: str, starts: str) -> None:
    shown = run("graph", folder, "--symptom", "no-heat", "--format", form)
    assert shown.exit_code == 0
    assert shown.output.startswith(starts)
    out = tmp_path / "out"
    assert run("graph", folder, "--symptom", "no-heat", "--format", form, "-o", out).exit_code == 0
    assert out.read_text(encoding="utf-8") == shown.output


def test_schemas_for_editors_judge_the_bundled_files(tmp_path: Path) -> None:
    result = run("schemas", tmp_path / "schemas")
    assert result.exit_code == 0
    written = [Path(line) for line in result.output.splitlines()]
    assert {path.stem for path in written} == {*FILES, "cases"}
    for path in written:
        schema = json.loads(path.read_text(encoding="utf-8"))
        Draft202012Validator.check_schema(schema)
        if path.stem in FILES:
            file = bundled_rules() / "tumble-dryer" / f"{path.stem}.yaml"
            data = YAML(typ="safe").load(file.read_text(encoding="utf-8"))
            assert list(Draft202012Validator(schema).iter_errors(data)) == []


def test_what_cannot_be_drawn(folder: Path) -> None:
    unknown = run("graph", folder, "--symptom", "no-hat")
    assert unknown.exit_code == 2
    assert "did you mean 'no-heat'?" in unknown.stderr
    several = run("graph", bundled_rules(), "--symptom", "no-heat")
    assert several.exit_code == 2
    assert "one rule set can be drawn" in several.stderr
    replace(folder / "faults.yaml", "remedy: replace-motor\n", "remedy: x\n")
    unusable = run("graph", folder, "--symptom", "no-heat")
    assert unusable.exit_code == 2
    assert "unknown remedy" in unusable.stderr


def test_a_path_without_a_rule_set(tmp_path: Path) -> None:
    for command in ("check", "test", "diff"):
        result = run(command, tmp_path)
        assert result.exit_code == 2
        assert "no rule set here" in result.stderr
        assert run(command, tmp_path / "nothing").exit_code == 2
