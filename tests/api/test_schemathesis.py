"""The running service against requests made from its own OpenAPI document, all phases."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from pathlib import Path


def test_service_is_as_its_document_says(service_url: str, root: Path, tmp_path: Path) -> None:
    exchanges = tmp_path / "exchanges.har"
    done = subprocess.run(
        [
            str(Path(sys.executable).with_name("st")),
            "--config-file=tests/api/schemathesis.toml",
            "run",
            f"{service_url}/openapi.json",
            "--phases=examples,coverage,fuzzing,stateful",
            "--checks=all",
            "--max-examples=250",
            "--no-color",
            f"--report-har-path={exchanges}",
        ],
        cwd=root,
        env={**os.environ, "PYTHONPATH": str(root)},  # the hooks know the calculations
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-5000:] + done.stderr[-2000:]

    # A run whose requests were all refused would have shown little.
    answers = Counter(
        (
            entry["request"]["url"].partition("/v1/")[2].partition("/")[0],
            entry["response"]["status"],
        )
        for entry in json.loads(exchanges.read_text())["log"]["entries"]
        if entry["request"]["method"] == "POST"
    )
    for resource in ("assessments", "calculations"):
        for status in (200, 422):
            assert answers[resource, status] >= 100, answers
