"""What `ohmpath rules` finds out about a folder of rule sets, on the author's own machine."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from service.candidates import changed, judge
from service.diagnosis.assessment import Reasoner
from service.graph.follow import follow
from service.graph.tree import Tree
from service.problems import Problem, sentence
from service.ruleset.catalogue import Catalogue, Source, load_source, one_id_twice, rule_set_folders
from service.ruleset.near import unknown
from service.ruleset.own_cases import read_cases
from service.ruleset.shape import shape_issues
from service.ruleset.source import Document, Issue, RuleSetError, parse_document
from service.texts import Lack, Shown, lacks, path_of, updated
from service.trials.applied import with_cases, write
from service.trials.changes import changes
from service.trials.coverage import coverage
from service.trials.expectations import is_own_case
from service.trials.report import trial, try_cases
from service.trials.sections import CASES
from service.trials.submission import Part, Submission, read_candidate, rule_set_of


class NothingThere(Exception):  # noqa: N818 - what it is
    """A path that holds no rule set, or not the one that is needed."""


@dataclass(frozen=True, slots=True)
class Checked:
    """A rule set and its case files, or what is wrong with them.

    path: its folder, or the file that it is in or that changes an installed one, `base`.
    own_cases: those of `cases` that are in the file. changes: what it changes, as a trial says.
    """

    path: Path
    source: Source | None
    cases: tuple[Document, ...]
    issues: tuple[Issue, ...]
    base: Source | None = None
    own_cases: tuple[Document, ...] = ()
    changes: Mapping[str, Any] | None = None


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


def check(path: Path, installed: Catalogue | None = None) -> list[Checked]:
    """What is wrong with each rule set at a path: a folder of one, or of several, or a file.

    installed: the rule sets that a file may change; needed only for one.

    Raises:
        NothingThere: if there is none.
    """
    if installed is not None and path.is_file():
        return [_checked_file(path, installed)]
    folders = rule_set_folders(path)
    if not folders:
        raise NothingThere(f"{path}: no rule set here (a folder with a rule-set.yaml)")
    checked = [_checked(folder) for folder in folders]
    taken = one_id_twice(one.source for one in checked if one.source is not None)
    return [
        replace(one, issues=(*one.issues, *_seen_from_here(_of(taken, one.path), one.path)))
        for one in checked
    ]


def _of(issues: Iterable[Issue], folder: Path) -> list[Issue]:
    return [one for one in issues if one.file.split("/")[0] == folder.name]


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
    return Checked(folder, source, cases, _seen_from_here(issues, folder))


def _seen_from_here(issues: Iterable[Issue], folder: Path) -> tuple[Issue, ...]:
    """Where a file is, as seen from where the author is: editors and terminals follow that."""
    return tuple(replace(one, file=str(folder.parent / one.file)) for one in sorted(issues))


def _checked_file(path: Path, installed: Catalogue) -> Checked:
    """A file as it may be sent for a trial: changes to an installed rule set, or a whole one."""
    try:
        part = Part(
            str(path), path.read_bytes(), "json" if path.suffix.lower() == ".json" else "yaml"
        )
    except OSError as error:
        raise NothingThere(f"{path}: cannot be read: {error.strerror}") from None
    try:
        candidate = read_candidate(Submission((part,)), installed, located=True)
        own = candidate.case_documents
        wrong = [issue for one in own for issue in _as_in_a_batch(one)]
        wrong = wrong or [issue for one in own for issue in shape_issues(one, CASES)]
        if wrong:
            raise RuleSetError(wrong)
    except Problem as problem:
        return Checked(path, None, (), tuple(_issues(part, problem)))
    except RuleSetError as error:
        return Checked(path, None, (), error.issues)
    base = None if candidate.base is None else installed.source(candidate.base)
    try:
        rule_set = rule_set_of(candidate)
        cases = own if base is None else with_cases(base, own)
    except RuleSetError as error:
        sent = [one for one in error.issues if one.file == part.name]
        rest = [one for one in error.issues if one.file != part.name]
        there = _seen_from_here(rest, path if base is None else base.folder)
        return Checked(path, None, (), (*sent, *there), base)
    source = Source(rule_set, path if base is None else base.folder, candidate.documents)
    return Checked(path, source, cases, (), base, own, changed(candidate, base))


def _as_in_a_batch(cases: Document) -> Iterator[Issue]:
    """The cases that a trial takes and a folder of a rule set does not."""
    for number, case in enumerate(cases.data[CASES]):
        if isinstance(case, dict) and "symptom" in case and not is_own_case(case):
            yield cases.issue(
                (CASES, number),
                "a case as a batch has it",
                rule="changes",
                advice="Write it as a rule set's own: `id`, `why`, `source`, `given`, `expect`; "
                "`POST /v1/trials` takes it either way.",
                about="",
            )


def _issues(part: Part, problem: Problem) -> Iterator[Issue]:
    """What is wrong with a file of changes as a request, with its place."""
    if not problem.errors:
        yield Issue(part.name, 0, 0, problem.detail.rstrip("."), "changes", "", "Mend it there.")
        return
    try:
        sent = parse_document(part.raw, part.name)
    except RuleSetError:  # JSON that is not YAML: there are tabs
        sent = Document(part.name, None, {})
    for at, message in problem.errors:
        found, _, advice = message.partition("; ")
        path = tuple(int(one) if one.isdigit() else one for one in at.split("/")[1:])
        advice = sentence(advice or "mend it here")
        yield sent.issue(path, found, rule="changes", advice=advice, about="")


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
        names = ", ".join(one.path.name for one in checked)
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
    installed = checked.base or catalogue.counterpart(rule_set)
    if installed is None:
        raise NothingThere(f"no rule set {rule_set.id} is installed, nor one for its equipment")
    cases = {case["id"]: case for one in read_cases(installed.folder) for case in one.data["cases"]}
    cases |= {case["id"]: case for one in checked.cases for case in one.data["cases"]}
    return trial(
        cases.values(),
        judge(rule_set),
        judge(installed.rule_set),
        changes=checked.changes or changes(installed.documents, checked.source.documents),
        changed_only=True,
    )


def apply(checked: Checked, folder: Path) -> None:
    """Write the rule set that a file of changes makes to a folder, where it can be installed.

    Raises:
        NothingThere: if the file changes no installed rule set.
        CannotWrite, RuleSetError: as `service.trials.applied.write`.
    """
    assert checked.source is not None
    if checked.base is None:
        raise NothingThere(f"{checked.path}: has no `base`, so there is nothing that it changes")
    write(checked.base, checked.source.documents, checked.own_cases, folder)


def translated(checked: Sequence[Checked], language: str) -> list[tuple[Path, bytes]]:
    """The catalogue of each rule set, brought up to date: where it belongs, and its bytes.

    In a language that the service record does not speak by itself, with the words of its form.

    Raises:
        CatalogueError: if one that is there cannot be read, or the language is none.
    """
    more = _words(language)
    return [
        (path_of(one.path, language), updated(one.source.rule_set, one.path, language, more))
        for one in checked
        if one.source is not None
    ]


def lacking(checked: Sequence[Checked], language: str) -> list[tuple[Path, Lack]]:
    """What the catalogues of these rule sets lack, with the file that it is lacking in.

    Raises:
        CatalogueError: if one is not there or cannot be read, or the language is none.
    """
    more = _words(language)
    return [
        (path_of(one.path, language), lack)
        for one in checked
        if one.source is not None
        for lack in lacks(one.source.rule_set, one.path, language, more)
    ]


def _words(language: str) -> tuple[Shown, ...]:
    """The words of the service record's form, if there is no catalogue of them in a language."""
    from service.record.written import has_words, words  # numbers of all languages: 0.1 s

    return () if has_words(language) else words()
