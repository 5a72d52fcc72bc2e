"""/v1/calculations: the physics alone, by name."""

from __future__ import annotations

from typing import Any

from flask import Response

from service.api.calculation_schemas import (
    INPUT_SCHEMAS,
    AnyObjectSchema,
    CalculationResultSchema,
    CalculationSchema,
)
from service.api.openapi import ETAG, IF_NONE_MATCH, ServiceBlueprint
from service.api.responses import cacheable, json_response
from service.at_work import working
from service.physics.calculations import (
    CALCULATIONS,
    InputError,
    UnknownCalculation,
    calculate,
    described,
)
from service.problems import NOT_FOUND, Problem, invalid_request

calculations = ServiceBlueprint("calculations", __name__, url_prefix="/v1")

_NAME = {
    "in": "path",
    "name": "name",
    "required": True,
    "schema": {"type": "string", "enum": list(CALCULATIONS)},
    "example": next(iter(CALCULATIONS)),
    "description": "Name of a calculation.",
}
_REQUESTS = {one.name: {"value": dict(one.example)} for one in CALCULATIONS.values()}
_ANSWERS = {one.name: {"value": calculate(one.name, one.example)} for one in CALCULATIONS.values()}
# Which of the schemas applies depends on the path, and OpenAPI has no word for that.
_BODY = {"content": {"application/json": {"schema": {"anyOf": list(INPUT_SCHEMAS)}}}}


@calculations.route("/calculations", parameters=[IF_NONE_MATCH])
@calculations.response(200, CalculationSchema(many=True), headers=ETAG)
@calculations.alt_response(
    304, description="The copy that the client has still stands.", success=True
)
@calculations.doc(operationId="listCalculations")
def list_calculations() -> Response:
    """List the calculations

    With their inputs, outputs and sources.
    """
    return cacheable(json_response(described()))


@calculations.route("/calculations/<string:name>", methods=["POST"], parameters=[_NAME])
@calculations.arguments(
    AnyObjectSchema,
    description="The inputs of the calculation in the path, by name.",
    examples=_REQUESTS,
)
@calculations.response(
    200, CalculationResultSchema, description="What was worked out.", examples=_ANSWERS
)
@calculations.alt_response(400, "BAD_REQUEST")
@calculations.alt_response(404, "NOT_FOUND")
@calculations.alt_response(413, "REQUEST_ENTITY_TOO_LARGE")
@calculations.alt_response(415, "UNSUPPORTED_MEDIA_TYPE")
@calculations.alt_response(500, "INTERNAL_SERVER_ERROR")
@calculations.doc(operationId="runCalculation", requestBody=_BODY)
def run_calculation(inputs: dict[str, Any], name: str) -> Response:
    """Work out one calculation

    Quantities come with UCUM units, any of the right dimension. The answer says what was assumed.
    """
    try:
        with working():
            return json_response(calculate(name, inputs))
    except UnknownCalculation as error:
        raise Problem(NOT_FOUND, str(error)) from None
    except InputError as error:
        raise invalid_request(error.errors) from None
