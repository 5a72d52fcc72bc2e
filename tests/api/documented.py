"""The OpenAPI document, and what is wrong with an answer by it."""

from __future__ import annotations

from typing import Any

from jsonschema import Draft202012Validator

from service.app import create_app
from service.settings import Settings

DOCUMENT: dict[str, Any] = create_app(Settings()).test_client().get("/openapi.json").get_json()


def closed(node: Any) -> Any:
    """The schema with every object closed, so that an undocumented name is an error."""
    if isinstance(node, list):
        return [closed(item) for item in node]
    if not isinstance(node, dict):
        return node
    out = {name: closed(inner) for name, inner in node.items()}
    if isinstance(node.get("properties"), dict):
        out.setdefault("additionalProperties", False)
    return out


def validator(name: str, *, strict: bool = True) -> Draft202012Validator:
    """A validator for a component of the document."""
    components = DOCUMENT["components"]
    schema = {"$ref": f"#/components/schemas/{name}", "components": components}
    return Draft202012Validator(closed(schema) if strict else schema)


def wrong_with(name: str, value: Any) -> list[str]:
    return [f"{error.json_path}: {error.message}" for error in validator(name).iter_errors(value)]
