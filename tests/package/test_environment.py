"""How an environment is made: by uv where it can be had, by pip elsewhere, by hash either way.

The Python of the environment is a stand-in that notes what it is asked for.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
# Sourced by scripts that have `set -eu`, which ends at what fails.
MAKE = 'set -eu; root=$1; . "$root/docker/prerequisites.sh"; make_environment "$2" "$3"'
STANDIN = """#!/bin/sh
printf '%s\\n' "$*" >>"{log}"
case "$*" in {failing}) exit 1 ;; esac
"""


def made(folder: Path, failing: str) -> tuple[int, list[str]]:
    """The exit status of the making and what it asks Python for.

    failing: a pattern of sh, for what fails.
    """
    log, python = folder / "log", folder / "an environment" / "bin" / "python"
    python.parent.mkdir(parents=True)
    python.write_text(STANDIN.format(log=log, failing=failing), encoding="utf-8")
    python.chmod(0o755)
    done = subprocess.run(
        ["sh", "-c", MAKE, "sh", ROOT, python.parents[1], "tests/requirements.txt"],
        timeout=60,
        check=False,
    )
    return done.returncode, log.read_text(encoding="utf-8").splitlines()


def test_uv_installs_what_is_pinned_and_pip_only_uv(tmp_path: Path) -> None:
    status, asked = made(tmp_path, "nothing")
    pip = [line for line in asked if line.startswith("-m pip install")]
    uv = [line for line in asked if line.startswith("-m uv")]
    assert status == 0
    assert len(pip) == 1
    assert "--require-hashes" in pip[0]
    assert "installer-requirements.txt" in pip[0]
    assert len(uv) == 2
    assert "--require-hashes" in uv[0]
    assert "tests/requirements.txt" in uv[0]
    assert "--no-deps --reinstall" in uv[1]


@pytest.mark.parametrize(
    "failing",
    ["*installer-requirements.txt*", "'-m uv'*", "'-m uv'*--reinstall*"],
    ids=["uv cannot be had", "uv fails", "uv cannot build"],
)
def test_pip_installs_the_same_where_uv_does_not(tmp_path: Path, failing: str) -> None:
    status, asked = made(tmp_path, failing)
    assert status == 0
    requirements, project = asked[-2:]
    assert requirements.startswith("-m pip install")
    assert "--require-hashes" in requirements
    assert requirements.endswith("tests/requirements.txt")
    assert project.startswith("-m pip install")
    assert "--no-deps" in project
    assert (tmp_path / "an environment" / "ohmpath-stamp").exists()


def test_what_neither_can_install_is_not_kept_for_done(tmp_path: Path) -> None:
    status, _ = made(tmp_path, "*install*")
    assert status != 0
    assert not (tmp_path / "an environment" / "ohmpath-stamp").exists()
