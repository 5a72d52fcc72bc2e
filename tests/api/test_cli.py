"""The command line: the same answers, problems and checks as over HTTP."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from service import __version__

ROOT = Path(__file__).resolve().parents[2]
CASE = ROOT / "examples" / "no-heat.json"


def ohmpath(*arguments: str, stdin: bytes = b"", **environment: str) -> Any:
    """Run the command line in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "service", *arguments],
        cwd=ROOT,
        env={**os.environ, **environment},
        input=stdin,
        capture_output=True,
        timeout=120,
        check=False,
    )


def test_version() -> None:
    done = ohmpath("--version")
    assert done.returncode == 0
    assert done.stdout.decode().strip() == f"ohmpath, version {__version__}"


def test_assessment_is_the_one_given_over_http(client: FlaskClient) -> None:
    done = ohmpath("assess", str(CASE))
    assert done.returncode == 0, done.stderr
    assert done.stderr == b""
    answer = client.post(
        "/v1/assessments", data=CASE.read_bytes(), content_type="application/json"
    ).get_json()
    assert json.loads(done.stdout) == answer
    assert list(json.loads(done.stdout)) == list(answer)
    assert done.stdout.startswith(b'{\n  "status"')


def test_same_bytes_whatever_the_hash_seed_and_the_locale() -> None:
    outputs = {
        ohmpath("assess", "-", stdin=CASE.read_bytes(), PYTHONHASHSEED=seed, LC_ALL=locale).stdout
        for seed, locale in [("0", "C"), ("1", "C.UTF-8"), ("4242", "POSIX")]
    }
    assert len(outputs) == 1
    assert json.loads(outputs.pop())["status"]


@pytest.mark.parametrize(
    ("stdin", "name", "pointer"),
    [
        (b"", "malformed-json", None),
        (b'{"a": 1, "a": 2}', "malformed-json", ""),
        (b'{"symptom": "no-heat"}', "invalid-request", "/equipment"),
        (
            b'{"equipment": "microwave-oven", "symptom": "no-heart"}',
            "invalid-request",
            "/symptom",
        ),
        (b" " * (1024 * 1024 + 1), "content-too-large", None),
    ],
)
def test_problem_goes_to_standard_error(stdin: bytes, name: str, pointer: str | None) -> None:
    done = ohmpath("assess", "-", stdin=stdin)
    assert done.returncode == 2
    assert done.stdout == b""
    problem = json.loads(done.stderr)
    assert problem["type"] == f"/problems/{name}"
    assert [error["pointer"] for error in problem["errors"]] == (
        [] if pointer is None else [pointer]
    )


def test_missing_file_is_named(tmp_path: Path) -> None:
    done = ohmpath("assess", str(tmp_path / "none.json"))
    assert done.returncode == 2
    assert b"none.json" in done.stderr
    assert b"Traceback" not in done.stderr


@pytest.mark.parametrize("command", [("assess", str(CASE)), ("serve", "--port", "1")])
def test_unusable_rule_sets_end_it_with_a_message(command: tuple[str, ...], tmp_path: Path) -> None:
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "rule-set.yaml").write_text("id: [\n")
    done = ohmpath(*command, "--rules", str(tmp_path))
    assert done.returncode == 1
    assert b"rule-set.yaml:" in done.stderr
    assert b"Traceback" not in done.stderr
    assert b"gunicorn" not in done.stderr


def test_unusable_setting_ends_it_with_a_message() -> None:
    done = ohmpath("assess", str(CASE), OHMPATH_MAX_BODY_BYTES="lots")
    assert done.returncode == 1
    assert b"OHMPATH_MAX_BODY_BYTES" in done.stderr
    assert b"Traceback" not in done.stderr


def test_openapi_is_what_is_stored() -> None:
    done = ohmpath("openapi")
    assert done.stdout == (ROOT / "openapi" / "openapi.yaml").read_bytes()
