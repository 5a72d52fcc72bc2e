"""The OpenAPI documents that are kept."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

from tests.parsed import once

FOLDER = Path(__file__).resolve().parents[2] / "openapi"
STORED, RELEASED = FOLDER / "openapi.yaml", FOLDER / "released.yaml"


@once
def _parsed(text: str) -> dict[str, Any]:
    document: dict[str, Any] = YAML(typ="safe", pure=True).load(text)
    return document


def read(source: Path | str) -> dict[str, Any]:
    """A document, from a file or its text."""
    return _parsed(source if isinstance(source, str) else source.read_text(encoding="utf-8"))
