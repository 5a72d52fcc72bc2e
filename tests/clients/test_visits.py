"""Clients that public generators make of the OpenAPI document: type-checked, and put to work."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.api.exploring import key_of_an_explorer
from tests.breaking.running import service
from tests.clients.npm import HERE, OLDEST, node_modules, run

DOCUMENT = HERE.parents[1] / "openapi" / "openapi.yaml"
TOOLS = Path(sys.executable).parent
CACHE = HERE / ".mypy_cache"

# What the generator for Python leaves out: it knows no more than JSON, forms and plain bytes.
LEFT_OUT = {
    ("POST /v1/assessments/batch", "application/x-ndjson"),
    ("POST /v1/assessments/batch", "text/csv"),
    ("POST /v1/rule-sets/check", "application/yaml"),
    ("POST /v1/trials", "application/yaml"),
}
# What it does wrong where a body that is required has several media types: its issue 1451. Of the
# operations without parameters that is one, whose module cannot be imported. When this is mended
# there, this test fails, and the line can go.
MISTAKES = {
    ("api/rule_sets/check_rule_set.py", 'Name "Unset" is not defined'),
    ("models/overlay.py", 'Redundant cast to "list[Any]"'),
}


@pytest.fixture(scope="module")
def python_client(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with visit.py and the client that it uses."""
    folder = tmp_path_factory.mktemp("python")
    (folder / "generator.yaml").write_text("post_hooks: []\n")  # it is not to be read by people
    said = run(
        [
            str(TOOLS / "openapi-python-client"),
            "generate",
            f"--path={DOCUMENT}",
            "--config=generator.yaml",
            "--meta=none",
            "--output-path=ohmpath_client",
        ],
        folder,
    ).stderr
    left_out = re.findall(
        r"^WARNING parsing (\S+ \S+) within .*\n\nUnsupported content type (\S+)$", said, re.M
    )
    assert set(left_out) == LEFT_OUT
    assert len(re.findall(r"^(?:WARNING|ERROR|Unable)", said, re.M)) == len(LEFT_OUT), said
    shutil.copy(HERE / "visit.py", folder)
    return folder


@pytest.fixture(scope="module")
def typescript_client(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with visit.ts, type-checked and compiled, and the client that it uses."""
    folder = tmp_path_factory.mktemp("typescript")
    packages = node_modules()
    (folder / "node_modules").symlink_to(packages)
    for name in ("package.json", "tsconfig.json", "visit.ts"):
        shutil.copy(HERE / name, folder)
    tools = packages / ".bin"
    run([str(tools / "openapi-ts"), "-i", str(DOCUMENT), "-o", "client", "--no-log-file"], folder)
    run([str(tools / "tsc")], folder)
    return folder


@pytest.fixture(scope="module", params=["open", "with keys"])
def address(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The URL of a running service, and the token that it takes."""
    yield from _with_keys(tmp_path_factory.mktemp("keys")) if request.param != "open" else _open()


def _open() -> Iterator[tuple[str, str]]:
    with service() as running:
        yield running.url, "not-looked-at"


def _with_keys(folder: Path) -> Iterator[tuple[str, str]]:
    token, keys = key_of_an_explorer(folder)
    with service(OHMPATH_KEYS=str(keys)) as running:
        yield running.url, token


def test_python_client_is_of_sound_types(python_client: Path) -> None:
    done = subprocess.run(
        # Its cache stays: what the client rests on need not be looked at each time.
        [str(TOOLS / "mypy"), "--strict", f"--cache-dir={CACHE}", "visit.py", "ohmpath_client"],
        cwd=python_client,
        capture_output=True,
        text=True,
        check=False,
    )
    found = re.findall(r"^(?:ohmpath_client/)?(\S+?):\d+: error: (.*?)  \[", done.stdout, re.M)
    assert set(found) == MISTAKES, done.stdout + done.stderr


def _assert_released(printed: str) -> None:
    course = json.loads(printed)
    assert course["fault"] == "magnetron-filament-open"
    assert course["remedy"] == "replace-magnetron"
    assert course["status"] == "released"
    assert course["released"] is True
    # What was seen on the way: both kinds of steps, and checks that could not be carried out.
    assert {"supply-disconnection", "cover-refit", "water-load-power"} <= set(course["asked"])
    assert "diode-forward" in course["unavailable"]
    assert course["refusal"] == {
        "status": 422,
        "type": "/problems/invalid-request",
        "pointers": ["/symptom"],
    }
    assert course["batch"] == ["assessed", "a problem"]


def test_visit_by_the_python_client(python_client: Path, address: tuple[str, str]) -> None:
    _assert_released(run([sys.executable, "visit.py", *address], python_client).stdout)


def test_visit_by_the_typescript_client(typescript_client: Path, address: tuple[str, str]) -> None:
    _assert_released(run(["node", "built/visit.js", *address], typescript_client).stdout)


def test_lock_file_names_no_registry() -> None:
    packages = json.loads((HERE / "package-lock.json").read_text())["packages"]
    assert all("integrity" in one for path, one in packages.items() if path)
    assert not any("resolved" in one for one in packages.values())


def test_packages_say_what_node_they_want() -> None:
    engines = json.loads((HERE / "package.json").read_text())["engines"]
    assert engines == {"node": f">={OLDEST[0]}.{OLDEST[1]}"}
