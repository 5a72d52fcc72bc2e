"""`ohmpath keys`: what it prints, and what it leaves in the file."""

from __future__ import annotations

import stat
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from service.commands.main import main
from service.guard.key_file import KeyFile
from service.guard.keys import find, read_keys


def keys_new(*arguments: str) -> Any:
    return CliRunner().invoke(main, ["keys", "new", *arguments])


def test_token_and_line_belong_together() -> None:
    done = keys_new("desk", "--scope", "author", "--scope", "assess", "--rate", "7")
    assert done.exit_code == 0
    token, line = done.stdout.strip(), done.stderr.splitlines()[-1]
    key = find(read_keys(line, ""), token)
    assert key is not None
    assert (key.name, key.scopes, key.rate) == ("desk", {"assess", "author"}, 7)
    assert token not in done.stderr


def test_keys_are_added_to_a_file_that_only_its_owner_reads(tmp_path: Path) -> None:
    file = tmp_path / "keys"
    tokens = {}
    for name in ("desk", "till"):
        done = keys_new(name, "--scope", "assess", "--expires", "2031-02-28", "--to", str(file))
        assert done.exit_code == 0
        tokens[name] = done.stdout.strip()
        assert tokens[name] not in file.read_text() + done.stderr
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    for name, token in tokens.items():
        key = find(KeyFile(file).ring(), token)
        assert key is not None
        assert key.name == name
        assert f"{key.expires}" == "2031-02-28"
    before = file.read_text()
    again = keys_new("desk", "--scope", "assess", "--to", str(file))
    assert again.exit_code == 1
    assert "already" in again.stderr
    assert again.stdout == ""
    assert file.read_text() == before


def test_a_file_without_a_last_line_end_keeps_its_last_line(tmp_path: Path) -> None:
    file = tmp_path / "keys"
    file.write_text(keys_new("desk", "--scope", "assess").stderr.splitlines()[-1])
    assert keys_new("till", "--scope", "assess", "--to", str(file)).exit_code == 0
    assert set(KeyFile(file).ring()) == {"desk", "till"}


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["Desk", "--scope", "assess"], 1, "lower-case letters"),
        (["desk"], 2, "--scope"),
        (["desk", "--scope", "everything"], 2, "everything"),
        (["desk", "--scope", "assess", "--expires", "2031-02-30"], 2, "2031-02-30"),
        (["desk", "--scope", "assess", "--to", "/none/keys"], 1, "cannot be written"),
        (["desk", "--scope", "assess", "--to", __file__], 1, f"{__file__}:1: "),
    ],
)
def test_what_cannot_be_is_said(arguments: list[str], code: int, said: str) -> None:
    done = keys_new(*arguments)
    assert done.exit_code == code
    assert said in done.stderr
    assert done.stdout == ""
