"""POST /v1/assessments/batch: many cases in, as many results out, in the same order."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from threading import BoundedSemaphore
from typing import Any

from flask import Response, current_app, request

from service.api.batch_schemas import BatchCaseSchema, BatchSchema
from service.api.body import batch_limit, body_limit, read_array, require_media_type
from service.api.examples import BATCH, BATCH_LINES, BATCH_TABLE
from service.api.installed import installed
from service.api.observing import batch_assessor
from service.api.openapi import ServiceBlueprint
from service.api.query import Choice, choice
from service.api.responses import accepted
from service.batch.array import from_array
from service.batch.items import Item, from_lines
from service.batch.run import Form, Result, Tally, assess_items, at_a_time
from service.batch.spool import BrokenBody, Spool
from service.batch.table import from_table
from service.batch.written import Written, as_json, as_lines, as_table
from service.observe import metrics
from service.problems import INTERNAL_ERROR, TOO_MANY_ARRAYS, Problem
from service.running.patience import renew
from service.running.remainder import stop_reading

batches = ServiceBlueprint("batches", __name__, url_prefix="/v1")

JSON, LINES, TABLE = "application/json", "application/x-ndjson", "text/csv"
MEDIA_TYPES = (JSON, LINES, TABLE)

ARRAYS = 4  # that a worker holds at a time
_arrays = BoundedSemaphore(ARRAYS)

log = logging.getLogger(__name__)

DETAIL = Choice(
    "detail",
    ("full", "brief"),
    "brief: only status, verdict and next check of each assessment.",
)
_LINES_TOLD = "A line for each case, as in `results`; the last holds `summary` alone."
_TABLE_TOLD = (
    "A row for each case; the last has `complete` or `incomplete` in the column `status`, and for "
    "an incomplete batch its problem."
)
# What a generated client is to send, and not all that is taken: of anything beside it, its type for
# an item would be anything at all.
_ANY_ITEM = (
    "The service takes an array of whatever items: what is no such case gets its problem in its "
    "place among the results, and the others are assessed."
)
_BODY = {
    "description": "The cases; the Content-Type says in which form.",
    "required": True,
    "content": {
        JSON: {
            "schema": {"type": "array", "items": BatchCaseSchema, "description": _ANY_ITEM},
            "example": BATCH,
        },
        LINES: {"schema": {"description": "A case a line."}, "example": BATCH_LINES},
        TABLE: {"schema": {"description": "A reading a row."}, "example": BATCH_TABLE},
    },
}


@dataclass(frozen=True, slots=True)
class _Source:
    """Where the cases come from, and what to do when they are not needed any more.

    whole: whether all of them have come.
    """

    items: Iterator[Item]
    whole: Callable[[], bool]
    close: Callable[[], None]


@batches.route("/assessments/batch", methods=["POST"], parameters=[DETAIL.parameter])
@batches.response(200, BatchSchema, description="A result for each case, and their summary.")
@batches.alt_response(422, "UNPROCESSABLE_ENTITY")
@batches.alt_response(400, "BAD_REQUEST")
@batches.alt_response(406, "NOT_ACCEPTABLE")
@batches.alt_response(413, "REQUEST_ENTITY_TOO_LARGE")
@batches.alt_response(415, "UNSUPPORTED_MEDIA_TYPE")
@batches.alt_response(500, "INTERNAL_SERVER_ERROR")
@batches.alt_response(503, "SERVICE_UNAVAILABLE")
@batches.doc(
    operationId="assessBatch",
    tags=["assessments"],
    requestBody=_BODY,
    responses={
        200: {
            "content": {
                LINES: {"schema": {"type": "string", "description": _LINES_TOLD}},
                TABLE: {"schema": {"type": "string", "description": _TABLE_TOLD}},
            }
        }
    },
)
def assess_batch() -> Response:
    """Assess many cases

    As a JSON array, as newline-delimited JSON (a case a line, answered line by line while more are
    still being sent) or as CSV (a reading a row with a cell for each column, the rows of a case
    together; answered when the last one has come). Results come in the order of the cases, in the
    form that Accept asks for or else that of the request. A case that cannot be assessed gives its
    problem in its place. A case of which a row cannot be read, or whose rows do not stand together,
    is not assessed; if it cannot be told which case a row is of, those before and after it are not.
    A case may say what it was `expected` to give; the summary at the end counts agreement. An
    answer without a summary that says `complete` was cut off.
    """
    kind = require_media_type(MEDIA_TYPES)
    wanted = accepted(MEDIA_TYPES, kind)
    form = Form(request.path, brief=choice(request, DETAIL) == "brief")
    source = _source(kind)
    assess = batch_assessor(installed(), brief=form.brief)
    groups = at_a_time(source.items, source.whole)
    results = _Passing(assess_items(groups, assess, form), form.instance)
    written = _WRITERS[wanted](results, results.closing)
    response = Response(written, content_type=_CONTENT_TYPES[wanted])
    response.call_on_close(source.close)
    # A proxy that gathered the answer first would keep the client from seeing it come.
    response.headers["X-Accel-Buffering"] = "no"
    return response


def _source(kind: str) -> _Source:
    if kind == JSON:
        return _array()
    connection = request.environ.get("gunicorn.socket")
    spool = Spool(
        request.environ["wsgi.input"],
        size=request.content_length,
        most=batch_limit(current_app),
        progress=lambda: renew(connection),
        stop=lambda: stop_reading(connection),
    )
    read = from_lines if kind == LINES else from_table
    try:
        return _Source(read(spool, body_limit(request)), spool.whole, spool.close)
    except BrokenBody as broken:
        spool.close()
        raise broken.problem from None
    except Problem:
        spool.close()
        raise


def _array() -> _Source:
    """The cases of an array, of which a worker holds a few at a time. Raises Problem."""
    if not _arrays.acquire(blocking=False):
        detail = f"{ARRAYS} JSON arrays are being worked on already: send application/x-ndjson."
        raise Problem(TOO_MANY_ARRAYS, detail)
    held = ExitStack()
    held.callback(_arrays.release)
    try:
        most = body_limit(request)  # of one case; the array has a limit of its own
        items = from_array(read_array(request), most)
    except BaseException:
        held.close()
        raise

    def passing() -> Iterator[Item]:
        with held:  # also where nobody closes the answer
            yield from items

    return _Source(passing(), lambda: True, held.close)


class _Passing:
    """The results of a batch as they go out, and what is said at their end."""

    def __init__(self, results: Iterable[Result], instance: str) -> None:
        self._results, self._instance = results, instance
        self._tally = Tally()
        self._broken: Problem | None = None

    def __iter__(self) -> Iterator[Result]:
        try:
            for one in self._tally.passing(self._results):
                metrics.batch_case(one)
                yield one
        except BrokenBody as error:
            self._broken = error.problem
        except Exception:
            # The status has been sent by now; only the summary can still say it.
            log.exception("a batch failed")
            self._broken = Problem(INTERNAL_ERROR, "The service failed before the last case.")

    def closing(self) -> dict[str, Any]:
        """The summary. That of a batch that broke off says so, and what was assessed stands."""
        broken = self._broken
        return self._tally.summary(None if broken is None else broken.document(self._instance))


_WRITERS: dict[str, Written] = {JSON: as_json, LINES: as_lines, TABLE: as_table}
_CONTENT_TYPES = {JSON: JSON, LINES: LINES, TABLE: f"{TABLE}; charset=utf-8; header=present"}
