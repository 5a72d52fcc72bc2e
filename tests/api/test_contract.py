"""The OpenAPI document is true: valid, up to date, and what really goes in and out."""

from __future__ import annotations

import copy
import json
import re
from pathlib import Path
from typing import Any

import pytest
import yaml
from flask.testing import FlaskClient
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from openapi_spec_validator import OpenAPIV31SpecValidator
from ruamel.yaml import YAML

from service.api.cases import load_case
from service.api.examples import NO_HEAT
from service.api.openapi import dump_yaml
from service.problems import PROBLEM_TYPES, Problem
from tests.api.documented import DOCUMENT, validator, wrong_with
from tests.bench.make_cases import originals
from tests.openapi.reading import read
from tests.wanted import examples


def test_document_is_valid_openapi_3_1() -> None:
    assert DOCUMENT["openapi"] == "3.1.0"
    OpenAPIV31SpecValidator(DOCUMENT).validate()


def test_every_component_is_a_valid_schema_with_a_description() -> None:
    for name, schema in DOCUMENT["components"]["schemas"].items():
        Draft202012Validator.check_schema(schema)
        if "anyOf" in schema:  # of objects that have names themselves
            assert all(one.keys() == {"$ref"} for one in schema["anyOf"]), name
            assert schema["description"], name
        else:
            assert schema["type"] == "object", name


def test_stored_document_is_the_one_that_is_served(root: Path, client: FlaskClient) -> None:
    stored = (root / "openapi" / "openapi.yaml").read_bytes()
    assert stored == client.get("/openapi.yaml").data, (
        "make it anew: python -m service openapi > openapi/openapi.yaml"
    )
    assert read(stored.decode()) == DOCUMENT
    assert yaml.load(stored, Loader=yaml.CSafeLoader) == DOCUMENT


def test_readers_of_yaml_1_1_and_1_2_find_the_same_texts() -> None:
    """`yes` is true to one, `1e3` a number to the other."""
    texts = "yes|No|on|y|true|null|~||1e3|0o17|017|0x1F|1_0|1:30|.5|+1|.inf|2024-01-01|=|<<|-|a: b"
    document = [*texts.split("|"), "two\nlines", "a\rb", " before", "after ", "#", "µ", "1.0"]
    dumped = dump_yaml(document)
    assert yaml.load(dumped, Loader=yaml.CSafeLoader) == document
    assert YAML(typ="safe", pure=True).load(dumped.decode()) == document
    assert YAML(typ="rt").load(dumped.decode()) == document


def test_every_documented_path_is_served_and_the_other_way_round(client: FlaskClient) -> None:
    served = {
        (re.sub(r"<\w+:(\w+)>", r"{\1}", rule.rule), method.lower())
        for rule in client.application.url_map.iter_rules()
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
        if rule.rule != "/" and not rule.rule.startswith(("/openapi.", "/docs"))
    }
    documented = {
        (path, method)
        for path, operations in DOCUMENT["paths"].items()
        for method in operations.keys() - {"parameters"}
    }
    assert served == documented


def test_every_error_is_documented_as_a_problem() -> None:
    problem = {"schema": {"$ref": "#/components/schemas/Problem"}}
    for name, response in DOCUMENT["components"]["responses"].items():
        ((kind, media),) = response["content"].items()
        assert kind == "application/problem+json", name
        assert {"schema": media["schema"]} == problem, name


def test_example_is_the_one_beside_the_readme(root: Path) -> None:
    stored = json.loads((root / "examples" / "no-heat.json").read_text())
    post = DOCUMENT["paths"]["/v1/assessments"]["post"]
    assert stored == NO_HEAT
    assert post["requestBody"]["content"]["application/json"]["example"] == NO_HEAT


def all_normal(client: FlaskClient) -> list[dict[str, Any]]:
    """Visits on which every check was answered as normal, one for each complaint."""
    described = client.get("/v1/rule-sets/microwave-oven").get_json()
    readings = [
        {"check": check["id"], "observed": outcome["id"]}
        for check in described["checks"]
        for outcome in [next(one for one in check["outcomes"] if one["meaning"] != "abnormal")]
    ]
    base = {"equipment": "microwave-oven", "readings": readings, "required_confidence": 0.999}
    return [{**base, "symptom": symptom["id"]} for symptom in described["symptoms"]]


