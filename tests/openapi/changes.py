"""Deliberate changes of the OpenAPI document, each with what must be found of it.

They are made to the document itself, so that the words which it uses are tried: references beside
descriptions, `anyOf` and `oneOf`, `const`, lists of types, null.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

Document = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Change:
    """A change, and part of a line that tells of it; None: it breaks nothing."""

    name: str
    make: Callable[[Document], object]
    told: str | None


def _case(document: Document) -> Any:
    return document["paths"]["/v1/assessments"]["post"]


def _schema(document: Document, name: str) -> Any:
    return document["components"]["schemas"][name]


def _member(document: Document, schema: str, name: str) -> Any:
    return _schema(document, schema)["properties"][name]


def _replace(document: Document, schema: str, name: str, by: Any) -> Any:
    return _schema(document, schema)["properties"].update({name: by})


def _links(document: Document) -> Any:
    return _case(document)["responses"]["200"]["links"]


def _rename(where: Any, old: str, new: str) -> None:
    where[new] = where.pop(old)


REFERENCE = {"$ref": "#/components/schemas/Quantity"}
ADDED = {"type": "string", "description": "Something new."}

OPERATIONS = (
    Change(
        "path gone", lambda d: d["paths"].pop("/v1/calculations"), "GET /v1/calculations: is gone"
    ),
    Change(
        "path with another name",
        lambda d: _rename(d["paths"], "/healthz", "/health"),
        "GET /healthz: is gone",
    ),
    Change("path added", lambda d: d["paths"].update({"/v1/new": {"get": _case(d)}}), None),
    Change(
        "method gone",
        lambda d: _rename(d["paths"]["/v1/trials"], "post", "put"),
        "POST /v1/trials: is gone",
    ),
    Change(
        "operationId changed",
        lambda d: _case(d).update(operationId="assess"),
        "operationId: assessCase → assess",
    ),
    Change("another summary", lambda d: _case(d).update(summary="Judge a case"), None),
    Change("another tag", lambda d: _case(d).update(tags=["service"]), None),
    Change(
        "links gone",
        lambda d: _case(d)["responses"]["200"].pop("links"),
        "POST /v1/assessments answer 200 link next: is gone",
    ),
    Change(
        "link of another name",
        lambda d: _rename(_links(d), "rule-set", "rules"),
        "answer 200 link rule-set: is gone",
    ),
    Change(
        "link to another operation",
        lambda d: _links(d)["rule-set"].update(operationId="getGraph"),
        "answer 200 link rule-set: operationId getRuleSet → getGraph",
    ),
    Change(
        "link without a body",
        lambda d: _links(d)["next"].pop("requestBody"),
        "answer 200 link next: requestBody $request.body → None",
    ),
    Change(
        "parameter of a link from elsewhere",
        lambda d: _links(d)["rule-set"]["parameters"].update(rule_set_id="$response.body#/id"),
        "link rule-set: parameter rule_set_id $response.body#/rule_set/id → $response.body#/id",
    ),
    Change(
        "parameter of a link gone",
        lambda d: _links(d)["rule-set"]["parameters"].pop("rule_set_id"),
        "link rule-set: parameter rule_set_id $response.body#/rule_set/id → None",
    ),
    Change(
        "parameter of a link added",
        lambda d: _links(d)["next"].update(parameters={"Accept-Language": "de"}),
        None,
    ),
    Change("link added", lambda d: _links(d).update(again=_links(d)["next"]), None),
    Change(
        "link described otherwise",
        lambda d: _links(d)["next"].update(description="And so on."),
        None,
    ),
    Change(
        "another scope needed",
        lambda d: _case(d).update(security=[{"key": ["operate"]}, {}]),
        "security: {'key': ['assess']} is not enough any more",
    ),
    Change(
        "a second scope needed",
        lambda d: _case(d).update(security=[{"key": ["assess", "batch"]}, {}]),
        "security: {'key': ['assess']} is not enough any more",
    ),
    Change(
        "no way without a key",
        lambda d: _case(d)["security"].remove({}),
        "security: no key is not enough any more",
    ),
    Change(
        "a key for what was open",
        lambda d: d["paths"]["/healthz"]["get"].update(security=[{"key": []}]),
        "GET /healthz security: no key is not enough any more",
    ),
    Change("another scope will do", lambda d: _case(d)["security"].append({"key": ["new"]}), None),
    Change("no scope needed", lambda d: _case(d).update(security=[{"key": []}, {}]), None),
)


def _parameters(document: Document) -> Any:
    return document["paths"]["/v1/assessments/batch"]["parameters"]


def _new_parameter(*, required: bool) -> dict[str, Any]:
    return {"in": "query", "name": "new", "required": required, "schema": {"type": "string"}}


PARAMETERS = (
    Change("parameter gone", lambda d: _parameters(d).clear(), "parameter query detail: is gone"),
    Change(
        "parameter required",
        lambda d: _parameters(d)[0].update(required=True),
        "parameter query detail: is required now",
    ),
    Change(
        "required parameter added",
        lambda d: _parameters(d).append(_new_parameter(required=True)),
        "parameter query new: is required now",
    ),
    Change(
        "parameter added", lambda d: _parameters(d).append(_new_parameter(required=False)), None
    ),
    Change(
        "word of a parameter gone",
        lambda d: _parameters(d)[0]["schema"]["enum"].remove("brief"),
        "parameter query detail: enum ['brief']",
    ),
    Change(
        "word of a parameter added",
        lambda d: _parameters(d)[0]["schema"]["enum"].append("short"),
        None,
    ),
)

SENT = (
    Change(
        "media type gone",
        lambda d: d["paths"]["/v1/assessments/batch"]["post"]["requestBody"]["content"].pop(
            "text/csv"
        ),
        "request text/csv: is gone",
    ),
    Change(
        "media type added",
        lambda d: _case(d)["requestBody"]["content"].update({"text/plain": {"schema": {}}}),
        None,
    ),
    Change(
        "member of a request required",
        lambda d: _schema(d, "Case")["required"].append("nameplate"),
        "request application/json /nameplate: required False → True",
    ),
    Change(
        "member of a request no longer required",
        lambda d: _schema(d, "Case")["required"].remove("symptom"),
        None,
    ),
    Change(
        "required member of a request added",
        lambda d: (
            _replace(d, "Case", "new", ADDED),
            _schema(d, "Case")["required"].append("new"),
        ),
        "request application/json /new: required False → True",
    ),
    Change("member of a request added", lambda d: _replace(d, "Case", "new", ADDED), None),
    Change(
        "member of a request gone",
        lambda d: _schema(d, "Case")["properties"].pop("costs"),
        "request application/json /costs: additionalProperties True → False",
    ),
    Change(
        "unknown members allowed", lambda d: _schema(d, "Case").pop("additionalProperties"), None
    ),
    Change(
        "word of a request gone",
        lambda d: _member(d, "Case", "phase")["enum"].remove("diagnose"),
        "/phase: enum ['diagnose'] → []",
    ),
    Change(
        "word of a request added",
        lambda d: _member(d, "Case", "phase")["enum"].append("prepare"),
        None,
    ),
    Change(
        "words become text",
        lambda d: _replace(d, "Case", "phase", {"type": "string", "maxLength": 20}),
        None,
    ),
    Change(
        "words become shorter text",
        lambda d: _replace(d, "Case", "phase", {"type": "string", "maxLength": 9}),
        "/phase: enum ['verify-repair'] → []",
    ),
    Change(
        "text becomes words",
        lambda d: _replace(d, "Case", "symptom", {"type": "string", "enum": ["no-heat"]}),
        "/symptom: enum None → ['no-heat']",
    ),
    Change(
        "shorter text taken",
        lambda d: _member(d, "Case", "case_id").update(maxLength=100),
        "/case_id: maxLength 200 → 100",
    ),
    Change(
        "longer text taken", lambda d: _member(d, "Case", "case_id").update(maxLength=300), None
    ),
    Change(
        "pattern of a text",
        lambda d: _member(d, "Case", "case_id").update(pattern="^[a-z]+$"),
        "/case_id: pattern None → ^[a-z]+$",
    ),
    Change(
        "format of a text",
        lambda d: _member(d, "Case", "case_id").update(format="uuid"),
        "/case_id: format None → uuid",
    ),
    Change(
        "higher minimum",
        lambda d: _member(d, "Case", "required_confidence").update(minimum=0.6),
        "/required_confidence: minimum 0.5 → 0.6",
    ),
    Change(
        "lower minimum",
        lambda d: _member(d, "Case", "required_confidence").update(minimum=0.4),
        None,
    ),
    Change("no maximum", lambda d: _member(d, "Case", "required_confidence").pop("maximum"), None),
    Change(
        "whole numbers only",
        lambda d: _member(d, "Case", "required_confidence").update(type="integer"),
        "/required_confidence: type number → integer",
    ),
    Change(
        "fewer items",
        lambda d: _member(d, "Case", "readings").update(maxItems=10),
        "/readings: maxItems 500 → 10",
    ),
    Change(
        "an item at least",
        lambda d: _member(d, "Case", "readings").update(minItems=1),
        "/readings: minItems None → 1",
    ),
    Change(
        "none needed, but said",
        lambda d: _member(d, "Case", "readings").update(minItems=0),
        None,
    ),
    Change(
        "items of another type",
        lambda d: _member(d, "Case", "confirmed").update(items={"type": "integer"}),
        "/confirmed/*: type string → integer",
    ),
    Change(
        "alternative of anyOf gone",
        lambda d: _schema(d, "Reading")["anyOf"].pop(),
        "/readings/*: anyOf",
    ),
    Change(
        "alternative of anyOf added",
        lambda d: _schema(d, "Reading")["anyOf"].append({"type": "string"}),
        None,
    ),
    Change(
        "alternatives in another order",
        lambda d: _schema(d, "Reading")["anyOf"].reverse(),
        None,
    ),
    Change(
        "alternative with more that is required",
        lambda d: _schema(d, "MeasuredReading")["required"].append("note"),
        "/readings/*: anyOf",
    ),
    Change(
        "alternative of oneOf gone",
        lambda d: _member(d, "Case", "nameplate").update(additionalProperties=REFERENCE),
        "/nameplate/*: type string → object",
    ),
    Change(
        "constant changed",
        lambda d: _member(d, "OverRangeReading", "over_range").update(const=False),
        "/readings/*: anyOf",
    ),
    Change(
        "constant is one of two now",
        lambda d: (
            _member(d, "OverRangeReading", "over_range").pop("const"),
            _member(d, "OverRangeReading", "over_range").update(enum=[True, False]),
        ),
        None,
    ),
    Change(
        "type of a list of types gone",
        lambda d: _member(d, "Overlay", "changes").update(type=["object"]),
        "/changes: type array → object",
    ),
    Change(
        "type added to a list of types",
        lambda d: _member(d, "Overlay", "changes").update(type=["object", "array", "null"]),
        None,
    ),
    Change(
        "list of types said as anyOf",
        lambda d: _replace(
            d, "Overlay", "changes", {"anyOf": [{"type": "array"}, {"type": "object"}]}
        ),
        None,
    ),
)


def _answer(document: Document, status: str) -> Any:
    return _case(document)["responses"][status]


RECEIVED = (
    Change("status gone", lambda d: _case(d)["responses"].pop("422"), "answer 422: is gone"),
    Change(
        "success added",
        lambda d: _case(d)["responses"].update({"202": {"description": "Later."}}),
        "answer 202: is a success that nobody expects",
    ),
    Change(
        "refusal added",
        lambda d: _case(d)["responses"].update({"409": _answer(d, "422")}),
        None,
    ),
    Change(
        "answer of another media type",
        lambda d: _rename(_answer(d, "200")["content"], "application/json", "text/plain"),
        "answer 200 application/json: is gone",
    ),
    Change(
        "header of an answer gone",
        lambda d: d["components"]["responses"]["TOO_MANY_REQUESTS"].pop("headers"),
        "answer 429 Retry-After: is gone",
    ),
    Change(
        "member of an answer gone",
        lambda d: (
            _schema(d, "Assessment")["properties"].pop("bring"),
            _schema(d, "Assessment")["required"].remove("bring"),
        ),
        "answer 200 application/json /bring: required True → False",
    ),
    Change(
        "optional member of an answer gone",
        lambda d: _schema(d, "Assessment")["properties"].pop("case_id"),
        "answer 200 application/json /case_id: type string → None",
    ),
    Change(
        "member of an answer may be missing",
        lambda d: _schema(d, "Assessment")["required"].remove("status"),
        "/status: required True → False",
    ),
    Change(
        "member of an answer always there",
        lambda d: _schema(d, "Assessment")["required"].append("case_id"),
        None,
    ),
    Change("member of an answer added", lambda d: _replace(d, "Assessment", "new", ADDED), None),
    Change(
        "word of an answer added",
        lambda d: _member(d, "Assessment", "status")["enum"].append("paused"),
        "/status: enum [] → ['paused']",
    ),
    Change(
        "word of an answer gone",
        lambda d: _member(d, "Assessment", "status")["enum"].remove("unresolved"),
        None,
    ),
    Change(
        "words of an answer become text",
        lambda d: _replace(d, "Assessment", "status", {"type": "string"}),
        "/status: enum",
    ),
    Change(
        "null may come",
        lambda d: _replace(
            d,
            "Assessment",
            "bring",
            {"anyOf": [_member(d, "Assessment", "bring"), {"type": "null"}]},
        ),
        "/bring: type object → null",
    ),
    Change(
        "null may come, in a list of types",
        lambda d: _member(d, "Remedy", "action").update(type=["string", "null"]),
        "/verdict/remedy/action: type string → null",
    ),
    Change(
        "null no longer comes",
        lambda d: _replace(d, "Assessment", "verdict", {"$ref": "#/components/schemas/Verdict"}),
        None,
    ),
    Change(
        "type of an answer changed",
        lambda d: _member(d, "Remedy", "minutes").update(type="string"),
        "/verdict/remedy/minutes: type number → string",
    ),
    Change(
        "whole numbers become any",
        lambda d: _member(d, "Finding", "reading").update(type="number"),
        "/findings/*/reading: type integer → number",
    ),
    Change(
        "numbers become whole ones",
        lambda d: _member(d, "Remedy", "minutes").update(type="integer"),
        None,
    ),
    Change(
        "higher maximum of an answer",
        lambda d: _member(d, "Hypothesis", "probability").update(maximum=100),
        "/hypotheses/*/probability: maximum 1.0 → 100",
    ),
    Change(
        "lower maximum of an answer",
        lambda d: _member(d, "Hypothesis", "probability").update(maximum=0.999),
        None,
    ),
    Change(
        "format of an answer gone",
        lambda d: _member(d, "Reload", "at").pop("format"),
        "GET /readyz answer 200 application/json /last_reload/at: format date-time → None",
    ),
    Change(
        "another kind of problem",
        lambda d: _member(d, "ProblemError", "pointer").update(type="array", items={}),
        "answer 422 application/problem+json /errors/*/pointer: type string → array",
    ),
    Change(
        "another description",
        lambda d: _member(d, "Assessment", "verdict").update(description="Another."),
        None,
    ),
)


def _added(document: Document, name: str, schema: Any) -> dict[str, str]:
    """A reference to a new schema of that name."""
    document["components"]["schemas"][name] = schema
    return {"$ref": f"#/components/schemas/{name}"}


def _copy(document: Document, name: str, copy: str) -> dict[str, str]:
    """A reference to a copy of a schema that has another name."""
    return _added(document, copy, _schema(document, name))


NAMES = (
    Change(
        "schema of another name",
        lambda d: (
            _member(d, "Assessment", "pairs").update(items=_copy(d, "Pair", "Couple")),
            d["components"]["schemas"].pop("Pair"),
        ),
        "schema Pair: is gone",
    ),
    Change(
        "schema of another name in one place",
        lambda d: _replace(d, "Verdict", "remedy", _copy(d, "Remedy", "Mend")),
        "schema Verdict /remedy: Remedy → Mend",
    ),
    Change(
        "reference written out",
        lambda d: _replace(d, "Verdict", "remedy", {**_schema(d, "Remedy"), "title": "Remedy"}),
        "schema Verdict /remedy: Remedy → no name",
    ),
    Change(
        "items of another name",
        lambda d: _member(d, "Case", "repairs").update(items=_copy(d, "Repair", "Mend")),
        "schema Case /repairs/*: Repair → Mend",
    ),
    Change(
        "named values of another name",
        lambda d: _member(d, "Case", "instrument").update(
            additionalProperties=_copy(d, "Instrument", "Meter")
        ),
        "schema Case /instrument/*: Instrument → Meter",
    ),
    Change(
        "alternative of another name",
        lambda d: _schema(d, "Reading")["anyOf"].__setitem__(
            0, _copy(d, "ObservedReading", "SeenReading")
        ),
        "schema Reading: ObservedReading → SeenReading",
    ),
    Change(
        "body of another name",
        lambda d: _case(d)["requestBody"]["content"]["application/json"].update(
            schema=_copy(d, "Case", "Visit")
        ),
        "POST /v1/assessments request application/json: Case → Visit",
    ),
    Change(
        "answer of another name",
        lambda d: _case(d)["responses"]["200"]["content"]["application/json"].update(
            schema=_copy(d, "Assessment", "Judgement")
        ),
        "POST /v1/assessments answer 200 application/json: Assessment → Judgement",
    ),
    Change(
        "choice with a name",
        lambda d: _replace(
            d,
            "Result",
            "assessment",
            _added(d, "Either", {"anyOf": _member(d, "Result", "assessment")["anyOf"]}),
        ),
        None,
    ),
    Change("schema added", lambda d: _copy(d, "Remedy", "Mend"), None),
    Change(
        "what was written out gets a name",
        lambda d: _replace(
            d,
            "Case",
            "confirmed",
            {
                **_member(d, "Case", "confirmed"),
                "items": _added(d, "Id", _member(d, "Case", "confirmed")["items"]),
            },
        ),
        None,
    ),
)

CHANGES = (*OPERATIONS, *PARAMETERS, *SENT, *RECEIVED, *NAMES)
