"""The packages of package-lock.json, for the tests that want some of npm."""

from __future__ import annotations

import fcntl
import hashlib
import shutil
import subprocess
from pathlib import Path

from tests.wanted import want

HERE = Path(__file__).parent
OLDEST = (20, 19)
"""The oldest Node that the packages run on, as package.json says."""
_LOCK = HERE / "package-lock.json"


def node_modules() -> Path:
    """The folder of the packages, filled if it is not yet: they stay until the lock file changes.

    Without npm, or with a Node that is too old, a developer's test is skipped. On CI it fails.
    """
    npm = shutil.which("npm")
    there = npm is not None and _node() >= OLDEST
    want(there, f"npm and Node {OLDEST[0]}.{OLDEST[1]} or newer are wanted here")
    assert npm is not None
    folder = HERE / "node_modules"
    installed = folder / f".installed-{hashlib.sha256(_LOCK.read_bytes()).hexdigest()}"
    with _LOCK.open() as held:
        fcntl.flock(held, fcntl.LOCK_EX)  # tests run side by side
        if not installed.exists():
            run([npm, "ci", "--ignore-scripts", "--no-audit", "--no-fund"], HERE)
            installed.touch()
    return folder


def _node() -> tuple[int, ...]:
    """The version of Node; empty if there is none."""
    if shutil.which("node") is None:
        return ()
    said = run(["node", "--version"], HERE).stdout
    return tuple(int(number) for number in said.strip().removeprefix("v").split("."))


def run(command: list[str], folder: Path) -> subprocess.CompletedProcess[str]:
    """Run what must not fail; if it does, all that it said is told."""
    done = subprocess.run(
        command, cwd=folder, capture_output=True, text=True, timeout=300, check=False
    )
    assert done.returncode == 0, f"{command}\n{done.stdout[-5000:]}\n{done.stderr[-5000:]}"
    return done
