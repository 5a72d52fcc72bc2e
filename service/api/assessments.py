"""POST /v1/assessments: one case in, one assessment out."""

from __future__ import annotations

from flask import Response, request

from service.api.answers import answered
from service.api.body import read_json
from service.api.examples import NO_HEAT
from service.api.installed import installed, itself
from service.api.observing import decided, stage
from service.api.openapi import ServiceBlueprint
from service.api.records import ACCEPT_LANGUAGE, CONTENT, JSON, form_of, record
from service.api.request_schemas import CaseSchema
from service.api.response_schemas import AssessmentSchema

assessments = ServiceBlueprint("assessments", __name__, url_prefix="/v1")

_LINKS = {
    "next": {
        "operationId": "assessCase",
        "requestBody": "$request.body",
        "description": "The next assessment: the same case, and what `next_check` has given. A "
        "reading is added to `readings`, what stands on a plate to `nameplate`; of a preparation, "
        "`confirms` to `confirmed`, and what it `withdraws` is left out there.",
    },
    "rule-set": {
        "operationId": "getRuleSet",
        "parameters": {"rule_set_id": "$response.body#/rule_set/id"},
        "description": "The rule set that the answer rests on.",
    },
}


@assessments.route("/assessments", methods=["POST"], parameters=[ACCEPT_LANGUAGE])
@assessments.body(CaseSchema, description="The case so far.", example=NO_HEAT)
@assessments.response(200, AssessmentSchema, description="What follows from the case.")
@assessments.alt_response(400, "BAD_REQUEST")
@assessments.alt_response(406, "NOT_ACCEPTABLE")
@assessments.alt_response(413, "REQUEST_ENTITY_TOO_LARGE")
@assessments.alt_response(415, "UNSUPPORTED_MEDIA_TYPE")
@assessments.alt_response(500, "INTERNAL_SERVER_ERROR")
@assessments.doc(operationId="assessCase", responses={200: {"links": _LINKS, "content": CONTENT}})
def assess() -> Response:
    """Assess one case

    Send the whole case each time, with the readings taken so far; the answer is the next check to
    do, or the fault found and its remedy. Nothing is stored. As HTML or PDF it is a service record
    to print and hand over.
    """
    asked = itself(request)
    form = form_of(asked)
    raw = read_json(asked)
    with stage("assess"):
        if form == JSON:
            found = answered(installed(), raw)
            response = Response(found.body, content_type=JSON)
        else:
            found, response = record(installed(), raw, asked, form)
    decided(found, raw)
    return response
