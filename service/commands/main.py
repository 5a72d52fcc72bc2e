"""The command line: `ohmpath`, or `python -m service`."""

from __future__ import annotations

import os
import signal
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from service import __version__
from service.api.cases import assessor
from service.batch.kept import CannotGoOn
from service.batch.spool import BrokenBody
from service.commands.keys import keys as keys_group
from service.commands.replay import replay_command
from service.commands.rules import rules as rules_group
from service.documents import dump_indented, parse_json
from service.guard.keys import KeysError
from service.observe import logs, multiprocess
from service.problems import Problem
from service.ruleset.catalogue import Catalogue
from service.ruleset.source import RuleSetError
from service.settings import Settings, SettingsError

_rules = click.option(
    "--rules",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Rule sets that add to or replace the bundled ones.  [env: OHMPATH_RULES]",
)


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="ohmpath")
def main() -> None:
    """Rule-based diagnosis of household appliances."""


main.add_command(rules_group)
main.add_command(keys_group)
main.add_command(replay_command)


@main.command()
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option(
    "--port", default=8080, show_default=True, type=click.IntRange(1, 65535), help="Its port."
)
@click.option(
    "--workers", default=2, show_default=True, type=click.IntRange(1, 64), help="Processes."
)
@_rules
def serve(host: str, port: int, workers: int, rules: Path | None) -> None:
    """Serve HTTP until interrupted.

    To other machines only with keys: OHMPATH_KEYS names a file of `ohmpath keys new`.
    """
    settings = _settings(rules)
    logs.configure(settings.log)
    # Until gunicorn has a say: an end that cleans up.
    signal.signal(signal.SIGTERM, lambda number, _: sys.exit(128 + number))
    multiprocess.prepare()  # before anything that counts is imported
    from service.app import create_app
    from service.running.descriptors import TooFewFilesError, make_room
    from service.running.server import OpenDoorError, Server, refuse_open_door, why_not_bindable

    try:
        make_room()
        refuse_open_door([(host, port)], settings)
        app = create_app(settings)
    except RuleSetError as error:
        raise click.ClickException(f"the rule sets cannot be used:\n{error}") from None
    except KeysError as error:
        raise click.ClickException(f"the keys cannot be used: {error}") from None
    except (OpenDoorError, SettingsError, TooFewFilesError) as error:
        raise click.ClickException(str(error)) from None
    reason = why_not_bindable(host, port)
    if reason:
        raise click.ClickException(reason)
    Server(app, host=host, port=port, workers=workers).run()


@main.command()
@click.argument("file", type=click.File("rb"))
@_rules
def assess(file: Any, rules: Path | None) -> None:
    """Assess the case in FILE (- for standard input).

    Prints the assessment as JSON. A case that cannot be assessed gives the problem on standard
    error, as JSON, and exit code 2.
    """
    settings = _settings(rules)
    try:
        catalogue = Catalogue.load(settings.rules)
    except RuleSetError as error:
        raise click.ClickException(f"the rule sets cannot be used:\n{error}") from None
    try:
        # One byte more than allowed shows that it is too much.
        raw = file.read(settings.max_body_bytes + 1)
        assessment = assessor(catalogue)(parse_json(raw, settings.max_body_bytes))
    except Problem as problem:
        sys.stderr.buffer.write(dump_indented(problem.document(instance="")))
        raise SystemExit(2) from None
    sys.stdout.buffer.write(dump_indented(assessment))


@main.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "-o",
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Where the results go: .ndjson, .json, .csv or, with ohmpath[parquet], .parquet.  "
    "[default: FILE.results.ndjson]",
)
@click.option("--brief", is_flag=True, help="Of each assessment only what was decided.")
@click.option("--strict", is_flag=True, help="Exit code 3 if a case has a problem or disagrees.")
@click.option("--fresh", is_flag=True, help="Begin anew, though a part of the results is there.")
@click.option(
    "--processes", type=click.IntRange(1, 256), help="How many at a time.  [default: all cores]"
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="A Dask scheduler whose workers do the work, with ohmpath[dask].",
)
@_rules
def batch(
    file: Path,
    out: Path | None,
    brief: bool,
    strict: bool,
    fresh: bool,
    processes: int | None,
    scheduler: str | None,
    rules: Path | None,
) -> None:
    """Assess the cases in FILE (.ndjson, .json or .csv).

    Prints the summary. Cut off, it goes on where it was when it is called again the same way; the
    results appear under their name once they are complete. The workers of a Dask cluster use the
    rule sets that OHMPATH_RULES names where they run, which must be the same as here.
    """
    from service.commands import offline

    if scheduler is not None and processes is not None:
        raise click.UsageError("--processes is for this machine; leave it out with --scheduler")
    settings = _settings(rules)
    target = out if out is not None else file.with_name(file.name + ".results.ndjson")
    try:
        offline.check_names(file, target)
        with (
            offline.workers(settings.rules, processes or os.cpu_count() or 1)
            if scheduler is None
            else offline.cluster(scheduler)
        ) as submit:
            job = offline.job_of(settings.rules, brief=brief)
            kept = offline.begin(file, target, job, fresh=fresh)
            with click.progressbar(length=file.stat().st_size, file=sys.stderr) as bar:
                for done in offline.run(file, kept, job, submit):
                    bar.update(done - bar.pos)
            summary = kept.finish(target)
    except RuleSetError as error:
        raise click.ClickException(f"the rule sets cannot be used:\n{error}") from None
    except (CannotGoOn, OSError) as error:
        raise click.ClickException(str(error)) from None
    except BrokenBody as broken:
        raise click.ClickException(broken.problem.detail) from None
    except Problem as problem:
        sys.stderr.buffer.write(dump_indented(problem.document(instance="")))
        raise SystemExit(2) from None
    sys.stdout.buffer.write(dump_indented(summary))
    agreement = summary["agreement"]
    if strict and (summary["problems"] or agreement["agreed"] < agreement["expected"]):
        raise SystemExit(3)


@main.command()
@click.option(
    "--format", "form", type=click.Choice(["yaml", "json"]), default="yaml", show_default=True
)
def openapi(form: str) -> None:
    """Print the OpenAPI document of the service."""
    from service.app import create_app

    served = create_app(Settings()).test_client().get(f"/openapi.{form}")
    sys.stdout.buffer.write(served.data)


def _settings(rules: Path | None) -> Settings:
    try:
        settings = Settings.from_environment()
    except SettingsError as error:
        raise click.ClickException(str(error)) from None
    return settings if rules is None else replace(settings, rules=rules)
