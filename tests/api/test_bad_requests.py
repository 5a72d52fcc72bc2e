"""Every bad request gets its problem, with a pointer to the place and a message that helps."""

from __future__ import annotations

import json
from typing import Any

import pytest
from flask.testing import FlaskClient

from service.documents import MAX_BODY_BYTES

URL = "/v1/assessments"
DELETE = object()


def problem_of(response: Any, status: int, name: str) -> dict[str, Any]:
    """The problem document of a response, its fixed parts checked."""
    assert response.status_code == status, response.data[:500]
    assert response.content_type == "application/problem+json"
    assert response.data.endswith(b"}\n")
    document: dict[str, Any] = json.loads(response.data)
    assert list(document) == ["type", "title", "status", "detail", "instance", "errors"]
    assert document["type"] == f"/problems/{name}"
    assert document["status"] == status
    assert document["title"]
    assert document["detail"]
    return document


def changed(case: dict[str, Any], path: str, value: Any) -> dict[str, Any]:
    """The case with the value at a JSON Pointer set, or deleted."""
    node: Any = case
    *parents, last = path.split("/")[1:]
    for part in parents:
        node = node[int(part)] if isinstance(node, list) else node[part]
    key: Any = int(last) if isinstance(node, list) else last
    if value is DELETE:
        del node[key]
    else:
        node[key] = value
    return case


def quantity(value: Any, unit: Any) -> dict[str, Any]:
    return {"value": value, "unit": unit}


