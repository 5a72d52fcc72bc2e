"""`ohmpath replay`: a decision log against the installed rule sets."""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path
from typing import Any

import click

from service.api.cases import assessor
from service.documents import dump_json
from service.observe.replay import Replayed, replay
from service.ruleset.catalogue import Catalogue
from service.ruleset.source import RuleSetError
from service.settings import Settings, SettingsError
from service.trials.difference import in_words

# Exit codes; 2 is also click's, for a command line that cannot be carried out.
DIFFERS, UNUSABLE = 1, 2


@click.command("replay")
@click.argument("log", type=click.File("rb"))
@click.option(
    "--rules",
    type=click.Path(exists=True, path_type=Path),
    metavar="DIR",
    help="Rule sets that add to or replace the bundled ones.  [env: OHMPATH_RULES]",
)
@click.option("--json", "as_json", is_flag=True, help="JSON, a line for each finding.")
def replay_command(log: Any, rules: Path | None, as_json: bool) -> None:
    """Decide again what the decision log LOG (- for standard input) says was decided.

    Names each decision that comes out otherwise, and each line that is no decision. Exit code 1 if
    one comes out otherwise, 2 if the log cannot be used.
    """
    try:
        catalogue = Catalogue.load(rules or Settings.from_environment().rules)
    except RuleSetError as error:
        _end(f"the rule sets cannot be used:\n{error}")
    except SettingsError as error:
        _end(str(error))
    counts: Counter[str] = Counter()
    try:
        for one in replay(log, catalogue, assessor(catalogue)):
            counts["lines"] += 1
            counts["other_rules"] += one.other_rules
            counts["broken"] += one.broken is not None
            counts["differ"] += bool(one.differs)
            if one.broken or one.differs:
                _tell(one, as_json=as_json)
    except OSError as error:
        _end(f"{log.name} cannot be read: {error}")
    decisions = counts["lines"] - counts["broken"]
    summary = {
        "decisions": decisions,
        "same": decisions - counts["differ"],
        "differ": counts["differ"],
        "broken": counts["broken"],
        "other_rules": counts["other_rules"],
    }
    if as_json:
        _out({"summary": summary})
    else:
        click.echo(
            f"{decisions} decisions: {summary['same']} the same, {summary['differ']} differ, "
            f"{summary['other_rules']} decided by another content of the rule set; "
            f"{summary['broken']} broken lines"
        )
    if counts["broken"] and not decisions:
        _end(f"{log.name} is no decision log")
    raise SystemExit(DIFFERS if counts["differ"] else 0)


def _tell(one: Replayed, *, as_json: bool) -> None:
    if as_json:
        told = {"line": one.line, "time": one.time, "trace_id": one.trace_id}
        _out({**told, "broken": one.broken, "other_rules": one.other_rules, "differs": one.differs})
        return
    if one.broken:
        click.echo(f"line {one.line} is broken: {one.broken}")
        return
    by = " (decided by another content of the rule set)" if one.other_rules else ""
    click.secho(f"line {one.line}, {one.time}, trace {one.trace_id}{by}", bold=True)
    for key, change in one.differs.items():
        click.echo(f"    {key}: {in_words(change)}")


def _out(document: Any) -> None:
    sys.stdout.buffer.write(dump_json(document))


def _end(why: str) -> Any:
    click.echo(f"Error: {why}", err=True)
    raise SystemExit(UNUSABLE)
