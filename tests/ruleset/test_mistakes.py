"""An author's mistakes: each is refused, with file and line, and the rest is still looked at."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from service.ruleset.build import build, read_folder
from service.ruleset.catalogue import Catalogue, bundled_rules, load_rule_set
from service.ruleset.codes import CODES
from service.ruleset.lint import lint
from service.ruleset.shape import shape_issues
from service.ruleset.source import Document, Issue, RuleSetError, parse_document

# (file, text to replace, its replacement, what the message says)
MISTAKES = {
    "duplicate key": ("rule-set", "version: 0.1.0", "version: 0.1.0\nversion: 0.2.0", "duplicate"),
    "alias": ("rule-set", "always: [local-codes]", "always: *a", "aliases are"),
    "tag": ("rule-set", "version: 0.1.0", "version: !!python/none ''", "tags are"),
    "not YAML": ("rules", "rules:\n", "rules: [\n", "rules.yaml:"),
    "unknown key": ("faults", "rate: 6\n", "rate: 6\n    colour: red\n", "colour"),
    "unknown remedy": ("faults", "remedy: restore-supply\n", "remedy: pray\n", "'pray'"),
    "unknown symptom": ("faults", "{no-operation: 0.95, ", "{no-hope: 0.95, ", "'no-hope'"),
    "row sum": ("checks", "{lit: 0.98, dark: 0.02}", "{lit: 0.98, dark: 0.03}", "1.01, not 1"),
    "row zero": ("checks", "{lit: 0.98, dark: 0.02}", "{lit: 1.0, dark: 0.0}", "above 0"),
    "row outcome": ("checks", "{lit: 0.98, dark: 0.02}", "{lit: 0.98, dim: 0.02}", "'dim'"),
    "hole between outcomes": (
        "checks",
        "- {id: closed, below: {value: 5, unit: Ohm, source: estimate}}",
        "- {id: closed}",
        "leaves a hole",
    ),
    "limit of another dimension": (
        "checks",
        "{id: closed, below: {value: 5, unit: Ohm,",
        "{id: closed, below: {value: 5, unit: V,",
        "resistance",
    ),
    "limits out of order": (
        "checks",
        "{id: high, below: {value: 10, unit: kOhm, source: estimate}}",
        "{id: high, below: {value: 1, unit: Ohm, source: estimate}}",
        "not above",
    ),
    "unknown state": ("rules", "{state: fuse-blown}", "{state: fuse-burst}", "'fuse-burst'"),
    "unknown outcome in a rule": (
        "rules",
        "{finding: main-fuse-resistance, outcome: open}",
        "{finding: main-fuse-resistance, outcome: gone}",
        "'gone'",
    ),
    "unlisted fault excluded": (
        "rules",
        "- {exclude: [transformer-primary-open,",
        "- {exclude: [unlisted-fault, transformer-primary-open,",
        "cannot be excluded",
    ),
    "negation in a circle": (
        "rules",
        "  - id: short-suspected\n    when: {any: [{state: fuse-blown}, "
        "{symptom: [blows-fuse, trips-breaker]}, {finding: main-fuse-resistance, possible: open}]}",
        "  - id: short-suspected\n    when: {all: [{symptom: blows-fuse}, "
        "{not: {state: short-suspected}}]}",
        "short-suspected",
    ),
    "live check on high-voltage parts": (
        "checks",
        "why: It must conduct one way;",
        "live: true\n    instrument_category: CAT IV\n    why_live: haste\n"
        "    why: It must conduct one way;",
        "may not exist",
    ),
    "run that leaves its confirmations standing": (
        "precautions",
        "    void_when_energised: true\n",
        "",
        "void_when_energised",
    ),
    "live check that nothing isolates": (
        "precautions",
        "requires: [supply-disconnected, capacitor-discharged, transformer-isolated]",
        "requires: [supply-disconnected, capacitor-discharged]",
        "nothing isolates",
    ),
    "live check without a reason": (
        "checks",
        "why_live: No dead test shows whether an outlet is supplied.\n",
        "precautions: []\n",
        "why_live",
    ),
    "high-voltage access without discharge": (
        "precautions",
        "title: On the high-voltage parts, disconnected and discharged\n"
        "    requires: [supply-disconnected, capacitor-discharged]",
        "title: On the high-voltage parts\n    requires: [supply-disconnected]",
        "capacitor-discharged",
    ),
    "unknown figure": ("precautions", "Wait at least {wait};", "Wait {long};", "{long}"),
    "effect that names no cause": ("faults", "    verdict_needs:\n"
        "      - [high-voltage-fuse-resistance]\n      - [capacitor-resistance]\n"
        "      - [diode-reverse, diode-forward, diode-with-battery]\n"
        "      - [magnetron-to-case]\n",
        "", "verdict_needs"),
    "fault that nothing confirms": (
        "checks",
        "{for: [protective-earth-open], p: {closed: 0.02, high: 0.18, open: 0.8},",
        "{for: [protective-earth-open], p: {closed: 0.99, high: 0.006, open: 0.004},",
        "no check can confirm",
    ),
}  # fmt: skip


# Where the mistake shows in another file than the one that was changed.
SHOWN_ELSEWHERE = {
    "live check without a mark of its own": "checks",
    "fault that nothing confirms": "faults",
}


@pytest.fixture(scope="module")
def documents() -> dict[str, Document]:
    return read_folder(bundled_rules() / "microwave-oven")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    out = tmp_path / "microwave-oven"
    shutil.copytree(bundled_rules() / "microwave-oven", out)
    return out


def changed(name: str) -> tuple[str, Document]:
    """The file of the oven's rule set that a mistake is in, with the mistake."""
    file, old, new, _ = MISTAKES[name]
    text = (bundled_rules() / "microwave-oven" / f"{file}.yaml").read_text(encoding="utf-8")
    assert old in text, "the example no longer fits the rule set"
    text = text.replace(old, new, 1)
    return file, parse_document(text.encode(), f"microwave-oven/{file}.yaml")


