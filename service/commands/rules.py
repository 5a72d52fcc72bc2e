"""`ohmpath rules`: a rule author's work on the command line."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, BinaryIO, TypeVar

import click

from service.commands import authoring
from service.commands.written_junit import Case, Suite, as_junit
from service.documents import dump_indented
from service.graph.dot import as_dot
from service.graph.follow import LEAST_PROBABILITY
from service.graph.mermaid import as_mermaid
from service.graph.picture import as_svg
from service.graph.tree import Tree
from service.ruleset.catalogue import Catalogue
from service.ruleset.shape import SCHEMAS
from service.ruleset.source import RuleSetError
from service.texts import CatalogueError
from service.trials.difference import in_words

# Exit codes; 2 is also click's, for a command line that cannot be carried out.
FOUND, TROUBLE, LOST = 1, 2, 3

_path = click.argument("path", type=click.Path(exists=True, path_type=Path), metavar="PATH")
_format = click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json", "junit"]),
    default="text",
    show_default=True,
    help="How the result is written.",
)
T = TypeVar("T")
_DRAWN: dict[str, Callable[[Tree], bytes]] = {
    "svg": as_svg,
    "mermaid": lambda tree: as_mermaid(tree).encode(),
    "dot": lambda tree: as_dot(tree).encode(),
}


@click.group()
def rules() -> None:
    """Check, test, compare, draw and translate rule sets.

    PATH is the folder of a rule set, or a folder of such folders.
    """


@rules.command()
@_path
@_format
def check(path: Path, form: str) -> None:
    """Find what is wrong with the rule sets at PATH.

    Exit code 1 if anything is.
    """
    checked = _told(lambda: authoring.check(path))
    issues = [issue for one in checked for issue in one.issues]
    match form:
        case "json":
            _json({"usable": not issues, "findings": [asdict(one) for one in issues]})
        case "junit":
            _out(as_junit([_suite_of_check(one) for one in checked]))
        case _:
            _print_issues(checked)
    raise SystemExit(FOUND if issues else 0)


@rules.command()
@_path
@_format
@click.option("--coverage", is_flag=True, help="Name what no case exercises, too.")
def test(path: Path, form: str, coverage: bool) -> None:
    """Run the own cases of the rule sets at PATH.

    Exit code 1 if one does not get what it expects, 2 if a rule set cannot be used.
    """
    checked = _told(lambda: authoring.check(path))
    _end_on_issues(checked)
    tested = [authoring.run_cases(one) for one in checked]
    match form:
        case "json":
            _json([_tested_document(one, coverage=coverage) for one in tested])
        case "junit":
            _out(as_junit([suite for one in tested for suite in _suites_of_test(one)]))
        case _:
            for one in tested:
                _print_tested(one, coverage=coverage)
    raise SystemExit(FOUND if any(one.failed for one in tested) else 0)


@rules.command()
@_path
@click.option(
    "--rules",
    "installed",
    type=click.Path(exists=True, path_type=Path),
    metavar="DIR",
    help="Rule sets to hold PATH against, beside the bundled ones.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json"]),
    default="text",
    show_default=True,
    help="How the result is written.",
)
def diff(path: Path, installed: Path | None, form: str) -> None:
    """Show what the rule set at PATH answers otherwise than the installed one.

    On its own cases and those of the installed one. Exit code 1 if anything differs, 2 if it
    cannot be told, 3 if a precaution or a stop is lost.
    """
    checked = _told(lambda: authoring.check(path))
    _end_on_issues(checked)
    catalogue = _told(lambda: Catalogue.load(installed))
    trials = [_told(lambda one=one: authoring.compare(one, catalogue)) for one in checked]  # type: ignore[misc]
    if form == "json":
        _json(trials if len(trials) != 1 else trials[0])
    else:
        for one in trials:
            _print_trial(one)
    lost = any(one["errors"] for one in trials)
    changed = any(one["summary"]["changed"] for one in trials)
    raise SystemExit(LOST if lost else FOUND if changed else 0)


@rules.command()
@_path
@click.option("--symptom", required=True, help="The complaint that is followed.")
@click.option(
    "--format",
    "form",
    type=click.Choice(list(_DRAWN)),
    default="svg",
    show_default=True,
    help="A picture, or text for Mermaid or Graphviz.",
)
@click.option(
    "--least-probability",
    type=click.FloatRange(0.005, 0.5),
    default=LEAST_PROBABILITY,
    show_default=True,
    help="A way that is less likely is not followed, unless it ends at once.",
)
@click.option("-o", "--out", type=click.File("wb"), default="-", help="Where it goes.")
def graph(path: Path, symptom: str, form: str, least_probability: float, out: BinaryIO) -> None:
    """Draw the order of checks for a complaint by the rule set at PATH.

    Exit code 2 if the rule set cannot be used or does not know the complaint.
    """
    checked = _told(lambda: authoring.check(path))
    _end_on_issues(checked)
    tree = _told(lambda: authoring.drawn(checked, symptom, least_probability))
    out.write(_DRAWN[form](tree))


@rules.command()
@_path
@click.argument("language", metavar="LANG")
@click.option("--check", "only_check", is_flag=True, help="Change nothing, say what is lacking.")
def translate(path: Path, language: str, only_check: bool) -> None:
    """Bring the catalogues of the rule sets at PATH up to date in LANG (`de`, `pt-BR`).

    Makes or updates translations/LANG.po in the folder of each: new texts are added, changed ones
    marked fuzzy, and those that are gone kept as obsolete. Exit code 1 if --check finds a text that
    is missing, fuzzy or has other figures in braces, 2 if a rule set or catalogue cannot be used.
    """
    checked = _told(lambda: authoring.check(path))
    _end_on_issues(checked)
    if not only_check:
        for file, raw in _told(lambda: authoring.translated(checked, language)):
            file.parent.mkdir(exist_ok=True)
            new = file.with_suffix(".new")
            new.write_bytes(raw)
            new.replace(file)  # whole at any time: a running service may be reading it
            click.echo(file)
        return
    found = _told(lambda: authoring.lacking(checked, language))
    for where, lack in found:
        said = f"{click.style(lack.kind, fg='red')}: {lack.english} ({lack.advice})"
        click.echo(f"{click.style(str(where), bold=True)}: {said}")
    click.secho(
        f"{_counted(len(found), 'text')} to be translated" if found else "nothing lacking",
        fg="red" if found else "green",
        bold=True,
    )
    raise SystemExit(FOUND if found else 0)


@rules.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path), metavar="DIR")
def schemas(folder: Path) -> None:
    """Write the JSON Schema files of a rule set to DIR, for editors.

    In a rule set's files a first line `# yaml-language-server: $schema=DIR/checks.json` has an
    editor complete and check them.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for path in sorted(SCHEMAS.glob("*.json")):
        (folder / path.name).write_bytes(path.read_bytes())
        click.echo(folder / path.name)


