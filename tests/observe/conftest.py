"""Fixtures of the decision log's tests: cases of every kind, and a log of them."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from service.api.cases import assess_case, load_case
from service.documents import dump_json
from service.observe.decisions import entry
from service.ruleset.catalogue import Catalogue
from tests.bench.make_cases import cases, originals


@pytest.fixture(scope="session")
def own_cases() -> list[dict[str, Any]]:
    """Some of the rule sets' own cases, whole, and some cut off on the way."""
    known = originals()
    return random.Random(7).sample(known, 60) + list(cases(40, seed=7))


@pytest.fixture(scope="session")
def entries(catalogue: Catalogue, own_cases: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """What the decision log says of each of these cases."""
    loaded = [load_case(one) for one in own_cases]
    return [entry(case, assess_case(catalogue, case)) for case in loaded]


@pytest.fixture
def written(tmp_path: Path) -> Callable[[list[Any]], Path]:
    """Write lines to a file: documents, or bytes as they are."""

    def write(lines: list[Any]) -> Path:
        path = tmp_path / "decisions.ndjson"
        path.write_bytes(
            b"".join(one if isinstance(one, bytes) else dump_json(one) for one in lines)
        )
        return path

    return write