# (what to change, to what, pointer of the first error, part of its message)
SHAPES: list[tuple[str, Any, str, str]] = [
    ("/equipment", DELETE, "/equipment", "is required"),
    ("/equipment", DELETE, "/equipment", "Type of equipment, as in a rule set"),
    ("/equipment", None, "/equipment", "must be text, not null."),
    ("/equipment", 5, "/equipment", "must be text, not 5"),
    ("/equipment", "", "/equipment", "empty"),
    ("/equipment", "x" * 101, "/equipment", "at most 100 characters"),
    ("/equipment", ["microwave-oven"], "/equipment", "not a list"),
    ("/symptom", DELETE, "/symptom", "is required"),
    ("/symptom", {"id": "no-heat"}, "/symptom", "not an object"),
    ("/symptoms", "no-heat", "/symptoms", 'did you mean "symptom"'),
    ("/weather", "fine", "/weather", "the fields here are equipment, symptom"),
    ("/a~b", 1, "/a~0b", "nknown field"),
    ("/phase", "repair", "/phase", 'must be "diagnose" or "verify-repair", not "repair"'),
    ("/phase", "", "/phase", 'must be "diagnose" or "verify-repair", not ""'),
    ("/phase", True, "/phase", 'must be "diagnose" or "verify-repair", not true'),
    ("/phase", "x" * 900, "/phase", 'must be "diagnose" or "verify-repair", not "xxx'),
    ("/case_id", 7, "/case_id", "must be text"),
    ("/case_id", "x" * 201, "/case_id", "at most 200"),
    ("/nameplate", [], "/nameplate", "must be an object, not a list"),
    ("/nameplate/supply_voltage", 120, "/nameplate/supply_voltage", '{"value": number'),
    ("/nameplate/supply_voltage", quantity("120", "V"), "/nameplate/supply_voltage/value", "quot"),
    ("/nameplate/supply_voltage", {"value": 1}, "/nameplate/supply_voltage/unit", "is required"),
    (
        "/nameplate/supply_voltage",
        {"value": 1, "unit": "V", "phase": 1},
        "/nameplate/supply_voltage/phase",
        "nknown field",
    ),
    ("/instrument", "multimeter", "/instrument", "must be an object"),
    ("/instrument/resistance", 1, "/instrument/resistance", "must be an object, not 1"),
    ("/instrument/resistance/counts", -1, "/instrument/resistance/counts", "0 or more"),
    ("/instrument/resistance/counts", True, "/instrument/resistance/counts", "not true"),
    (
        "/instrument/resistance/percent_of_reading",
        -0.1,
        "/instrument/resistance/percent_of_reading",
        "0 or more, not -0.1",
    ),
    ("/instrument/resistance/resolution", 0.1, "/instrument/resistance/resolution", "an object"),
    ("/readings", {}, "/readings", "must be a list, not an object"),
    ("/readings", None, "/readings", "null"),
    ("/readings", [{}] * 501, "/readings", "at most 500 items, not 501"),
    ("/readings/0", "display", "/readings/0", "must be an object"),
    ("/readings/0/check", DELETE, "/readings/0/check", "is required"),
    ("/readings/0/observed", DELETE, "/readings/0", "exactly one of observed, value"),
    ("/readings/0/observed", True, "/readings/0/observed", "must be text, not true"),
    ("/readings/0/value", 1, "/readings/0", "exactly one of"),
    ("/readings/0/over_range", True, "/readings/0", "here are observed and over_range"),
    ("/readings/0/unit", "V", "/readings/0/unit", "nknown field"),
    ("/readings/0/colour", "red", "/readings/0/colour", "nknown field"),
    ("/readings/0/note", "x" * 501, "/readings/0/note", "at most 500"),
    ("/readings/1/over_range", True, "/readings/1", "here are value and over_range"),
    ("/readings/1/value", "228.6", "/readings/1/value", "leave out the quotation marks"),
    ("/readings/1/value", "high", "/readings/1/value", 'must be a number, not "high"'),
    ("/readings/1/value", True, "/readings/1/value", "must be a number, not true"),
    ("/readings/1/value", None, "/readings/1/value", "null"),
    ("/readings/1/value", DELETE, "/readings/1/value", "is required"),
    ("/readings/1/unit", DELETE, "/readings/1/unit", "is required"),
    ("/readings/1/unit", "V" * 33, "/readings/1/unit", "at most 32"),
    ("/readings/1/range", quantity(600, "V"), "/readings/1/range", "nknown field"),
    ("/readings/2/over_range", False, "/readings/2/over_range", "must be true or left out"),
    ("/readings/2/over_range", 1, "/readings/2/over_range", "must be true or left out, not 1"),
    ("/readings/2/range", 2000, "/readings/2/range", "must be an object"),
    ("/confirmed", "supply-disconnected", "/confirmed", "must be a list"),
    ("/confirmed", [1], "/confirmed/0", "or text, not 1"),
    ("/confirmed", ["x"] * 101, "/confirmed", "at most 100 items"),
    ("/required_confidence", 0.49, "/required_confidence", "0.5 or more, not 0.49"),
    ("/required_confidence", 1, "/required_confidence", "0.999 or less, not 1"),
    ("/required_confidence", "0.9", "/required_confidence", "must be a number"),
    ("/required_confidence", True, "/required_confidence", "must be a number, not true"),
    ("/required_confidence", "0,9", "/required_confidence", "a number has a decimal point"),
    ("/costs", None, "/costs", "must be an object, not null; leave it out if there is none"),
    (
        "/costs",
        {"second_visit": 90},
        "/costs/second_visit",
        "an object with value and unit, not 90",
    ),
    (
        "/instrument/resistance/resolution",
        None,
        "/instrument/resistance/resolution",
        "must be an object, not null",
    ),
    ("/repairs", ["replace-diode"], "/repairs/0", "an object with remedy and readings_before"),
    ("/repairs", [[{}]], "/repairs/0", "not a list"),
    ("/repairs", [{"remedy": "x"}], "/repairs/0/readings_before", "How many of the readings"),
    ("/readings/0", [[]], "/readings/0", "must be an object, not a list"),
    ("/readings/0", {"check": "display", "outcome": "lit"}, "/readings/0", "is none of them"),
    ("/confirmed", [["x"]], "/confirmed/0", "or text, not a list"),
    ("/case_id", "a\u202eb" * 99, "/case_id", "at most 200 characters"),
]

