"""The OpenAPI documents that are kept."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

FOLDER = Path(__file__).resolve().parents[2] / "openapi"
STORED, RELEASED = FOLDER / "openapi.yaml", FOLDER / "released.yaml"


def read(source: Path | str) -> dict[str, Any]:
    """A document, from a file or its text."""
    document: dict[str, Any] = YAML(typ="safe", pure=True).load(source)
    return document
