"""GET /v1/rule-sets/{id}/graph: the order of checks for a complaint, as a drawing or as text."""

from __future__ import annotations

import re
from functools import lru_cache

from flask import Response, request

from service.api.installed import installed
from service.api.openapi import ETAG, IF_NONE_MATCH, ServiceBlueprint
from service.api.query import invalid_query
from service.api.responses import accepted, cacheable
from service.api.rule_sets import RULE_SET_ID, installed_rule_set
from service.diagnosis.assessment import reasoner
from service.documents import shown
from service.graph.dot import as_dot
from service.graph.follow import LEAST_PROBABILITY, follow
from service.graph.mermaid import as_mermaid
from service.graph.picture import as_svg
from service.problems import sentence
from service.ruleset.catalogue import Catalogue
from service.ruleset.model import RuleSet
from service.ruleset.near import unknown

graphs = ServiceBlueprint("graphs", __name__, url_prefix="/v1")

SVG, MERMAID, DOT, PLAIN = "image/svg+xml", "text/vnd.mermaid", "text/vnd.graphviz", "text/plain"
MEDIA_TYPES = (SVG, MERMAID, DOT, PLAIN)
BOUNDS = (0.005, 0.5)  # of the least probability
MOST_NAMED = 16
_NUMBER = re.compile(r"[0-9]{1,3}(\.[0-9]{1,20})?(e-?[0-9]{1,2})?", re.ASCII | re.IGNORECASE)

_SYMPTOM = {
    "in": "query",
    "name": "symptom",
    "required": True,
    "schema": {"type": "string", "minLength": 1},
    "example": "no-heat",
    "description": "Id of a symptom of the rule set.",
}
_LEAST = {
    "in": "query",
    "name": "least_probability",
    "required": False,
    "schema": {
        "type": "number",
        "minimum": BOUNDS[0],
        "maximum": BOUNDS[1],
        "default": LEAST_PROBABILITY,
    },
    "description": "A way that is less likely is not followed, unless it ends at once. The less, "
    "the larger the drawing, up to a limit.",
}
_TEXT = {"schema": {"type": "string", "description": "A Mermaid flowchart."}}
_CONTENT = {
    SVG: {"schema": {"description": "A drawing, to be looked at or printed."}},
    MERMAID: _TEXT,
    DOT: {"schema": {"type": "string", "description": "A graph in the language of Graphviz."}},
    PLAIN: _TEXT,
}


@graphs.route(
    "/rule-sets/<rule_set_id:rule_set_id>/graph",
    parameters=[RULE_SET_ID, _SYMPTOM, _LEAST, IF_NONE_MATCH],
)
@graphs.response(200, description="The order of checks.", headers=ETAG)
@graphs.alt_response(304, description="The copy that the client has still stands.", success=True)
@graphs.alt_response(404, "NOT_FOUND")
@graphs.alt_response(406, "NOT_ACCEPTABLE")
@graphs.alt_response(422, "UNPROCESSABLE_ENTITY")
@graphs.alt_response(500, "INTERNAL_SERVER_ERROR")
@graphs.doc(operationId="getGraph", tags=["rule sets"], responses={200: {"content": _CONTENT}})
def get_graph(rule_set_id: str) -> Response:
    """Draw the order of checks for a complaint

    From the bare complaint on: which check is asked for, what each outcome leads to and how likely
    it is after what was read before, which precautions go with it, and where that ends. As SVG, or
    as text for Mermaid or Graphviz. What is left out for being unlikely is shown as such.
    """
    rule_set = installed_rule_set(rule_set_id)
    form = accepted(MEDIA_TYPES, SVG)
    body = _drawn(installed(), rule_set.id, _symptom(rule_set), _least(), form)
    response = Response(body, content_type=SVG if form == SVG else f"{form}; charset=utf-8")
    response.vary.add("Accept")
    # A browser may open it as a page: let it load and run nothing, whatever a rule set holds.
    response.headers["Content-Security-Policy"] = "default-src 'none'; style-src 'unsafe-inline'"
    return cacheable(response)


def forget_drawings() -> None:
    """Let go of the drawings that are kept, and of the rule sets that they are of."""
    _drawn.cache_clear()


@lru_cache(maxsize=64)
def _drawn(catalogue: Catalogue, rule_set_id: str, symptom: str, least: float, form: str) -> bytes:
    """The drawing, kept: it takes about a second, and is the same as long as the rule set is."""
    tree = follow(reasoner(catalogue, rule_set_id), symptom, least)
    match form:
        case "image/svg+xml":
            return as_svg(tree)
        case "text/vnd.graphviz":
            return as_dot(tree).encode()
    return as_mermaid(tree).encode()


def _symptom(rule_set: RuleSet) -> str:
    symptom = request.args.get("symptom")
    if symptom is None:
        known = list(rule_set.symptoms)
        named = ", ".join(known[:MOST_NAMED] + ["..."] * (len(known) > MOST_NAMED))
        raise invalid_query(f"The query parameter symptom is missing; known symptoms: {named}.")
    if symptom not in rule_set.symptoms:
        message = unknown("symptom", symptom, rule_set.symptoms)
        raise invalid_query(sentence(f"the query parameter symptom: {message}"))
    return symptom


def _least() -> float:
    given = request.args.get("least_probability")
    if given is None:
        return LEAST_PROBABILITY
    low, high = BOUNDS
    if not _NUMBER.fullmatch(given) or not low <= float(given) <= high:
        asked = f"must be a number from {low} to {high}, not {shown(given)}"
        raise invalid_query(f"The query parameter least_probability {asked}.")
    return float(given)