# The same for what has the right shape, but means nothing to the rule set.
MEANINGS: list[tuple[str, Any, str, str]] = [
    ("/equipment", "steam-engine", "/equipment", "microwave-oven"),
    ("/equipment", "\0", "/equipment", "nknown"),
    ("/symptom", "no-heart", "/symptom", "no-heat"),
    ("/nameplate/colour", "white", "/nameplate/colour", "nknown"),
    ("/nameplate/a~1b", "white", "/nameplate/a~01b", "nknown"),
    ("/nameplate/supply_voltage", quantity(230, "W"), "/nameplate/supply_voltage/unit", "voltage"),
    ("/nameplate/high_voltage_supply", "magic", "/nameplate/high_voltage_supply", "transformer"),
    ("/instrument/weight", {}, "/instrument/weight", "resistance"),
    ("/readings/0/check", "displays", "/readings/0/check", "display"),
    ("/readings/0/observed", "blinking", "/readings/0/observed", "lit"),
    ("/readings/1/unit", "Volts", "/readings/1/unit", "V"),
    ("/readings/1/unit", "A", "/readings/1/unit", "voltage"),
    ("/readings/1/value", 1e300, "/readings/1/value", "not a real reading"),
    ("/readings/1/value", 10**300, "/readings/1/value", "not a real reading"),
    ("/confirmed/0", "supply-cut", "/confirmed/0", "supply-disconnected"),
    ("/confirmed/0", "local-codes", "/confirmed/0", "none to confirm"),
    ("/equipment", "oven", "/equipment", "did you mean 'microwave-oven'?"),
    ("/equipment", "Microwave-Oven", "/equipment", "did you mean 'microwave-oven'?"),
    ("/symptom", "kalt", "/symptom", "known symptoms: arcing"),
    (
        "/unavailable",
        ["diode"],
        "/unavailable/0",
        "'diode-forward', 'diode-insulation', 'diode-reverse' or 'diode-with",
    ),
    ("/unavailable", ["x-ray"], "/unavailable/0", "diode-insulation and "),
    ("/readings/1/unit", "mW/cm²", "/readings/1/unit", "'mW/cm²' is not a UCUM unit code"),
    ("/readings/1/unit", "kΩ", "/readings/1/unit", "did you mean kOhm"),
    ("/readings/1/unit", " V", "/readings/1/unit", "did you mean V?"),
    ("/readings/1/unit", "V\u202e", "/readings/1/unit", "'V\\u202e' is not"),
    ("/readings/1/unit", "\x07V", "/readings/1/unit", "'\\x07V' is not"),
    ("/readings/0/observed", "glühend", "/readings/0/observed", "'glühend' is not"),
    (
        "/readings/1",
        {"check": "outlet-voltage", "observed": "230 V"},
        "/readings/1/observed",
        "value",
    ),
    (
        "/readings/0",
        {"check": "display", "value": 1, "unit": "V"},
        "/readings/0",
        "send `observed`",
    ),
    ("/nameplate/supply_voltage", "230 V", "/nameplate/supply_voltage", "V or mV or kV"),
    (
        "/nameplate/rated_output",
        quantity(9e9, "W"),
        "/nameplate/rated_output/value",
        "at least 100 W, at most 3500 W",
    ),
    (
        "/nameplate/high_voltage_supply",
        quantity(1, "V"),
        "/nameplate/high_voltage_supply",
        "must be transformer or inverter, not a quantity",
    ),
    (
        "/instrument/resistance/lead_resistance",
        quantity(100, "Ohm"),
        "/instrument/resistance/lead_resistance/value",
        "must be 5 Ohm or less",
    ),
    (
        "/repairs",
        [{"remedy": "replace-diod", "readings_before": 1}],
        "/repairs/0/remedy",
        "did you mean 'replace-diode'?",
    ),
    (
        "/repairs",
        [{"remedy": "replace-diode", "readings_before": 9}],
        "/repairs/0/readings_before",
        "more than the readings that were sent (3)",
    ),
    (
        "/costs",
        {"price_classes": {"pricey": quantity(1, "min")}},
        "/costs/price_classes/pricey",
        "known price classes: high, low",
    ),
    (
        "/readings/0",
        {"check": "water-load-power", "inputs": {"method": "pint"}},
        "/readings/0/inputs/method",
        '"one-litre"',
    ),
]


