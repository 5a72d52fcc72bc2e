"""The calculations over HTTP: as documented, the same bytes each time, and never a 5xx."""

from __future__ import annotations

import json
from typing import Any

import pytest
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from service.app import create_app
from service.physics.calculations import CALCULATIONS
from service.settings import Settings
from tests.wanted import examples

URL = "/v1/calculations"
DOCUMENT: dict[str, Any] = create_app(Settings()).test_client().get("/openapi.json").get_json()
POST = DOCUMENT["paths"][f"{URL}/{{name}}"]["post"]
REQUESTS = {name: dict(one.example) for name, one in CALCULATIONS.items()}


def validator(schema: Any) -> Draft202012Validator:
    return Draft202012Validator({**schema, "components": DOCUMENT["components"]})


def component(name: str) -> Draft202012Validator:
    return validator({"$ref": f"#/components/schemas/{name}"})


REQUEST = validator(POST["requestBody"]["content"]["application/json"]["schema"])
ANSWER = component("CalculationResult")
PROBLEM = component("Problem")


def quantity(value: Any, unit: Any) -> dict[str, Any]:
    return {"value": value, "unit": unit}


def problem(response: Any, status: int, name: str) -> dict[str, Any]:
    assert response.status_code == status, response.data[:500]
    assert response.content_type == "application/problem+json"
    document: dict[str, Any] = response.get_json()
    PROBLEM.validate(document)
    assert document["type"] == f"/problems/{name}"
    return document


def test_the_list_is_as_documented_and_complete(client: FlaskClient) -> None:
    response = client.get(URL)
    listed = response.get_json()
    assert [one["name"] for one in listed] == [
        "water-load-power",
        "capacitor-discharge",
        "supply-tolerance",
        "high-voltage-doubler",
        "conformance",
    ]
    for one in listed:
        component("Calculation").validate(one)
        assert one["inputs"]
        assert one["outputs"]
    again = client.get(URL, headers={"If-None-Match": response.headers["ETag"]})
    assert again.status_code == 304


@pytest.mark.parametrize("name", REQUESTS)
def test_documented_examples_are_the_real_ones(client: FlaskClient, name: str) -> None:
    request = POST["requestBody"]["content"]["application/json"]["examples"][name]["value"]
    answer = POST["responses"]["200"]["content"]["application/json"]["examples"][name]["value"]
    assert request == REQUESTS[name]
    first = client.post(f"{URL}/{name}", json=request)
    assert first.status_code == 200
    assert first.get_json() == answer
    assert first.data == client.post(f"{URL}/{name}", json=request).data
    assert list(answer) == [
        "calculation",
        "title",
        "outputs",
        "verdict",
        "warnings",
        "notes",
        "inputs",
        "sources",
    ]


def test_the_documented_inputs_are_the_declared_ones() -> None:
    for schema in REQUEST.schema["anyOf"]:
        assert schema["$ref"].endswith("Inputs")
    for name, calculation in CALCULATIONS.items():
        title = "".join(part.capitalize() for part in name.split("-"))
        documented = DOCUMENT["components"]["schemas"][f"{title}Inputs"]
        assert set(documented["properties"]) == {one.name for one in calculation.inputs}
        required = {one.name for one in calculation.inputs if one.required}
        assert set(documented.get("required", ())) == required
        assert documented["additionalProperties"] is False


def test_a_name_that_there_is_not(client: FlaskClient) -> None:
    near = problem(client.post(f"{URL}/water-load", json={}), 404, "not-found")
    assert "did you mean water-load-power?" in near["detail"]
    far = problem(client.post(f"{URL}/{'x' * 500}", json={}), 404, "not-found")
    assert "known: water-load-power, capacitor-discharge" in far["detail"]
    assert len(far["detail"]) < 300


@pytest.mark.parametrize(
    ("name", "change", "pointer", "message"),
    [
        ("water-load-power", {"rated_power": 1}, "/rated_power", 'did you mean "rated_output"?'),
        ("water-load-power", {"method": "one-liter"}, "/method", '"one-litre"'),
        ("water-load-power", {"time": quantity(62, "V")}, "/time/unit", "not of time"),
        ("water-load-power", {"time": quantity(62, "sec")}, "/time/unit", "not a UCUM unit"),
        ("water-load-power", {"time": quantity(0, "s")}, "/time/value", "from 1 to 3600 s"),
        ("water-load-power", {"time": 62}, "/time", '{"value": number, "unit": text}'),
        ("water-load-power", {"time": None}, "/time", "not null"),
        ("capacitor-discharge", {"capacitance": quantity("1", "uF")}, "/capacitance/value", "quot"),
        ("capacitor-discharge", {"capacitance": quantity(-1, "uF")}, "/capacitance/value", "from"),
        ("capacitor-discharge", {"capacitance": quantity(10**300, "F")}, "/capacitance/value", ""),
        ("capacitor-discharge", {"capacitance": quantity(5e-324, "F")}, "/capacitance/value", ""),
        ("supply-tolerance", {"service_range": "C"}, "/service_range", '"A" or "B"'),
        ("supply-tolerance", {"counts": quantity(2, "1")}, "/counts", "must be a number"),
        ("supply-tolerance", {"percent_of_reading": "NaN"}, "/percent_of_reading", "a number"),
        ("high-voltage-doubler", {"secondary_voltage": quantity(True, "V")}, None, "not true"),
        ("conformance", {"upper_limit": quantity(5, "V")}, "/upper_limit/unit", "power-density"),
        ("conformance", {"value": quantity(1e308, "mW/cm2")}, "/value/value", "too large"),
        ("conformance", {"value": quantity(1e15, "mW/cm2")}, "/value/value", "must be from"),
        ("conformance", {"value": quantity(1, "10*-300.V")}, "/value/unit", "beyond any real"),
        ("conformance", {"value": quantity(1, "cd")}, "/value/unit", "not of power-density"),
    ],
)
def test_invalid_inputs(
    client: FlaskClient, name: str, change: dict[str, Any], pointer: str | None, message: str
) -> None:
    response = client.post(f"{URL}/{name}", json={**REQUESTS[name], **change})
    errors = problem(response, 422, "invalid-request")["errors"]
    found = {one["pointer"]: one["message"] for one in errors}
    (at,) = [pointer] if pointer else found
    assert message in found[at]


