"""The state of the service, and what its problem types mean."""

from __future__ import annotations

import logging

import marshmallow as ma
from flask import Response

from service.api.answer_fields import each, one, one_of, string
from service.api.cases import assess_case
from service.api.fields import AnswerSchema
from service.api.installed import installed, last_reload
from service.api.observing import failed
from service.api.openapi import ServiceBlueprint
from service.api.request_schemas import described
from service.api.response_schemas import RuleSetReferenceSchema
from service.api.responses import json_response
from service.documents import shown
from service.problems import NOT_FOUND, NOT_READY, PROBLEM_TYPES, Problem, sentence
from service.ruleset.catalogue import Catalogue
from service.ruleset.near import hint

health = ServiceBlueprint("service", __name__)
log = logging.getLogger(__name__)

_PROBLEM_NAME = {
    "in": "path",
    "name": "name",
    "required": True,
    "schema": {"type": "string", "enum": list(PROBLEM_TYPES)},
    "example": "invalid-request",
    "description": "The last part of the `type` of a problem document.",
}


class HealthSchema(AnswerSchema):
    """The process answers."""

    status = one_of("ok", description="That it answers.")


class ReloadErrorSchema(AnswerSchema):
    """What kept new rule sets from being taken over."""

    file = string("As seen from the folder of rule sets; empty if it is about no file.")
    line = ma.fields.Integer(required=True, metadata=described("0: the whole file."))
    code = string("`not-checked` if the check itself came to no end.")
    message = string("What is wrong there.")


class ReloadSchema(AnswerSchema):
    """How a reload went. Refused, the rule sets stay as they were."""

    outcome = one_of("installed", "unchanged", "refused", description="What became of it.")
    at = ma.fields.String(
        required=True, metadata={"description": "When it ended, RFC 3339.", "format": "date-time"}
    )
    errors = each(ReloadErrorSchema, "What kept the new ones out; empty unless refused.")
    error_count = ma.fields.Integer(
        required=True, metadata=described("Of which `errors` has the first.")
    )


class ReadinessSchema(AnswerSchema):
    """The process can assess cases against these rule sets."""

    status = one_of("ready", description="That cases can be assessed.")
    rule_sets = each(RuleSetReferenceSchema, "What is installed.")
    last_reload = one(ReloadSchema, "null: there was none since the start.", null=True)


class ProblemTypeSchema(AnswerSchema):
    """A kind of problem."""

    type = string("The value of `type` in a problem document.")
    title = string("The kind in words.")
    status = ma.fields.Integer(
        required=True, metadata=described("The HTTP status that it comes with.")
    )
    description = string("When it comes, and what to do about it.")


def prove(catalogue: Catalogue) -> None:
    """Assess the least case of each rule set, so that whatever is built lazily is built now.

    Raises:
        Exception: whatever the core raises if it cannot work in this process.
    """
    for rule_set_id in catalogue.ids():
        rule_set = catalogue.get(rule_set_id)
        symptom = next(iter(rule_set.symptoms))
        assess_case(catalogue, {"equipment": rule_set.equipment, "symptom": symptom})


@health.route("/healthz")
@health.response(200, HealthSchema)
@health.doc(operationId="getHealth")
def get_health() -> Response:
    """Tell whether the process answers

    Says nothing of the rule sets: that is what `/readyz` is for.
    """
    return json_response({"status": "ok"})


@health.route("/readyz")
@health.response(200, ReadinessSchema)
@health.alt_response(503, "SERVICE_UNAVAILABLE")
@health.doc(operationId="getReadiness")
def get_readiness() -> Response:
    """Tell whether cases can be assessed

    Each rule set is put to the proof with its least case.
    """
    catalogue = installed()
    try:
        prove(catalogue)
    except Exception as error:
        failed(error)
        log.error("not ready", exc_info=error)
        raise Problem(NOT_READY, "A rule set cannot be used; the log has the details.") from None
    references = [
        {name: summary[name] for name in ("id", "version", "content_hash")}
        for summary in catalogue.summaries()
    ]
    return json_response({"status": "ready", "rule_sets": references, "last_reload": last_reload()})


@health.route("/problems/<string:name>", parameters=[_PROBLEM_NAME])
@health.response(200, ProblemTypeSchema)
@health.alt_response(404, "NOT_FOUND")
@health.doc(operationId="getProblemType")
def get_problem_type(name: str) -> Response:
    """Explain a kind of problem

    What the `type` of a problem document refers to: when it comes, and what to do about it.
    """
    kind = PROBLEM_TYPES.get(name)
    if kind is None:
        meant = hint("problem type", name, PROBLEM_TYPES)
        raise Problem(NOT_FOUND, sentence(f"There is no problem type {shown(name)}; {meant}"))
    return json_response(
        {
            "type": kind.uri,
            "title": kind.title,
            "status": kind.status,
            "description": kind.description,
        }
    )
