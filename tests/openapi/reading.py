"""The OpenAPI documents that are kept."""

from __future__ import annotations

from copy import deepcopy
from functools import cache
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

FOLDER = Path(__file__).resolve().parents[2] / "openapi"
STORED, RELEASED = FOLDER / "openapi.yaml", FOLDER / "released.yaml"


@cache
def _parsed(text: str) -> dict[str, Any]:
    document: dict[str, Any] = YAML(typ="safe", pure=True).load(text)
    return document


def read(source: Path | str) -> dict[str, Any]:
    """A document, from a file or its text."""
    text = source if isinstance(source, str) else source.read_text(encoding="utf-8")
    return deepcopy(_parsed(text))
