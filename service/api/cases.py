"""From a JSON document to an assessment: what the HTTP edge and the command line share."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from heapq import nsmallest
from typing import Any

import marshmallow as ma

from service.api.fields import UnknownNames
from service.api.request_schemas import CaseSchema
from service.at_work import working
from service.diagnosis.assessment import Read, Reasoner, reasoner_for
from service.diagnosis.case import CaseError
from service.documents import Written
from service.problems import MOST_ERRORS, Problem, invalid_request, pointer
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
        raise refused(error.messages) from None
    return loaded


def assess_case(catalogue: Catalogue, case: dict[str, Any]) -> Written:
    """The assessment of a case that `load_case` has returned, as answered: `case_id` first.

    Raises:
        Problem: invalid-request, if the rule set cannot make sense of the case.
    """
    with _worked_on():
        assessment = reasoner_for(catalogue, case).assess(case)
    return _named(case, assessment)


def assess_documents(
    catalogue: Catalogue, documents: Sequence[Any], *, brief: bool = False
) -> list[dict[str, Any] | Problem]:
    """The assessment of the case in each JSON document, or what is wrong with it.

    The cases of a rule set are reasoned about together. brief: only what was decided.
    """
    found: dict[int, dict[str, Any] | Problem] = {}
    cases: dict[int, dict[str, Any]] = {}
    reads: dict[Reasoner, dict[int, Read]] = {}
    for number, document in enumerate(documents):
        try:
            with _worked_on():
                cases[number] = load_case(document)
                reasoner = reasoner_for(catalogue, cases[number])
                reads.setdefault(reasoner, {})[number] = reasoner.read(cases[number])
        except Problem as problem:
            found[number] = problem
    for reasoner, its in reads.items():
        with _worked_on():
            if brief:
                found.update(zip(its, reasoner.decide_all(list(its.values())), strict=True))
                continue
            answers = reasoner.assess_all(list(its.values()))
        found.update(
            {number: _named(cases[number], one) for number, one in zip(its, answers, strict=True)}
        )
    return [found[number] for number in range(len(documents))]


def assessor(catalogue: Catalogue) -> Callable[[Any], Written]:
    """From the JSON document of a case to its assessment, as the functions above raise Problem."""
    return lambda document: assess_case(catalogue, load_case(document))


def _named(case: dict[str, Any], assessment: Written) -> Written:
    """An assessment with the id that its case was sent with, if it was sent with one."""
    if "case_id" not in case:
        return assessment
    own = {"case_id": case["case_id"]}
    return Written({**own, **assessment}, {**own, **assessment.written})


@contextmanager
def _worked_on() -> Iterator[None]:
    try:
        with working():
            yield
    except CaseError as error:
        raise invalid_request(error.errors) from None


def refused(messages: Any) -> Problem:
    """The problem of a schema's validation error: the first of its messages in a fixed order.

    Only those are sorted and put into words. There may be as many as a body has names.
    """
    first = nsmallest(
        MOST_ERRORS,
        _messages(messages, ()),
        key=lambda one: [(isinstance(part, str), part) for part in one[0]],
    )
    told = [
        (pointer(*path), said.message(str(path[-1])) if isinstance(said, UnknownNames) else said)
        for path, said in first
    ]
    return invalid_request(told, count=sum(1 for _ in _messages(messages, ())))


def _messages(messages: Any, path: _Path) -> Iterator[tuple[_Path, str | UnknownNames]]:
    if isinstance(messages, Mapping):
        for name, inner in messages.items():
            yield from _messages(inner, path if name == "_schema" else (*path, name))
    elif isinstance(messages, list):
        for inner in messages:
            yield from _messages(inner, path)
    elif isinstance(messages, UnknownNames):
        for name in messages.names:
            yield (*path, name), messages
    else:
        yield path, str(messages)
