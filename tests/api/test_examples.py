"""The OpenAPI document explains itself, everywhere, and what it says is true."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from flask.testing import FlaskClient
from jsonschema import Draft202012Validator

from service.problems import PROBLEM_TYPES
from tests.api.asked import KEPT, WITHOUT, operations, problems, real_answers
from tests.api.documented import DOCUMENT

OPERATIONS = [pytest.param(one, id=one["operationId"]) for _, _, one in operations()]
# What a form's fields are is said by the schema; a file is not to be shown in JSON.
NO_EXAMPLE = {"multipart/form-data"} | WITHOUT
# Such a request has come to no operation that could document it.
OF_NO_OPERATION = {"method-not-allowed", "address-too-long", "headers-too-large"}


def examples_in(media: dict[str, Any]) -> list[Any]:
    several = [one["value"] for one in media.get("examples", {}).values()]
    return [*several, *(media[name] for name in ("example",) if name in media)]


def described(node: Any, where: str) -> Iterator[tuple[str, bool]]:
    """Each property below, and whether it is described."""
    if isinstance(node, list):
        for index, inner in enumerate(node):
            yield from described(inner, f"{where}/{index}")
    elif isinstance(node, dict):
        for name, schema in node.get("properties", {}).items():
            yield f"{where}/{name}", bool(schema.get("description", "").strip())
        for name, inner in node.items():
            if name not in ("example", "examples", "default", "enum"):
                yield from described(inner, f"{where}/{name}")


def test_example_answers_are_what_is_answered(client: FlaskClient) -> None:
    """To be made anew by `python -m tests.api.asked` after a change of rules or answers."""
    assert json.loads(KEPT.read_text(encoding="utf-8")) == real_answers(client)


def test_example_problems_are_of_their_status(client: FlaskClient) -> None:
    found = problems(client)
    assert len(found) >= 6
    for name, problem in found.items():
        response = DOCUMENT["components"]["responses"][name]
        assert response["content"]["application/problem+json"]["example"] == problem
        assert problem["type"] in response["description"]


def test_every_property_is_described() -> None:
    found = list(described(DOCUMENT["components"]["schemas"], ""))
    assert len(found) > 400
    assert [where for where, told in found if not told] == []


@pytest.mark.parametrize("operation", OPERATIONS)
def test_every_operation_has_examples_that_are_of_its_schemas(operation: dict[str, Any]) -> None:
    assert operation["summary"]
    assert all(one["description"] for one in operation["parameters"])
    contents = [operation["responses"]["200"]["content"]]
    if "requestBody" in operation:
        contents.append(operation["requestBody"]["content"])
    for content in contents:
        for kind, media in content.items():
            found = examples_in(media)
            assert found or kind in NO_EXAMPLE, kind
            if kind.endswith("json"):
                schema = {**media["schema"], "components": DOCUMENT["components"]}
                for one in found:
                    Draft202012Validator(schema).validate(one)


def test_links_name_operations_and_parameters_that_there_are() -> None:
    known = {
        one["operationId"]: {parameter["name"] for parameter in one["parameters"]}
        for _, _, one in operations()
    }
    links = [
        link
        for _, _, one in operations()
        for link in one["responses"]["200"].get("links", {}).values()
    ]
    assert len(links) >= 5
    for link in links:
        assert known[link["operationId"]] >= set(link.get("parameters", {}))
        assert link["description"]


@pytest.mark.parametrize("name", PROBLEM_TYPES)
def test_the_type_of_every_problem_can_be_looked_up(client: FlaskClient, name: str) -> None:
    kind = PROBLEM_TYPES[name]
    found = client.get(kind.uri).get_json()
    assert found == {
        "type": kind.uri,
        "title": kind.title,
        "status": kind.status,
        "description": kind.description,
    }
    named = [one["description"] for one in DOCUMENT["components"]["responses"].values()]
    documented = any(f"`{kind.uri}`" in text for text in named)
    assert documented != (name in OF_NO_OPERATION)
