"""A changed rule set as a folder: it reads as it was tried, and what is not changed stays."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings

from service.problems import Problem
from service.ruleset.build import read_folder
from service.ruleset.catalogue import Catalogue, Source, load_source
from service.ruleset.own_cases import read_cases
from service.ruleset.shape import shape_issues
from service.ruleset.source import Document, RuleSetError
from service.trials.applied import CannotWrite, with_cases, write
from service.trials.overlay import overlay
from tests.ruleset.rigged import RIG, documents, rigged
from tests.trials.generated import json_patches, merge_patches, whole_of

SOURCE = Source(rigged(), RIG, documents())
WHOLE = whole_of(SOURCE.documents)


def changed(patch: Any, source: Source = SOURCE) -> dict[str, Document]:
    return overlay(source.documents, patch, {})


def case(name: str, **more: Any) -> dict[str, Any]:
    given = {"symptom": "dead", "readings": []}
    return {"id": name, "why": "So.", "source": "own", "given": given, "expect": {}, **more}


def files(folder: Path) -> dict[str, bytes]:
    found = (path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): path.read_bytes() for path in found}


def lines(raw: bytes) -> set[str]:
    return set(raw.decode().splitlines())


def test_without_changes_the_folder_is_a_copy(tmp_path: Path) -> None:
    write(SOURCE, SOURCE.documents, (), tmp_path / "rig")
    assert files(tmp_path / "rig") == files(RIG)
    assert [path.name for path in tmp_path.iterdir()] == ["rig"]


@pytest.mark.parametrize("name", ["tumble-dryer", "microwave-oven"])
def test_of_a_real_rule_set_only_the_lines_that_are_changed_are_others(
    catalogue: Catalogue, tmp_path: Path, name: str
) -> None:
    source = catalogue.source(name)
    check, rule = (
        source.documents["checks"].data["checks"][3],
        source.documents["rules"].data["rules"][2],
    )
    patch = {
        "version": "0.1.0+kitchen.1",
        "checks": {check["id"]: {"minutes": 77}},
        "rules": {rule["id"]: {"because": "It is 'so': # really."}},
    }
    folder = tmp_path / "a" / "b"
    write(source, changed(patch, source), (), folder)
    assert load_source(folder).rule_set.version == "0.1.0+kitchen.1"
    was, now = files(source.folder), files(folder)
    assert was.keys() == now.keys()
    others = {file for file in was if was[file] != now[file]}
    assert others == {"rule-set.yaml", "checks.yaml", "rules.yaml"}
    for file in others:
        assert len(lines(now[file]) - lines(was[file])) == 1
        assert len(was[file].splitlines()) == len(now[file].splitlines())


def test_comments_beside_what_stays_are_kept(tmp_path: Path) -> None:
    folder = tmp_path / "rig"
    shutil.copytree(RIG, folder)
    text = (folder / "rules.yaml").read_text(encoding="utf-8")
    text = "# head\n" + text.replace(
        "  - id: overvoltage\n", "  # before\n  - id: overvoltage  # at\n"
    )
    (folder / "rules.yaml").write_text(text, encoding="utf-8")
    source = Source(SOURCE.rule_set, folder, read_folder(folder))
    patch = {
        "rules": {"fed-directly": None, "new": {"because": "x"}, "lamp-dark": {"source": "own"}}
    }
    # What is not whole is refused as it would be anywhere.
    with pytest.raises(RuleSetError, match="`when`"):
        write(source, changed(patch, source), (), tmp_path / "b")
    del patch["rules"]["new"]
    write(source, changed(patch, source), (), tmp_path / "b")
    found = (tmp_path / "b" / "rules.yaml").read_text(encoding="utf-8")
    for comment in ("# head", "# before", "# at"):
        assert comment in found
    assert "fed-directly" not in found


def test_moved_things_are_written_in_their_new_order(tmp_path: Path) -> None:
    patch = [
        {"op": "move", "from": "/rules/lamp-dark", "path": "/x"},
        {"op": "move", "from": "/x", "path": "/rules/lamp-dark"},
        {"op": "remove", "path": "/rules/overvoltage"},
    ]
    write(SOURCE, changed(patch), (), tmp_path / "rig")
    rules = read_folder(tmp_path / "rig")["rules"].data["rules"]
    assert [one["id"] for one in rules] == ["dead-inside", "fed-directly", "lamp-dark"]


def test_cases_come_along_and_replace_their_namesakes(tmp_path: Path) -> None:
    folder = tmp_path / "rig"
    shutil.copytree(RIG, folder)
    (folder / "cases").mkdir()
    one = "cases:\n  # first\n" + "".join(
        f"  - {{id: {name}, why: So., source: own, given: {{symptom: dead}}, "
        "expect: {status: check-next}}\n"
        for name in ("a", "b")
    )
    for name in ("one", "mine"):
        text = one if name == "one" else one.replace("id: a", "id: c").replace("id: b", "id: d")
        (folder / "cases" / f"{name}.yaml").write_text(text, encoding="utf-8")
    source = Source(SOURCE.rule_set, folder, read_folder(folder))
    expect = {"status": "fault-found"}
    own = Document(
        "/somewhere/mine.yaml", {"cases": [case("b", expect=expect), case("e", expect=expect)]}, {}
    )
    assert [c["id"] for d in with_cases(source, (own,)) for c in d.data["cases"]] == list("cdabe")
    write(source, source.documents, (own,), tmp_path / "to")
    found = {
        Path(d.file).name: [c["id"] for c in d.data["cases"]] for d in read_cases(tmp_path / "to")
    }
    assert found == {"mine.yaml": ["c", "d"], "mine-2.yaml": ["b", "e"], "one.yaml": ["a"]}
    assert "# first" in (tmp_path / "to" / "cases" / "one.yaml").read_text(encoding="utf-8")
    all_ = Document("x.yaml", {"cases": [case("a", expect=expect), case("b", expect=expect)]}, {})
    write(source, source.documents, (all_,), tmp_path / "again")
    assert {path.name for path in (tmp_path / "again" / "cases").iterdir()} == {
        "mine.yaml",
        "x.yaml",
    }


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    folder = tmp_path / "rig"
    folder.mkdir()
    write(SOURCE, SOURCE.documents, (), folder)  # an empty one will do
    before = files(folder)
    with pytest.raises(CannotWrite, match="not empty"):
        write(SOURCE, changed({"version": "9.9.9"}), (), folder)
    assert files(folder) == before
    with pytest.raises(CannotWrite, match="not empty"):
        write(SOURCE, SOURCE.documents, (), folder / "rules.yaml")
    with pytest.raises(CannotWrite, match="cannot be written"):
        write(SOURCE, SOURCE.documents, (), folder / "rules.yaml" / "x")


def test_what_only_json_can_hold_is_refused_and_leaves_nothing(tmp_path: Path) -> None:
    odd = Document("x.json", {"cases": [case("a", why="So\x00.")]}, {})
    with pytest.raises(RuleSetError, match=r"to/cases/x\.yaml"):
        write(SOURCE, SOURCE.documents, (odd,), tmp_path / "to")
    for value in (1e16, "\x00"):
        documents = changed({"checks": {"lamp": {"minutes": value, "why": f"So: {value}"}}})
        with pytest.raises(RuleSetError, match=r"to/checks\.yaml"):
            write(SOURCE, documents, (), tmp_path / "to")
    assert list(tmp_path.iterdir()) == []


def test_hidden_files_stay_where_they_are(tmp_path: Path) -> None:
    """A mounted ConfigMap is made of links into a hidden folder."""
    mounted = tmp_path / "mounted"
    shutil.copytree(RIG, mounted / "..data")
    for path in (mounted / "..data").iterdir():
        (mounted / path.name).symlink_to(Path("..data") / path.name)
    source = Source(SOURCE.rule_set, mounted, SOURCE.documents)
    write(source, changed({"version": "0.1.0+b"}), (), tmp_path / "to")
    assert files(tmp_path / "to").keys() == files(RIG).keys()
    assert not any(path.is_symlink() for path in (tmp_path / "to").rglob("*"))


@pytest.mark.parametrize("patches", [merge_patches(WHOLE), json_patches(WHOLE)])
def test_whatever_is_of_the_right_shape_is_written(tmp_path: Path, patches: Any) -> None:
    @settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
    @given(patches)
    def try_one(patch: Any) -> None:
        try:
            documents = changed(patch)
        except Problem:
            return
        shaped = not any(shape_issues(one, name) for name, one in documents.items())
        found: set[str] = set()
        try:
            write(SOURCE, documents, (), tmp_path / "to")
            shutil.rmtree(tmp_path / "to")
        except RuleSetError as error:
            found = {one.rule for one in error.issues}
        if shaped:
            assert found <= {"yaml-number", "yaml-character"}
        else:
            assert found

    try_one()
