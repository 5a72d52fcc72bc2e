"""What `ohmpath rules` finds out about a folder of rule sets, on the author's own machine."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from service.candidates import judge
from service.diagnosis.assessment import Reasoner
from service.graph.follow import follow
from service.graph.tree import Tree
from service.ruleset.catalogue import Catalogue, Source, load_source, rule_set_folders
from service.ruleset.near import unknown
from service.ruleset.own_cases import read_cases
from service.ruleset.source import Document, Issue, RuleSetError
from service.texts import Lack, lacks, path_of, updated
from service.trials.coverage import coverage
from service.trials.report import trial, try_cases


class NothingThere(Exception):  # noqa: N818 - what it is
    """A path that holds no rule set, or not the one that is needed."""


@dataclass(frozen=True, slots=True)
class Checked:
    """A rule set folder: its rule set and case files, or what is wrong with them."""

    folder: Path
    source: Source | None
    cases: tuple[Document, ...]
    issues: tuple[Issue, ...]


@dataclass(frozen=True, slots=True)
class CaseResult:
    """One own case, the file that it is in, and what it expected and did not get."""

    file: str
    case_id: str
    unmet: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Tested:
    """The own cases of a rule set, and what of the rule set they leave out."""

    rule_set: str
    results: tuple[CaseResult, ...]
    coverage: dict[str, Any]

    @property
    def failed(self) -> tuple[CaseResult, ...]:
        """The cases that did not get what they expect."""
        return tuple(one for one in self.results if one.unmet)


def check(path: Path) -> list[Checked]:
    """What is wrong with each rule set at a path: a folder of one, or of several.

    Raises:
        NothingThere: if there is none.
    """
    folders = rule_set_folders(path)
    if not folders:
        raise NothingThere(f"{path}: no rule set here (a folder with a rule-set.yaml)")
    return [_checked(folder) for folder in folders]


def _checked(folder: Path) -> Checked:
    issues: list[Issue] = []
    source: Source | None = None
    cases: tuple[Document, ...] = ()
    try:
        source = load_source(folder)
    except RuleSetError as error:
        issues += error.issues
    try:
        cases = read_cases(folder)
    except RuleSetError as error:
        issues += error.issues
    # Where the file is, as seen from where the author is: editors and terminals follow that.
    found = tuple(replace(one, file=str(folder.parent / one.file)) for one in sorted(issues))
    return Checked(folder, source, cases, found)


def run_cases(checked: Checked) -> Tested:
    """The own cases of a rule set in which nothing is wrong."""
    assert checked.source is not None
    judged = judge(checked.source.rule_set)
    results: list[CaseResult] = []
    assessments: list[dict[str, Any]] = []
    for document in checked.cases:
        for one in try_cases(document.data["cases"], judged, None):
            results.append(CaseResult(document.file, one.case_id or "", one.lacking))
            if "assessment" in one.candidate:
                assessments.append(one.candidate["assessment"])
    return Tested(
        checked.source.rule_set.id,
        tuple(results),
        coverage(checked.source.rule_set, assessments),
    )


def drawn(checked: Sequence[Checked], symptom: str, least_probability: float) -> Tree:
    """The order of checks for a complaint, by the one rule set at a path.

    Raises:
        NothingThere: if there are several rule sets, or no such complaint.
    """
    if len(checked) != 1 or checked[0].source is None:
        names = ", ".join(one.folder.name for one in checked)
        raise NothingThere(f"one rule set can be drawn, not {names}")
    rule_set = checked[0].source.rule_set
    if symptom not in rule_set.symptoms:
        raise NothingThere(unknown("symptom", symptom, rule_set.symptoms))
    return follow(Reasoner(rule_set), symptom, least_probability)


def compare(checked: Checked, catalogue: Catalogue) -> dict[str, Any]:
    """What a rule set changes, on its own cases and those of the installed one: as a trial says it.

    Raises:
        NothingThere: if no rule set is installed that it could be held against.
    """
    assert checked.source is not None
    rule_set = checked.source.rule_set
    installed = catalogue.counterpart(rule_set)
    if installed is None:
        raise NothingThere(f"no rule set {rule_set.id} is installed, nor one for its equipment")
    cases = {case["id"]: case for one in read_cases(installed.folder) for case in one.data["cases"]}
    cases |= {case["id"]: case for one in checked.cases for case in one.data["cases"]}
    return trial(cases.values(), judge(rule_set), judge(installed.rule_set), changed_only=True)


def translated(checked: Sequence[Checked], language: str) -> list[tuple[Path, bytes]]:
    """The catalogue of each rule set, brought up to date: where it belongs, and its bytes.

    Raises:
        CatalogueError: if one that is there cannot be read, or the language is none.
    """
    return [
        (path_of(one.folder, language), updated(one.source.rule_set, one.folder, language))
        for one in checked
        if one.source is not None
    ]


def lacking(checked: Sequence[Checked], language: str) -> list[tuple[Path, Lack]]:
    """What the catalogues of these rule sets lack, with the file that it is lacking in.

    Raises:
        CatalogueError: if one is not there or cannot be read, or the language is none.
    """
    return [
        (path_of(one.folder, language), lack)
        for one in checked
        if one.source is not None
        for lack in lacks(one.source.rule_set, one.folder, language)
    ]
