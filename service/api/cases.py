"""From a JSON document to an assessment: what the HTTP edge and the command line share."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import marshmallow as ma

from service import at_work
from service.api.request_schemas import CaseSchema
from service.diagnosis.assessment import assess_document, reasoner_for
from service.diagnosis.case import CaseError
from service.documents import Written
from service.problems import invalid_request, pointer
from service.ruleset.catalogue import Catalogue

_CASE = CaseSchema()
_Path = tuple[str | int, ...]


def load_case(document: Any) -> dict[str, Any]:
    """The case in a JSON document, its shape checked.

    Raises:
        Problem: invalid-request, with all that is wrong.
    """
    try:
        loaded: dict[str, Any] = _CASE.load(document)
    except ma.ValidationError as error:
        raise invalid_request(errors_of(error.messages)) from None
    return loaded


def assess_case(catalogue: Catalogue, case: dict[str, Any]) -> Written:
    """The assessment of a case that `load_case` has returned, as answered: `case_id` first.

    Raises:
        Problem: invalid-request, if the rule set cannot make sense of the case.
    """
    with _worked_on():
        assessment = assess_document(catalogue, case)
    if "case_id" not in case:
        return assessment
    own = {"case_id": case["case_id"]}
    return Written({**own, **assessment}, {**own, **assessment.written})


def decide_case(catalogue: Catalogue, case: dict[str, Any]) -> dict[str, Any]:
    """Of the assessment of such a case what was decided, and the hypotheses; raises Problem too."""
    with _worked_on():
        return reasoner_for(catalogue, case).decide(case)


@contextmanager
def _worked_on() -> Iterator[None]:
    at_work.begin()
    try:
        yield
    except CaseError as error:
        raise invalid_request(error.errors) from None
    finally:
        at_work.end()


def assessor(catalogue: Catalogue, brief: bool = False) -> Callable[[Any], dict[str, Any]]:
    """From the JSON document of a case to its assessment, as the functions above raise Problem.

    brief: only what was decided.
    """
    work = decide_case if brief else assess_case
    return lambda document: work(catalogue, load_case(document))


def errors_of(messages: Any) -> list[tuple[str, str]]:
    """The messages of a schema's validation error by JSON Pointer, in a fixed order."""
    found = sorted(
        _messages(messages, ()),
        key=lambda one: [(isinstance(part, str), part) for part in one[0]],
    )
    return [(pointer(*path), text) for path, text in found]


def _messages(messages: Any, path: _Path) -> Iterator[tuple[_Path, str]]:
    if isinstance(messages, Mapping):
        for name, inner in messages.items():
            yield from _messages(inner, path if name == "_schema" else (*path, name))
    elif isinstance(messages, list):
        for inner in messages:
            yield from _messages(inner, path)
    else:
        yield path, str(messages)
