"""Fixtures that every part of the tests shares."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from service.diagnosis.assessment import Reasoner
from service.ruleset import catalogue as catalogues
from service.ruleset.catalogue import Catalogue
from service.ruleset.model import RuleSet
from tests.loaded import once

# Before any test is imported: some load rule sets then.
vars(catalogues)["load_source"] = once(catalogues.load_source)

# On CI the same examples each time, so that nothing fails by chance; elsewhere new ones, and what
# fails is kept (.hypothesis) and tried first from then on.
settings.register_profile("default", deadline=None, print_blob=True)
settings.register_profile("ci", deadline=None, print_blob=True, derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "default")

# What needs a server, a proxy, a browser or another toolchain, or takes its time. One visit over
# HTTP and a short run of schemathesis are in the short form all the same.
LONG = frozenset(
    {
        *("breaking", "browser", "clients", "examples", "optimum"),
        *("api/test_batch_http", "api/test_changes_cli", "api/test_cli", "api/test_docs"),
        *("api/test_guard", "api/test_installed_copy", "api/test_observed_service"),
        *("api/test_offline_cluster", "api/test_readme", "api/test_rules_cli"),
        *("api/test_running_service", "api/test_trials", "batch/test_array", "batch/test_cluster"),
        *("guard/test_running", "observe/test_replay", "openapi/test_linters"),
        *("package/test_environment", "package/test_nginx_limits"),
        *("record/test_record_http", "trials/test_applied", "trials/test_generated"),
        *("trials/test_sandbox",),
    }
)
_HERE = Path(__file__).parent


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what is of the long form."""
    for item in items:
        place = item.path.relative_to(_HERE).with_suffix("").as_posix()
        if place in LONG or place.split("/")[0] in LONG:
            item.add_marker(pytest.mark.long)


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    return Catalogue.load()


@pytest.fixture(scope="session")
def oven(catalogue: Catalogue) -> RuleSet:
    return catalogue.get("microwave-oven")


@pytest.fixture(scope="session")
def reasoner(oven: RuleSet) -> Reasoner:
    return Reasoner(oven)


@pytest.fixture
def full(tmp_path: Path) -> Iterator[Path]:
    """A folder of a file system that has no room left."""
    small = tmp_path / "small"
    small.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(small)]
    if os.geteuid() or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("nothing can be mounted here")
    try:
        (small / "filler").write_bytes(b"x" * 60_000)
        yield small
    finally:
        subprocess.run(["umount", str(small)], check=False)
