"""What `ohmpath rules` tells a person."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import click

from service.commands.authoring import Checked, Tested
from service.trials.difference import in_words

_SHOWN = 60


def print_issues(checked: Sequence[Checked], *, err: bool = False) -> None:
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
    names = ", ".join(one.path.name for one in checked)
    if count:
        click.secho(f"{counted(count, 'finding')} in {names}", fg="red", bold=True, err=err)
    else:
        click.secho(f"nothing wrong with {names}", fg="green", err=err)


def print_changes(checked: Sequence[Checked]) -> None:
    """What a file adds to an installed rule set, changes in it and takes away."""
    for changes in (one.changes for one in checked if one.changes is not None):
        for node in changes["added"]:
            click.echo(f"    adds {node['pointer']}")
        for node in changes["changed"]:
            was, now = _value(node["installed"]), _value(node["candidate"])
            click.echo(f"    changes {node['pointer']}: {was} -> {now}")
        for node in changes["removed"]:
            click.echo(f"    takes away {node['pointer']}")
    print_doubts(checked)


def print_doubts(checked: Sequence[Checked]) -> None:
    """What may be mistyped in a file of changes."""
    for changes in (one.changes for one in checked if one.changes is not None):
        for node in changes["added"]:
            if node["near"] is not None:
                said = f"{node['pointer']} is new; did you mean {node['near']!r}?"
                click.secho(f"note: {said}", fg="yellow")
        for node in changes["nothing_to_remove"]:
            meant = f"; did you mean {node['near']!r}?" if node["near"] else ""
            click.secho(f"note: {node['pointer']} is not there anyway{meant}", fg="yellow")


def print_tested(tested: Tested, *, coverage: bool) -> None:
    for one in tested.failed:
        click.echo(f"{click.style('NOT MET', fg='red', bold=True)} {one.case_id} ({one.file})")
        for text in one.unmet:
            click.echo(f"    {text}")
    met = len(tested.results) - len(tested.failed)
    said = f"{tested.rule_set}: {met} of {counted(len(tested.results), 'case')} met"
    click.secho(said, fg="red" if tested.failed else "green", bold=True)
    if not coverage:
        return
    for what, found in tested.coverage.items():
        missed = found["missed"]
        click.echo(f"  {what}: {found['known'] - len(missed)} of {found['known']} exercised")
        for name in missed:
            click.echo(f"    {click.style('never', fg='yellow')} {name}")


def print_trial(found: dict[str, Any]) -> None:
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
    said = f"{summary['changed']} of {counted(summary['cases'], 'case')} differ"
    click.secho(
        f"{found['candidate']['id']}: {said}" + (f" ({counts})" if counts else ""), bold=True
    )
    if found["errors"]:
        click.secho(f"{counted(len(found['errors']), 'loss')} of safety", fg="red", bold=True)


def counted(count: int, what: str) -> str:
    if count == 1:
        return f"1 {what}"
    return f"{count} {what}{'es' if what.endswith('s') else 's'}"


def _value(value: Any) -> str:
    """A value as JSON, cut where it is long."""
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= _SHOWN else text[: _SHOWN - 3] + "..."