def _told(work: Callable[[], T]) -> T:
    """The result of work; what keeps it from being done ends the command with a message."""
    try:
        return work()
    except (authoring.NothingThere, CatalogueError, RuleSetError) as error:
        click.echo(f"Error: {error}", err=True)
        raise SystemExit(TROUBLE) from None


def _end_on_issues(checked: Sequence[authoring.Checked]) -> None:
    """A rule set that cannot be used is no ground for more."""
    if any(one.issues for one in checked):
        _print_issues(checked, err=True)
        raise SystemExit(TROUBLE)


def _print_issues(checked: Sequence[authoring.Checked], *, err: bool = False) -> None:
    count = 0
    for one in checked:
        for issue in one.issues:
            count += 1
            where = f"{issue.file}:{issue.line}:{issue.column}" if issue.line else issue.file
            click.echo(
                f"{click.style(where, bold=True)}: {click.style(issue.message, fg='red')}"
                f" [{issue.rule}]\n    {issue.advice}",
                err=err,
            )
    names = ", ".join(one.folder.name for one in checked)
    if count:
        click.secho(f"{_counted(count, 'finding')} in {names}", fg="red", bold=True, err=err)
    else:
        click.secho(f"nothing wrong with {names}", fg="green", err=err)


def _print_tested(tested: authoring.Tested, *, coverage: bool) -> None:
    for one in tested.failed:
        click.echo(f"{click.style('NOT MET', fg='red', bold=True)} {one.case_id} ({one.file})")
        for text in one.unmet:
            click.echo(f"    {text}")
    met = len(tested.results) - len(tested.failed)
    said = f"{tested.rule_set}: {met} of {_counted(len(tested.results), 'case')} met"
    click.secho(said, fg="red" if tested.failed else "green", bold=True)
    if not coverage:
        return
    for what, found in tested.coverage.items():
        missed = found["missed"]
        click.echo(f"  {what}: {found['known'] - len(missed)} of {found['known']} exercised")
        for name in missed:
            click.echo(f"    {click.style('never', fg='yellow')} {name}")


def _print_trial(found: dict[str, Any]) -> None:
    for one in found["errors"]:
        click.secho(one["message"], fg="red", bold=True)
    # What is lost has been said; what else differs is shown case by case.
    differing = [
        (case, {key: one for key, one in case["difference"].items() if key != "precautions_lost"})
        for case in found["cases"]
        if case["difference"]
    ]
    for case, changes in differing:
        if changes:
            click.secho(case["case_id"] or f"case {case['index']}", bold=True)
        for key, change in changes.items():
            click.echo(f"    {key}: {in_words(change)}")
    summary = found["summary"]
    counts = ", ".join(f"{key} {count}" for key, count in summary["differences"].items())
    said = f"{summary['changed']} of {_counted(summary['cases'], 'case')} differ"
    click.secho(
        f"{found['candidate']['id']}: {said}" + (f" ({counts})" if counts else ""), bold=True
    )
    if found["errors"]:
        click.secho(f"{_counted(len(found['errors']), 'loss')} of safety", fg="red", bold=True)


def _counted(count: int, what: str) -> str:
    if count == 1:
        return f"1 {what}"
    return f"{count} {what}{'es' if what.endswith('s') else 's'}"


def _suite_of_check(checked: authoring.Checked) -> Suite:
    files = sorted({one.file for one in checked.issues})
    cases = [
        Case(file, checked.folder.name, tuple(str(i) for i in checked.issues if i.file == file))
        for file in files
    ]
    return Suite(checked.folder.name, tuple(cases or [Case("check", checked.folder.name, ())]))


def _suites_of_test(tested: authoring.Tested) -> Iterable[Suite]:
    by_file: dict[str, list[Case]] = {}
    for one in tested.results:
        case = Case(one.case_id, tested.rule_set, one.unmet)
        by_file.setdefault(one.file, []).append(case)
    return [Suite(file, tuple(cases)) for file, cases in by_file.items()]


def _tested_document(tested: authoring.Tested, *, coverage: bool) -> dict[str, Any]:
    out: dict[str, Any] = {
        "rule_set": tested.rule_set,
        "cases": len(tested.results),
        "met": len(tested.results) - len(tested.failed),
        "not_met": [asdict(one) for one in tested.failed],
    }
    return {**out, "coverage": tested.coverage} if coverage else out


def _json(document: Any) -> None:
    _out(dump_indented(document))


def _out(raw: bytes) -> None:
    sys.stdout.buffer.write(raw)
    sys.stdout.buffer.flush()