@pytest.mark.parametrize(
    ("raw", "status"),
    [
        (b"", 400),
        (b"[]", 422),
        (b"null", 422),
        (b'{"value": NaN}', 400),
        (b'{"value": 1, "value": 2}', 400),
        (b'{"percent_of_reading": 1e999}', 422),
        (b'{"percent_of_reading": ' + b"9" * 5000 + b"}", 422),
        (b'{"a.b": 1, "a": {"c": 1}, "a.b.c": 2}', 422),
        (b'{"\\u0000": 1}', 422),
        (b'{"\\ud800": 1}', 422),
    ],
)
def test_raw_bodies(client: FlaskClient, raw: bytes, status: int) -> None:
    response = client.post(f"{URL}/conformance", data=raw, content_type="application/json")
    assert response.status_code == status
    PROBLEM.validate(response.get_json())


def test_media_type_and_method(client: FlaskClient) -> None:
    problem(client.post(f"{URL}/conformance", data="{}"), 415, "unsupported-media-type")
    problem(client.get(f"{URL}/conformance"), 405, "method-not-allowed")
    problem(client.post(URL, json={}), 405, "method-not-allowed")


def test_many_unknown_inputs_are_cut_short(client: FlaskClient) -> None:
    body = json.dumps({f"x{number}": 1 for number in range(60_000)}).encode()
    response = client.post(f"{URL}/conformance", data=body, content_type="application/json")
    errors = problem(response, 422, "invalid-request")["errors"]
    assert len(errors) == 20
    assert len(response.data) < 10_000


# -- hundreds of documents that nobody should send ------------------------------------------------

INPUTS = sorted({one.name for each in CALCULATIONS.values() for one in each.inputs})
UNITS = ["V", "mV", "uF", "MOhm", "s", "g", "K", "Cel", "[degF]", "W", "mW/cm2", "ym", "10*-300.V"]
NUMBERS = st.one_of(
    st.sampled_from([0, 1, 10, 120, 2100, -1, 5e-324, 1e-300, 1e15, 1e308, 10**300]),
    st.floats(allow_nan=False, allow_infinity=False),
)
LEAVES = st.none() | st.booleans() | NUMBERS | st.text(max_size=8)
VALUES = st.one_of(
    st.fixed_dictionaries({"value": NUMBERS, "unit": st.sampled_from(UNITS)}),
    NUMBERS,
    st.sampled_from(["formula", "one-litre", "two-litre", "A", "voltage", "NaN"]),
    st.dictionaries(st.sampled_from(["value", "unit", "/~"]), LEAVES, max_size=3),
    st.lists(LEAVES, max_size=2),
    LEAVES,
)
CHANGES = st.dictionaries(st.sampled_from(INPUTS) | st.text(max_size=5), VALUES, max_size=4)


@given(st.sampled_from(list(REQUESTS)), st.booleans(), CHANGES)
@settings(
    max_examples=examples(800),
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_never_a_5xx(
    client: FlaskClient, name: str, from_example: bool, changes: dict[str, Any]
) -> None:
    document = {**(REQUESTS[name] if from_example else {}), **changes}
    body = json.dumps(document).encode()
    first, second = (
        client.post(f"{URL}/{name}", data=body, content_type="application/json") for _ in range(2)
    )
    assert first.data == second.data
    if first.status_code == 200:
        ANSWER.validate(first.get_json())
        # What is accepted is documented; what is documented may still be refused for its meaning.
        assert REQUEST.is_valid(document)
        return
    errors = problem(first, 422, "invalid-request")["errors"]
    assert errors
    for one in errors:
        resolve(document, one["pointer"])


def resolve(document: Any, pointer: str) -> None:
    """Follow a pointer to something in the document, or to a member that is missing."""
    if not pointer:
        return
    *parents, last = [part.replace("~1", "/").replace("~0", "~") for part in pointer.split("/")[1:]]
    node = document
    for part in parents:
        node = node[part]
    assert isinstance(node, dict), (pointer, last)