@pytest.mark.parametrize(("path", "value", "pointer", "message"), SHAPES + MEANINGS)
def test_invalid_request(
    client: FlaskClient, case: dict[str, Any], path: str, value: Any, pointer: str, message: str
) -> None:
    document = changed(case, path, value)
    problem = problem_of(client.post(URL, json=document), 422, "invalid-request")
    assert problem["instance"] == URL
    assert problem["errors"], "nothing said where"
    first = problem["errors"][0]
    assert first["pointer"] == pointer
    assert message in first["message"]
    assert len(first["message"]) < 400
    for one in problem["errors"]:  # a sentence each, that may be shown as it is
        assert one["message"][0] == one["message"][0].upper()
        assert one["message"][-1] in ".?"
        assert one["message"][-2] not in ".?"
        assert one["message"].isprintable()
    # `detail` helps by itself: it names the first place and what is wrong there.
    assert problem["detail"].endswith(f"t {pointer}: {first['message']}")
    assert problem["detail"].partition(" ")[0] in ("At", str(len(problem["errors"])))


@pytest.mark.parametrize(
    ("raw", "pointer", "message"),
    [
        (b"[]", "", "must be an object with equipment and symptom, not a list"),
        (b"null", "", "symptom, not null"),
        (b'"no-heat"', "", 'symptom, not "no-heat"'),
        (b"12", "", "symptom, not 12"),
        (b"{}", "/equipment", "is required"),
    ],
)
def test_whole_document(client: FlaskClient, raw: bytes, pointer: str, message: str) -> None:
    response = client.post(URL, data=raw, content_type="application/json")
    problem = problem_of(response, 422, "invalid-request")
    assert problem["errors"][0]["pointer"] == pointer
    assert message in problem["errors"][0]["message"]


def test_negative_resistance(client: FlaskClient, case: dict[str, Any]) -> None:
    case["readings"] = [{"check": "main-fuse-resistance", "value": -2, "unit": "Ohm"}]
    problem = problem_of(client.post(URL, json=case), 422, "invalid-request")
    assert problem["errors"][0]["pointer"] == "/readings/0/value"
    assert "-2 Ohm" in problem["errors"][0]["message"]


def test_everything_wrong_is_reported_at_once(client: FlaskClient, case: dict[str, Any]) -> None:
    case["readings"] += [{"check": "display"}] * 9
    case["readings"][1]["value"] = "x"
    case["extra"] = 1
    problem = problem_of(client.post(URL, json=case), 422, "invalid-request")
    pointers = [error["pointer"] for error in problem["errors"]]
    # By place, a list's items in the order of their index, whatever the hash seed.
    expected = ["/extra", "/readings/1/value", *(f"/readings/{i}" for i in range(3, 12))]
    assert pointers == expected
    told = problem["errors"][0]["message"]
    assert problem["detail"] == f"11 things are wrong with the request, first at /extra: {told}"


RAW: list[tuple[bytes, int, str, str | None, str]] = [
    (b"", 400, "malformed-json", None, "empty"),
    (b"symptom=no-heat", 400, "malformed-json", None, "line 1, column 1"),
    (b'{"a": "\x01"}', 400, "malformed-json", None, "column 8: Invalid control character."),
    (b'{"a": "x', 400, "malformed-json", None, "column 7: Unterminated string."),
    (b'{"a": 1}{"b": 2}', 400, "malformed-json", None, "One document is expected"),
    (b'{"a": {"b": 1, "b": 2}}', 400, "malformed-json", "/a", '"b"'),
    (b'{"equipment": "\xff"}', 400, "malformed-json", None, "offset 15"),
    (b'{"a": 1, "b": 2, "a": 3}', 400, "malformed-json", "", '"a"'),
    (b'{"readings": [{"value": NaN}]}', 400, "malformed-json", "/readings/0/value", "NaN"),
    (b'{"readings": [{"value": Infinity}]}', 400, "malformed-json", "/readings/0/value", "Inf"),
    (b'{"readings": [{"value": 1e400}]}', 422, "invalid-request", "/readings/0/value", "large"),
    (
        b'{"required_confidence": ' + b"9" * 100_000 + b"}",
        422,
        "invalid-request",
        "/required_confidence",
        "too large",
    ),
    (b'{"symptom": "\\ud800"}', 422, "invalid-request", "/symptom", "surrogate"),
    (b"[" * 100_000, 400, "malformed-json", None, "32 levels"),
    (b'{"a":' * 33 + b"1" + b"}" * 33, 400, "malformed-json", None, "32 levels"),
]


