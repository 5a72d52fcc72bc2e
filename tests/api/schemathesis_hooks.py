"""Put real ids where the generated request has some text, so that the core is reached.

What is not a legal id is left as it is: a request that is meant to be refused stays so.
"""

from __future__ import annotations

import json
from typing import Any

import schemathesis

from service.physics.calculations import CALCULATIONS
from service.physics.forms.inputs import QuantityInput
from service.physics.forms.model import Calculation

CHECKS = {
    "observed": [("display", "lit"), ("visual-inspection", "burn-marks"), ("keypad", "dead")],
    "value": [
        ("outlet-voltage", "V"),
        ("main-fuse-resistance", "Ohm"),
        ("magnetron-to-case", "MOhm"),
        ("capacitor-capacitance", "uF"),
        ("leakage-survey", "mW/cm2"),
    ],
    "over_range": [("transformer-secondary-resistance", ""), ("diode-reverse", "")],
}
SYMPTOMS = ["no-heat", "no-operation", "low-heat", "blows-fuse", "loud-hum"]
CONFIRMED = ["supply-disconnected", "capacitor-discharged", "cover-fitted"]


def legal(value: Any, most: int = 100) -> bool:
    return isinstance(value, str) and 0 < len(value) <= most


def pick(choices: list[Any], text: str) -> Any:
    """One of the choices, always the same for the same text."""
    return choices[sum(text.encode("utf-8", "replace")) % len(choices)]


def as_text(value: Any) -> bytes:
    """Lines and tables are generated as the text that they are."""
    return value if isinstance(value, bytes) else str(value).encode("utf-8", "replace")


@schemathesis.serializer("application/x-ndjson")
def lines(context: Any, value: Any) -> bytes:
    return as_text(value)


@schemathesis.serializer("text/csv")
def table(context: Any, value: Any) -> bytes:
    return as_text(value)


@schemathesis.deserializer("application/x-ndjson")
def text_of_lines(context: Any, response: Any) -> str:
    return str(response.content.decode())


@schemathesis.deserializer("application/pdf")
def bytes_of_pages(context: Any, response: Any) -> bytes:
    return bytes(response.content)


@schemathesis.deserializer("text/csv")
def text_of_table(context: Any, response: Any) -> str:
    return str(response.content.decode())


@schemathesis.hook
def map_body(context: Any, body: Any) -> Any:
    if not isinstance(body, dict) or not legal(body.get("equipment")):
        return body
    # One in four keeps its text: unknown ids must be met as well.
    if sum(body["equipment"].encode("utf-8", "replace")) % 4 == 3:
        return body
    body = {**body, "equipment": "microwave-oven"}
    if legal(body.get("symptom")):
        body["symptom"] = pick(SYMPTOMS, body["symptom"])
    if isinstance(body.get("confirmed"), list):
        body["confirmed"] = [
            pick(CONFIRMED, one) if legal(one) else one for one in body["confirmed"]
        ]
    if isinstance(body.get("readings"), list):
        body["readings"] = [reading(one) for one in body["readings"]]
    for name, known in (("nameplate", "rated_output"), ("instrument", "resistance")):
        table = body.get(name)
        if isinstance(table, dict) and len(table) == 1:
            body[name] = {known: with_unit(next(iter(table.values())), "W")}
    return body


def reading(one: Any) -> Any:
    """A reading of a check that there is, with the unit or the outcome that goes with it."""
    if not isinstance(one, dict) or not legal(one.get("check")):
        return one
    for mark, choices in CHECKS.items():
        if mark in one:
            check, answer = pick(choices, one["check"])
            one = {**one, "check": check}
            if mark == "observed" and legal(one["observed"]):
                one["observed"] = answer
            if mark == "value":
                one = with_unit(one, answer)
            break
    return one


def with_unit(quantity: Any, unit: str) -> Any:
    if isinstance(quantity, dict) and legal(quantity.get("unit"), 32):
        return {**quantity, "unit": unit}
    return quantity


@schemathesis.hook
def map_case(context: Any, case: Any) -> Any:
    """Ask a calculation for what its inputs look like, in units and sizes that it takes."""
    names = case.path_parameters or {}
    if case.path.endswith("/graph"):
        return graph(case)
    if case.path.endswith(("/trials", "/rule-sets/check")):
        return candidate(case)
    if names.get("name") not in CALCULATIONS or not isinstance(case.body, dict):
        return case
    # One in four keeps what it has: the wrong unit must be met as well.
    if len(json.dumps(case.body, default=str)) % 4 == 3:
        return case
    fitting = [
        one
        for one in CALCULATIONS.values()
        if case.body.keys() <= {each.name for each in one.inputs}
        and all(each.name in case.body for each in one.inputs if each.required)
    ]
    if fitting:
        chosen = pick(fitting, "".join(case.body))
        case.path_parameters = {**names, "name": chosen.name}
        case.body = {**case.body, **plausible(chosen, case.body)}
    return case


def plausible(calculation: Calculation, body: dict[str, Any]) -> dict[str, Any]:
    """The body's well-formed quantities with the numbers and units of the example."""
    known = calculation.example
    shared = next((one["unit"] for one in known.values() if isinstance(one, dict)), "V")
    found = {}
    for one in calculation.inputs:
        sent = body.get(one.name)
        if isinstance(one, QuantityInput) and well_formed(sent):
            fallback = {"value": (one.least + one.most) / 2, "unit": one.unit or shared}
            found[one.name] = known.get(one.name, fallback)
    return found


def well_formed(quantity: Any) -> bool:
    return (
        isinstance(quantity, dict)
        and quantity.keys() == {"value", "unit"}
        and isinstance(quantity["value"], int | float)
        and not isinstance(quantity["value"], bool)
        and legal(quantity["unit"], 32)
    )


def graph(case: Any) -> Any:
    """A complaint that there is, and a small drawing: a large one takes a while the first time."""
    query = case.query or {}
    symptom, least = query.get("symptom"), query.get("least_probability")
    if legal(symptom) and len(symptom) % 4 < 3:
        case.path_parameters = {**case.path_parameters, "rule_set_id": "microwave-oven"}
        query = {**query, "symptom": pick(["lamp-out", "turntable-stopped"], symptom)}
    if type(least) is float and 0.005 <= least <= 0.5:
        query = {**query, "least_probability": 0.3}
    case.query = query
    return case


CHANGES: list[Any] = [
    {},
    [],
    {"title": "Another"},
    {"checks": {"drum": {"minutes": 2}}},
    [{"op": "replace", "path": "/checks/drum/minutes", "value": 2}],
    {"rules": {"heat-and-lint": None}},
]


def candidate(case: Any) -> Any:
    """Changes to a rule set that there is; not on its own cases, which would take a while."""
    if "own_cases" in (case.query or {}) or case.path.endswith("/trials"):
        asked = (case.query or {}).get("own_cases", "yes")
        if asked in ("yes", "if-none-sent"):
            case.query = {**(case.query or {}), "own_cases": "no"}
    if isinstance(case.body, dict) and legal(case.body.get("base")):
        kind = {"merge": dict, "json-": list}.get(str(case.media_type)[12:17])
        fitting = [one for one in CHANGES if kind is None or isinstance(one, kind)]
        chosen = pick(fitting, case.body["base"])
        if isinstance(case.body.get("changes", {}), dict | list):
            case.body = {**case.body, "base": "tumble-dryer", "changes": chosen}
    return case
