"""`ohmpath keys`: API keys for those who may call the service."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path

import click

from service.guard.access import SCOPES
from service.guard.key_file import KeyFile
from service.guard.keys import Key, KeysError, digest_of, make_key, new_token


@click.group()
def keys() -> None:
    """API keys: who may call the service, and for what."""


@keys.command()
@click.argument("name")
@click.option(
    "--scope",
    "scopes",
    multiple=True,
    required=True,
    type=click.Choice(list(SCOPES)),
    help="What it opens; may be given several times.  "
    + "  ".join(f"{scope}: {told}" for scope, told in SCOPES.items()),
)
@click.option(
    "--expires", type=click.DateTime(["%Y-%m-%d"]), help="Last day (UTC) on which it opens."
)
@click.option("--rate", type=click.IntRange(1, 999_999), help="Requests a second.")
@click.option("--burst", type=click.IntRange(1, 999_999), help="How many of them at once.")
@click.option(
    "--to",
    "file",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Add it to this keys file, which is made if it is not there.",
)
def new(
    name: str,
    scopes: tuple[str, ...],
    expires: datetime | None,
    rate: int | None,
    burst: int | None,
    file: Path | None,
) -> None:
    """Make a key for NAME.

    Prints its token, which is kept nowhere: give it to whoever calls, and lose it yourself. The
    service knows a key by a line of its keys file (OHMPATH_KEYS); taking the line out takes the key
    back, within a second and without a restart.
    """
    token = new_token(name)
    try:
        key = make_key(
            name,
            frozenset(scopes),
            digest_of(token),
            expires=None if expires is None else f"{expires:%Y-%m-%d}",
            rate=None if rate is None else str(rate),
            burst=None if burst is None else str(burst),
        )
        if file is not None:
            _add(key, file)
    except KeysError as error:
        raise click.ClickException(str(error)) from None
    click.echo(token)
    if file is None:
        click.echo(f"Above: the token, shown this once. For the keys file:\n{key.line}", err=True)
    else:
        click.echo(f"Above: the token, shown this once. {file} has the key now.", err=True)


def _add(key: Key, file: Path) -> None:
    """Add a line to a file that is or becomes a keys file. Raises KeysError."""
    before = b""
    if file.exists():
        if key.name in KeyFile(file).ring():
            raise KeysError(f"{file} has a key {key.name!r} already; take its line out first")
        before = file.read_bytes()
    start = "" if not before or before.endswith(b"\n") else "\n"
    try:
        # At one go, since a running service may read the file at any time.
        out = os.open(file, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
        try:
            os.write(out, f"{start}{key.line}\n".encode())
        finally:
            os.close(out)
    except OSError as error:
        raise KeysError(f"{file} cannot be written: {error.strerror}") from None