@pytest.mark.parametrize(("raw", "status", "name", "pointer", "message"), RAW)
def test_bytes(
    client: FlaskClient, raw: bytes, status: int, name: str, pointer: str | None, message: str
) -> None:
    response = client.post(URL, data=raw, content_type="application/json")
    problem = problem_of(response, status, name)
    if pointer is None:
        assert problem["errors"] == []
        assert message in problem["detail"]
    else:
        assert problem["errors"][0]["pointer"] == pointer
        assert message in problem["errors"][0]["message"]


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Content-Type": "text/plain"},
        {"Content-Type": "application/x-www-form-urlencoded"},
        {"Content-Type": "application/merge-patch+json"},
        {"Content-Type": "application/json; charset=utf-16"},
        {"Content-Type": "application/json", "Content-Encoding": "gzip"},
    ],
)
def test_other_media_types(
    client: FlaskClient, case: dict[str, Any], headers: dict[str, str]
) -> None:
    response = client.post(URL, data=json.dumps(case), headers=headers)
    problem = problem_of(response, 415, "unsupported-media-type")
    typed = "urlencoded" in headers.get("Content-Type", "")
    assert ("-H 'Content-Type: application/json'" in problem["detail"]) == typed


@pytest.mark.parametrize(
    ("path", "hint"),
    [
        ("/v1/assesments", "did you mean /v1/assessments?"),
        ("/v1/calculation", "did you mean /v1/calculations?"),
        ("/" + "x" * 3000, "GET /openapi.json lists the paths."),
    ],
)
def test_nothing_at_an_address(client: FlaskClient, path: str, hint: str) -> None:
    problem = problem_of(client.post(path), 404, "not-found")
    assert problem["detail"].endswith(f"; {hint}")
    assert len(problem["detail"]) < 200


@pytest.mark.parametrize(
    "content_type", ["application/json", "application/json;charset=UTF-8", "Application/JSON"]
)
def test_same_media_type(client: FlaskClient, case: dict[str, Any], content_type: str) -> None:
    response = client.post(URL, data=json.dumps(case), content_type=content_type)
    assert response.status_code == 200


def test_body_at_and_over_the_limit(client: FlaskClient, case: dict[str, Any]) -> None:
    body = json.dumps(case).encode().ljust(MAX_BODY_BYTES)
    at = client.post(URL, data=body, content_type="application/json")
    assert at.status_code == 200
    over = client.post(URL, data=body + b" ", content_type="application/json")
    problem = problem_of(over, 413, "content-too-large")
    assert str(MAX_BODY_BYTES) in problem["detail"]


def test_later_reading_of_a_check_stands(client: FlaskClient, case: dict[str, Any]) -> None:
    case["readings"] = [
        {"check": "display", "observed": "dark"},
        {"check": "display", "observed": "lit"},
    ]
    response = client.post(URL, json=case)
    assert response.status_code == 200
    findings = response.get_json()["findings"]
    assert [(one["outcome"], one["superseded"]) for one in findings] == [
        ("dark", True),
        ("lit", False),
    ]


def test_many_errors_are_cut_short(client: FlaskClient) -> None:
    body = json.dumps({f"x{number}": 1 for number in range(60_000)}).encode()
    answer = client.post("/v1/assessments", data=body, content_type="application/json")
    assert answer.status_code == 422
    assert len(answer.get_json()["errors"]) == 20
    told = "60002 things are wrong with the request (20 are listed), first at /equipment: Text is"
    assert answer.get_json()["detail"].startswith(told)
    assert len(answer.data) < 10_000


def test_a_key_of_many_characters_is_not_echoed(client: FlaskClient) -> None:
    body = json.dumps({"k" * 900_000: 1}).encode()
    answer = client.post("/v1/assessments", data=body, content_type="application/json")
    assert answer.status_code == 422
    assert len(answer.data) < 2_000
