"""What `pip install .` installs works on its own: from another folder, with its own rule sets."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory, root: Path) -> Path:
    """The folder into which the project, and nothing else, has been installed."""
    target = tmp_path_factory.mktemp("installed")
    command = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--target"]
    subprocess.run([*command, str(target), str(root)], check=True, timeout=300)
    return target


def run(installed: Path, cwd: Path, *arguments: str, stdin: bytes = b"") -> bytes:
    done = subprocess.run(
        [sys.executable, "-P", *arguments],
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(installed)},
        input=stdin,
        capture_output=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr.decode()
    return done.stdout


def test_installed_copy_finds_its_own_rule_sets(installed: Path, tmp_path: Path) -> None:
    where = run(
        installed,
        tmp_path,
        "-c",
        "from service.ruleset.catalogue import bundled_rules; print(bundled_rules())",
    )
    assert Path(where.decode().strip()) == installed / "service" / "_rules"


def test_installed_copy_answers_as_the_checkout(
    installed: Path, tmp_path: Path, root: Path
) -> None:
    case = (root / "examples" / "no-heat.json").read_bytes()
    answer = run(installed, tmp_path, "-m", "service", "assess", "-", stdin=case)
    checkout = run(root, tmp_path, "-m", "service", "assess", "-", stdin=case)
    assert json.loads(answer)["status"] == "fault-found"
    assert answer == checkout


def test_installed_copy_has_its_german(installed: Path, tmp_path: Path) -> None:
    said = run(
        installed,
        tmp_path,
        "-c",
        "from service.ruleset.catalogue import Catalogue; from service.texts import texts_in;"
        "texts = texts_in(Catalogue.load().source('microwave-oven').folder, 'de');"
        "print(texts.of('DANGER').text, texts.word('main-fuse').text.encode('ascii', 'replace'))",
    )
    assert said.decode().split() == ["GEFAHR", "b'Ger?tesicherung'"]


def test_installed_copy_has_the_page(installed: Path, tmp_path: Path) -> None:
    asked = (
        "from service.app import create_app; client = create_app().test_client();"
        "print([client.get('/docs' + one).status_code"
        " for one in ('', '/docs.js', '/docs.css', '/swagger-ui.css', '/swagger-ui-bundle.js')])"
    )
    answered = run(installed, tmp_path, "-c", asked)
    assert json.loads(answered) == [200] * 5


def test_installed_copy_holds_what_it_needs_and_no_more(installed: Path, root: Path) -> None:
    found = {
        path.relative_to(installed / "service").as_posix()
        for path in (installed / "service").rglob("*")
        if path.is_file() and path.suffix != ".pyc"
    }
    # Listed by hand rather than by git: a source archive has no history.
    sources = [
        path.relative_to(root).as_posix()
        for folder in ("service", "rules")
        for path in (root / folder).rglob("*")
        if path.is_file()
        and path.suffix != ".pyc"
        and "/." not in f"/{path.relative_to(root).as_posix()}"
    ]
    expected = {
        name.replace("rules/", "_rules/", 1)
        if name.startswith("rules/")
        else name[len("service/") :]
        for name in sources
        if "/." not in name  # caches of tools
    }
    assert found == expected
