"""GET /v1/rule-sets and /v1/rule-sets/{id}: what can be asked and answered."""

from __future__ import annotations

from flask import Response
from werkzeug.routing import BaseConverter

from service.api.cases import assess_case
from service.api.installed import installed
from service.api.openapi import ETAG, IF_NONE_MATCH, ServiceBlueprint
from service.api.response_schemas import BringSchema
from service.api.responses import cacheable, json_response
from service.api.rule_set_schemas import RuleSetSchema, RuleSetSummarySchema
from service.documents import shown
from service.problems import NOT_FOUND, Problem, sentence
from service.ruleset.model import RuleSet
from service.ruleset.near import unknown


class RuleSetId(BaseConverter):
    """The id of a rule set in a path, which `check` is not: that is a resource of its own."""

    regex = "(?!check$)[^/]+"
    part_isolating = True


rule_sets = ServiceBlueprint("rule sets", __name__, url_prefix="/v1")

RULE_SET_ID = {
    "in": "path",
    "name": "rule_set_id",
    "required": True,
    "schema": {"type": "string", "minLength": 1},
    "example": "microwave-oven",
    "description": "Id of an installed rule set.",
}
_SYMPTOM = {
    "in": "path",
    "name": "symptom",
    "required": True,
    "schema": {"type": "string", "minLength": 1},
    "example": "no-heat",
    "description": "Id of a symptom of the rule set.",
}
_LINK_TO_FIRST = {
    "first": {
        "operationId": "getRuleSet",
        "parameters": {"rule_set_id": "$response.body#/0/id"},
        "description": "The whole of the first rule set.",
    }
}

_ITS_FIRST_SYMPTOM = {
    "rule_set_id": "$response.body#/id",
    "symptom": "$response.body#/symptoms/0/id",
}
_LINKS_OF_ONE = {
    "bring": {
        "operationId": "bringForSymptom",
        "parameters": _ITS_FIRST_SYMPTOM,
        "description": "What to bring for its first complaint.",
    },
    "graph": {
        "operationId": "getGraph",
        "parameters": _ITS_FIRST_SYMPTOM,
        "description": "The order of checks for its first complaint.",
    },
}


@rule_sets.route("/rule-sets", parameters=[IF_NONE_MATCH])
@rule_sets.response(200, RuleSetSummarySchema(many=True), headers=ETAG)
@rule_sets.alt_response(304, description="The copy that the client has still stands.", success=True)
@rule_sets.doc(operationId="listRuleSets", responses={200: {"links": _LINK_TO_FIRST}})
def list_rule_sets() -> Response:
    """List the installed rule sets

    Each with its version and the hash of its content. `/v1/rule-sets/{rule_set_id}` has all of one.
    """
    return cacheable(json_response(installed().summaries()))


@rule_sets.route("/rule-sets/<rule_set_id:rule_set_id>", parameters=[RULE_SET_ID, IF_NONE_MATCH])
@rule_sets.response(200, RuleSetSchema, headers=ETAG)
@rule_sets.alt_response(304, description="The copy that the client has still stands.", success=True)
@rule_sets.alt_response(404, "NOT_FOUND")
@rule_sets.doc(operationId="getRuleSet", responses={200: {"links": _LINKS_OF_ONE}})
def get_rule_set(rule_set_id: str) -> Response:
    """Describe a rule set

    Its symptoms, checks with outcomes and limits, faults, remedies, precautions and rules.
    """
    rule_set = installed_rule_set(rule_set_id)
    return cacheable(json_response(installed().description(rule_set.id)))


def installed_rule_set(rule_set_id: str) -> RuleSet:
    """The rule set of that id, or a problem."""
    try:
        return installed().get(rule_set_id)
    except KeyError:
        known = ", ".join(installed().ids())
        raise Problem(
            NOT_FOUND, f"There is no rule set {shown(rule_set_id)}; installed: {known}."
        ) from None


@rule_sets.route(
    "/rule-sets/<rule_set_id:rule_set_id>/symptoms/<string:symptom>/bring",
    parameters=[RULE_SET_ID, _SYMPTOM, IF_NONE_MATCH],
)
@rule_sets.response(200, BringSchema, headers=ETAG)
@rule_sets.alt_response(304, description="The copy that the client has still stands.", success=True)
@rule_sets.alt_response(404, "NOT_FOUND")
@rule_sets.doc(operationId="bringForSymptom")
def bring_for_symptom(rule_set_id: str, symptom: str) -> Response:
    """What to bring for a complaint

    Tools and likely parts before anything is known but the complaint. An assessment has the same
    in `bring`, by what is known so far.
    """
    rule_set = installed_rule_set(rule_set_id)
    if symptom not in rule_set.symptoms:
        raise Problem(NOT_FOUND, sentence(unknown("symptom", symptom, rule_set.symptoms)))
    case = {"equipment": rule_set.equipment, "symptom": symptom}
    return cacheable(json_response(assess_case(installed(), case)["bring"]))