def issues(documents: dict[str, Document]) -> list[Issue]:
    shape = [one for name, each in documents.items() for one in shape_issues(each, name)]
    if shape:
        return shape
    try:
        return lint(build(documents), documents)
    except RuleSetError as error:
        return list(error.issues)


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_refused_with_its_place(name: str, documents: dict[str, Document]) -> None:
    try:
        file, document = changed(name)
        found = issues({**documents, file: document})
    except RuleSetError as error:
        found = list(error.issues)
    shown = SHOWN_ELSEWHERE.get(name, MISTAKES[name][0])
    says = [one for one in found if MISTAKES[name][3] in str(one)]
    assert says, "\n".join(map(str, found))
    assert {one.file for one in says} == {f"microwave-oven/{shown}.yaml"}
    for one in found:
        assert one.line > 0
        assert one.column > 0
        assert one.rule in CODES
        assert one.advice


def test_all_mistakes_are_reported_at_once(documents: dict[str, Document]) -> None:
    wrong = dict(
        changed(name) for name in ("unknown remedy", "row sum", "unknown outcome in a rule")
    )
    files = {issue.file for issue in issues({**documents, **wrong})}
    assert {"microwave-oven/faults.yaml", "microwave-oven/checks.yaml"} <= files
    assert "microwave-oven/rules.yaml" in files


def test_the_line_is_the_one_of_the_mistake() -> None:
    document = parse_document(b"a:\n  - id: x\n  - id: y\n    b: 1\n", "t.yaml")
    assert document.line(("a", 1, "b")) == 4
    assert document.line(("a", 1)) == 3
    assert document.line(("a", 1, "unknown", 5)) == 3


def test_layout_does_not_change_the_content_hash(folder: Path) -> None:
    before = load_rule_set(folder).content_hash
    path = folder / "symptoms.yaml"
    path.write_text("# a comment\n\n" + path.read_text(encoding="utf-8"), encoding="utf-8")
    assert load_rule_set(folder).content_hash == before
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("Nothing works at all", "Nothing works"), encoding="utf-8")
    assert load_rule_set(folder).content_hash != before


def test_extra_rule_sets_replace_bundled_ones_by_id(folder: Path) -> None:
    path = folder / "rule-set.yaml"
    path.write_text(
        path.read_text(encoding="utf-8").replace("version: 0.1.0", "version: 9.9.9"),
        encoding="utf-8",
    )
    catalogue = Catalogue.load(folder.parent)
    assert catalogue.get("microwave-oven").version == "9.9.9"
    assert Catalogue.load(folder).get("microwave-oven").version == "9.9.9"
    assert Catalogue.load().get("microwave-oven").version == "0.1.0"


def test_extra_rule_sets_for_other_equipment_are_added(folder: Path) -> None:
    path = folder / "rule-set.yaml"
    text = path.read_text(encoding="utf-8")
    text = text.replace("id: microwave-oven\nequipment: microwave-oven", "id: rig\nequipment: rig")
    path.write_text(text, encoding="utf-8")
    catalogue = Catalogue.load(folder.parent)
    assert {"microwave-oven", "rig"} <= set(catalogue.ids())
    assert catalogue.for_equipment("rig") is not None


def test_two_rule_sets_for_one_equipment_are_refused(folder: Path) -> None:
    path = folder / "rule-set.yaml"
    text = path.read_text(encoding="utf-8").replace("id: microwave-oven\n", "id: rig\n", 1)
    path.write_text(text, encoding="utf-8")
    with pytest.raises(RuleSetError, match="both for microwave-oven"):
        Catalogue.load(folder.parent)


def test_an_empty_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RuleSetError, match="no rule set"):
        Catalogue.load(tmp_path)
