"""Spectral finds nothing in the OpenAPI document, and finds what is put into a copy of it.

That the document is valid by openapi-spec-validator stands in tests/api/test_contract.py.
"""

from __future__ import annotations

import json
import subprocess
from pathlib import Path
from typing import Any

from tests.clients.npm import node_modules
from tests.openapi.reading import STORED, read

RULES = Path(__file__).with_name("spectral.yaml")


def spectral(document: Path) -> list[dict[str, Any]]:
    """All that Spectral says of a document, down to hints."""
    done = subprocess.run(
        [
            str(node_modules() / ".bin" / "spectral"),
            "lint",
            f"--ruleset={RULES}",
            "--format=json",
            "--quiet",
            str(document),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode in (0, 1), done.stdout + done.stderr
    found: list[dict[str, Any]] = json.loads(done.stdout)
    return found


def test_spectral_finds_nothing() -> None:
    assert spectral(STORED) == []


def test_spectral_is_awake(tmp_path: Path) -> None:
    document = read(STORED)
    paths, schemas = document["paths"], document["components"]["schemas"]
    case = paths["/v1/assessments"]["post"]

    del schemas["Pair"]
    schemas["Move"]["properties"]["fault"] = {"type": "array"}
    schemas["Idle"] = {"type": "object"}
    case["requestBody"]["content"]["application/json"]["example"] = {"equipment": 1}
    case["parameters"] = "none"
    del paths["/healthz"]["get"]["description"], paths["/readyz"]["get"]["operationId"]
    del paths["/problems/{name}"]["parameters"]
    paths["/metrics"]["get"]["security"] = [{"kee": ["operate"]}]

    spoilt = tmp_path / "spoilt.json"
    spoilt.write_text(json.dumps(document))
    assert {one["code"] for one in spectral(spoilt)} >= {
        "array-items",
        "invalid-ref",
        "oas3-schema",
        "oas3-unused-component",
        "oas3-valid-media-example",
        "operation-description",
        "operation-operationId",
        "path-params",
        "security-scheme-defined",
    }