def test_real_answers_are_as_documented_and_of_every_status(client: FlaskClient) -> None:
    seen = set()
    for document in [*originals(), *all_normal(client)]:
        assert wrong_with("Case", document) == []
        response = client.post("/v1/assessments", json=document)
        assert response.status_code == 200, (document, response.data[:500])
        answer = response.get_json()
        assert wrong_with("Assessment", answer) == [], document
        seen.add(answer["status"])
        verdict = answer["verdict"]
        if verdict is not None:
            assert [*verdict["part_titles"]] == [*verdict["parts"], *verdict["also_replace"]]
            for other in (*verdict["also_found"], *verdict["also_suspected"]):
                assert [*other["part_titles"]] == other["parts"]
    documented = DOCUMENT["components"]["schemas"]["Assessment"]["properties"]["status"]["enum"]
    assert seen == set(documented)


def test_rule_sets_are_as_documented(client: FlaskClient) -> None:
    summaries = client.get("/v1/rule-sets").get_json()
    assert summaries
    for summary in summaries:
        assert wrong_with("RuleSetSummary", summary) == []
        described = client.get(f"/v1/rule-sets/{summary['id']}").get_json()
        assert wrong_with("RuleSet", described) == []
        assert described["content_hash"] == summary["content_hash"]
        titled = {one["id"]: one["title"] for one in described["parts"]}
        remedies = described["remedies"]
        used = {part for one in remedies for part in (*one["parts"], *one["also_replace"])}
        assert titled.keys() == used
        for symptom in described["symptoms"]:
            path = f"/v1/rule-sets/{summary['id']}/symptoms/{symptom['id']}/bring"
            brought = client.get(path).get_json()["parts"]
            assert brought or symptom["id"] == "wont-dry", path
            assert all(one["title"] == titled[one["id"]] for one in brought)


def test_health_is_as_documented(client: FlaskClient) -> None:
    assert wrong_with("Health", client.get("/healthz").get_json()) == []
    assert wrong_with("Readiness", client.get("/readyz").get_json()) == []
    for name in PROBLEM_TYPES:
        assert wrong_with("ProblemType", client.get(f"/problems/{name}").get_json()) == []


# -- what the documented request schema takes, the service takes, and the other way round ---------

NAMES = ["equipment", "check", "observed", "value", "unit", "over_range", "range", "note", "extra"]
LEAVES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-3, 3),
    st.floats(allow_nan=False, allow_infinity=False),
    st.sampled_from(["", "V", "diagnose", "x" * 32, "x" * 33, "x" * 100, "x" * 101, "x" * 501]),
)
VALUES = st.recursive(
    LEAVES,
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(NAMES), inner, max_size=4)
    ),
    max_leaves=5,
)


def places(node: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [path]
    items = enumerate(node) if isinstance(node, list) else getattr(node, "items", list)()
    for key, inner in items:
        found += places(inner, (*path, key))
    return found


@st.composite
def nearly_valid(draw: st.DrawFn) -> Any:
    """The example with a few of its parts replaced, removed or added."""
    document: Any = copy.deepcopy(NO_HEAT)
    for _ in range(draw(st.integers(0, 3))):
        *parents, last = draw(st.sampled_from(places(document)[1:]))
        node = document
        for part in parents:
            node = node[part]
        match draw(st.sampled_from(["replace", "remove", "add"])):
            case "replace":
                node[last] = draw(VALUES)
            case "remove":
                del node[last]
            case _ if isinstance(node, dict):
                known = [*NAMES, "phase", "case_id", "counts", "test_voltage"]
                node[draw(st.sampled_from(known))] = draw(VALUES)
        if not document:
            break
    return document


def accepts(document: Any) -> bool:
    try:
        load_case(document)
    except Problem:
        return False
    return True


CASE = validator("Case", strict=False)


@given(nearly_valid() | VALUES)
@settings(max_examples=examples(1500), deadline=None)
def test_documented_request_is_the_accepted_request(document: Any) -> None:
    assert accepts(document) == CASE.is_valid(document)


@pytest.mark.parametrize("count", [499, 500, 501])
def test_documented_bound_of_readings_is_the_real_one(count: int) -> None:
    document = {**NO_HEAT, "readings": [{"check": "display", "observed": "lit"}] * count}
    assert accepts(document) == CASE.is_valid(document) == (count <= 500)
