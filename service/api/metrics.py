"""GET /metrics: what is counted, for Prometheus."""

from __future__ import annotations

from flask import Response, request

from service.api.installed import installed
from service.api.openapi import ServiceBlueprint
from service.observe import metrics
from service.ruleset.describe import reference

scraped = ServiceBlueprint("metrics", __name__)

_TOLD = {"schema": {"type": "string"}}


@scraped.route("/metrics")
@scraped.response(200, description="In the form that Accept asks for.")
@scraped.doc(
    operationId="getMetrics",
    tags=["service"],
    responses={
        200: {"content": {"text/plain": _TOLD, "application/openmetrics-text": _TOLD}},
    },
)
def get_metrics() -> Response:
    """Tell what is counted, for Prometheus

    Of all processes of the service together, whichever answers.
    """
    catalogue = installed()
    references = [reference(catalogue.get(name)) for name in catalogue.ids()]
    body, content_type = metrics.exposition(references, request.headers.get("Accept", ""))
    return Response(body, content_type=content_type)
