"""`ohmpath rules`: a rule author's work on the command line."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, BinaryIO, TypeVar

import click

from service.commands import authoring
from service.commands.printed import (
    counted,
    print_changes,
    print_doubts,
    print_issues,
    print_tested,
    print_trial,
)
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
from service.trials.applied import CannotWrite, refuse_taken

# Exit codes; 2 is also click's, for a command line that cannot be carried out.
FOUND, TROUBLE, LOST = 1, 2, 3

_path = click.argument("path", type=click.Path(exists=True, path_type=Path), metavar="PATH")
_installed = click.option(
    "--rules",
    "installed",
    type=click.Path(exists=True, path_type=Path),
    envvar="OHMPATH_RULES",
    metavar="DIR",
    help="Rule sets that are installed beside the bundled ones.  [env: OHMPATH_RULES]",
)
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

    PATH is the folder of a rule set, a folder of such folders, or a file with changes to an
    installed one, as `POST /v1/trials` takes them: `base`, `changes`, and `cases` of its own.
    """


@rules.command()
@_path
@_installed
@_format
def check(path: Path, installed: Path | None, form: str) -> None:
    """Find what is wrong with the rule sets at PATH.

    Of changes it says what they add, change and take away, too. Exit code 1 if anything is wrong.
    """
    checked = _checked(path, installed)
    issues = [issue for one in checked for issue in one.issues]
    match form:
        case "json":
            found = {"usable": not issues, "findings": [asdict(one) for one in issues]}
            _json({**found, "changes": checked[0].changes} if path.is_file() else found)
        case "junit":
            _out(as_junit([_suite_of_check(one) for one in checked]))
        case _:
            print_issues(checked)
            print_changes(checked)
    raise SystemExit(FOUND if issues else 0)


@rules.command()
@_path
@_installed
@_format
@click.option("--coverage", is_flag=True, help="Name what no case exercises, too.")
def test(path: Path, installed: Path | None, form: str, coverage: bool) -> None:
    """Run the own cases of the rule sets at PATH.

    Of changes their own, and those of the rule set that they are made to, but for namesakes. Exit
    code 1 if one does not get what it expects, 2 if a rule set cannot be used.
    """
    checked = _checked(path, installed)
    _end_on_issues(checked)
    tested = [authoring.run_cases(one) for one in checked]
    match form:
        case "json":
            _json([_tested_document(one, coverage=coverage) for one in tested])
        case "junit":
            _out(as_junit([suite for one in tested for suite in _suites_of_test(one)]))
        case _:
            for one in tested:
                print_tested(one, coverage=coverage)
    raise SystemExit(FOUND if any(one.failed for one in tested) else 0)


@rules.command()
@_path
@_installed
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
    catalogue = _told(lambda: Catalogue.load(installed))
    checked = _told(lambda: authoring.check(path, catalogue))
    _end_on_issues(checked)
    trials = [_told(lambda one=one: authoring.compare(one, catalogue)) for one in checked]  # type: ignore[misc]
    if form == "json":
        _json(trials if len(trials) != 1 else trials[0])
    else:
        print_doubts(checked)
        for one in trials:
            print_trial(one)
    lost = any(one["errors"] for one in trials)
    changed = any(one["summary"]["changed"] for one in trials)
    raise SystemExit(LOST if lost else FOUND if changed else 0)


@rules.command()
@click.argument(
    "path", type=click.Path(exists=True, dir_okay=False, path_type=Path), metavar="CHANGES"
)
@click.option(
    "--to",
    "folder",
    required=True,
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="The folder of the new rule set; not there yet, or empty.",
)
@_installed
def apply(path: Path, folder: Path, installed: Path | None) -> None:
    """Write an installed rule set with the changes in a file to DIR, to be installed.

    It passes `check` and `test`, or nothing is written. What is not changed stays as it was, with
    its comments. Comments beside what is changed may go, and those in CHANGES do not come along.
    Texts that are new are not translated yet. Exit code 1 if a case is not met, 2 if it cannot be
    done.
    """
    _told(lambda: refuse_taken(folder))
    checked = _checked(path, installed)
    _end_on_issues(checked)
    (one,) = checked
    tested = authoring.run_cases(one)
    if tested.failed:
        print_tested(tested, coverage=False)
        click.echo("Nothing was written. A case of the same id in CHANGES replaces one.", err=True)
        raise SystemExit(FOUND)
    _told(lambda: authoring.apply(one, folder))
    click.echo(folder)
    print_changes(checked)
    if one.changes and not any(node["pointer"] == "/version" for node in one.changes["changed"]):
        said = "the version is still that of the installed one; give it a mark: +kitchen.1"
        click.secho(said, fg="yellow", err=True)


@rules.command()
@_path
@_installed
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
def graph(
    path: Path,
    installed: Path | None,
    symptom: str,
    form: str,
    least_probability: float,
    out: BinaryIO,
) -> None:
    """Draw the order of checks for a complaint by the rule set at PATH.

    Exit code 2 if the rule set cannot be used or does not know the complaint.
    """
    checked = _checked(path, installed)
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
    marked fuzzy, and those that are gone kept as obsolete. In a language that the service record
    does not speak yet, the words of its form are among them. Exit code 1 if --check finds a text
    that is missing, fuzzy or has other figures in braces, 2 if a rule set or catalogue cannot be
    used.
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
        f"{counted(len(found), 'text')} to be translated" if found else "nothing lacking",
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


def _checked(path: Path, installed: Path | None) -> list[authoring.Checked]:
    """What is at a path; the installed rule sets are read only for a file of changes to one."""
    catalogue = _told(lambda: Catalogue.load(installed)) if path.is_file() else None
    return _told(lambda: authoring.check(path, catalogue))


def _told(work: Callable[[], T]) -> T:
    """The result of work; what keeps it from being done ends the command with a message."""
    try:
        return work()
    except (authoring.NothingThere, CannotWrite, CatalogueError, RuleSetError) as error:
        click.echo(f"Error: {error}", err=True)
        raise SystemExit(TROUBLE) from None


def _end_on_issues(checked: Sequence[authoring.Checked]) -> None:
    """A rule set that cannot be used is no ground for more."""
    if any(one.issues for one in checked):
        print_issues(checked, err=True)
        raise SystemExit(TROUBLE)


def _suite_of_check(checked: authoring.Checked) -> Suite:
    files = sorted({one.file for one in checked.issues})
    cases = [
        Case(file, checked.path.name, tuple(str(i) for i in checked.issues if i.file == file))
        for file in files
    ]
    return Suite(checked.path.name, tuple(cases or [Case("check", checked.path.name, ())]))


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
