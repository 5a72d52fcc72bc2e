"""Every number of the bundled rule sets says where it comes from, and guesses say so."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML

from service.ruleset.catalogue import bundled_rules

FILES = sorted(bundled_rules().glob("*/*.yaml"))


def nodes(node: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    yield path, node
    if isinstance(node, dict):
        for key, value in node.items():
            yield from nodes(value, (*path, str(key)))
    elif isinstance(node, list):
        for index, value in enumerate(node):
            yield from nodes(value, (*path, str(index)))


def load(path: Path) -> Any:
    return YAML(typ="safe", pure=True).load(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("path", FILES, ids=[f"{p.parent.name}/{p.name}" for p in FILES])
def test_every_number_stands_below_a_source(path: Path) -> None:
    document = load(path)
    sourced = {
        where for where, node in nodes(document) if isinstance(node, dict) and "source" in node
    }
    for where, node in nodes(document):
        if where[-2:] == ("least", "value") and node == 0:
            continue  # no resistance, capacitance or voltage reading of these checks is negative
        if isinstance(node, int | float) and not isinstance(node, bool):
            above = [where[:length] for length in range(len(where))]
            assert sourced.intersection(above), f"no source over {'/'.join(where)}"


@pytest.mark.parametrize("path", FILES, ids=[f"{p.parent.name}/{p.name}" for p in FILES])
def test_probabilities_are_marked_as_the_guesses_that_they_are(path: Path) -> None:
    """A row with a measured source would name a document; none does yet."""
    for where, node in nodes(load(path)):
        if isinstance(node, dict) and ({"p", "rate", "ratio", "symptom_weights"} & node.keys()):
            assert node["source"].startswith("estimate"), "/".join(where)


def test_minutes_are_marked_as_estimates() -> None:
    for path in bundled_rules().glob("*/rule-set.yaml"):
        assert load(path)["minutes_source"] == "estimate"
