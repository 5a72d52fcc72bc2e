"""Requests made from the service's own OpenAPI document, in all phases, with a key."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections import Counter
from pathlib import Path

from service.guard.access import SCOPES
from service.guard.keys import Key, digest_of, new_token

ROOT = Path(__file__).resolve().parents[2]


def key_of_an_explorer(folder: Path) -> tuple[str, Path]:
    """A token that opens everything as often as is wanted, and the file that says so."""
    token, keys = new_token("explorer"), folder / "keys"
    key = Key("explorer", frozenset(SCOPES), digest_of(token), rate=100_000, burst=100_000)
    keys.write_text(key.line + "\n")
    keys.chmod(0o600)
    return token, keys


def explore(
    url: str, folder: Path, *, token: str, examples: int, seconds: float
) -> Counter[tuple[str, int]]:
    """Put a running service to the test: how often each status was the answer of a resource.

    folder: for what it leaves behind. examples: of each operation. seconds: the most it may take.
    """
    exchanges = folder / "exchanges.har"
    done = subprocess.run(
        [
            str(Path(sys.executable).with_name("st")),
            "--config-file=tests/api/schemathesis.toml",
            "run",
            f"{url}/openapi.json",
            "--phases=examples,coverage,fuzzing,stateful",
            "--checks=all",
            f"--max-examples={examples}",
            "--no-color",
            f"--report-har-path={exchanges}",
            f"--header=Authorization: Bearer {token}",
        ],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},  # the hooks know the calculations
        capture_output=True,
        text=True,
        timeout=seconds,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-5000:] + done.stderr[-2000:]
    return Counter(
        (
            re.split("[/?]", entry["request"]["url"].partition("/v1/")[2])[0],
            entry["response"]["status"],
        )
        for entry in json.loads(exchanges.read_text())["log"]["entries"]
        if entry["request"]["method"] == "POST"
    )
