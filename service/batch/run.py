"""One case of a batch after another: assessed, or its problem; and the summary of them all."""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.batch.expected import Wanted, compare, read_expected
from service.batch.items import Item
from service.problems import INTERNAL_ERROR, Problem

Found = dict[str, Any] | Problem
"""An assessment, or why there is none."""

Assess = Callable[[Any], dict[str, Any]]
"""From the document of a case to its assessment; raises Problem."""

AssessAll = Callable[[Sequence[Any]], Sequence[Found]]
"""From the documents of cases to what is found of each."""

Result = dict[str, Any]
"""What became of one case, as it is answered: with an assessment or a problem, never both."""

# So many cases are worked on together; the first ones fewer, so that an answer soon comes. What
# many more leave lying about does not fit the cache, which costs more than it saves.
TOGETHER = 16

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Form:
    """How results are written. instance: of their problems. brief: only what was decided."""

    instance: str = ""
    brief: bool = False


def at_a_time(
    items: Iterable[Item], whole: Callable[[], bool] = lambda: True
) -> Iterator[list[Item]]:
    """The cases in groups of one, two, four and so on; one by one as long as they are being sent.

    whole: whether all have come. A client may wait for an answer before it sends more.
    """
    most, group = 1, list[Item]()
    try:
        for item in items:
            group.append(item)
            if len(group) >= most or not whole():
                yield group
                most, group = min(2 * most, TOGETHER) if whole() else 1, []
    except Exception:
        if group:  # what had come when the body broke off is answered all the same
            yield group
        raise
    if group:
        yield group


def assess_items(
    groups: Iterable[Sequence[Item]], assess: AssessAll, form: Form
) -> Iterator[Result]:
    """The result of each case, in order. No case of the batch can end it, nor spoil another."""
    for group in groups:
        asked = [_asked(item) for item in group]
        whole = [one for one in asked if one.problem is None]
        found = iter(_together([one.document for one in whole], assess))
        for one in asked:
            yield _result(one, one.problem or next(found), form)


def assess_item(item: Item, assess: Assess, form: Form) -> Result:
    """The result of one case."""

    def alone(documents: Sequence[Any]) -> list[Found]:
        return [assess(document) for document in documents]

    return next(assess_items([[item]], alone, form))


def _together(documents: Sequence[Any], assess: AssessAll) -> Sequence[Found]:
    """What is found of each. When that fails they are tried one by one, so that one fails alone."""
    if not documents:
        return ()
    try:
        return assess(documents)
    except Exception as error:
        if len(documents) == 1:
            return [_problem(error)]
    return [one for document in documents for one in _together([document], assess)]


def _problem(error: Exception) -> Problem:
    if isinstance(error, Problem):
        return error
    log.error("a case of a batch failed", exc_info=error)
    return Problem(INTERNAL_ERROR, "The service failed on this case.")


@dataclass(frozen=True, slots=True)
class _Asked:
    """A case that has been parsed. document: without what it was expected to give."""

    item: Item
    document: Any
    wanted: Mapping[str, Wanted]
    problem: Problem | None


def _asked(item: Item) -> _Asked:
    item = item.parsed()
    document = item.document
    if item.problem is not None or not (isinstance(document, dict) and "expected" in document):
        return _Asked(item, document, {}, item.problem)
    given = {key: value for key, value in document.items() if key != "expected"}
    try:
        return _Asked(item, given, read_expected(document["expected"]), None)
    except Problem as problem:
        return _Asked(item, given, {}, problem)


def _result(asked: _Asked, found: Found, form: Form) -> Result:
    item = asked.item
    out: Result = {"index": item.index, "line": item.line, "case_id": _case_id(asked.document)}
    try:
        if isinstance(found, Problem):
            raise found
        compared = compare(asked.wanted, found)
    except Exception as error:
        return {**out, "problem": _problem(error).document(form.instance)}
    if compared:
        out["agrees"] = all(one.agrees for one in compared)
        out["compared"] = [
            {
                "key": one.key,
                "expected": list(one.wanted),
                "found": one.found,
                "agrees": one.agrees,
            }
            for one in compared
        ]
    return {**out, "assessment": brief(found) if form.brief else found}


def _case_id(document: Any) -> str | None:
    """The id that the case was sent with, if that can be told."""
    found = document.get("case_id") if isinstance(document, dict) else None
    return found if isinstance(found, str) else None


def brief(assessment: Mapping[str, Any]) -> dict[str, Any]:
    """Of an assessment what was decided."""
    verdict, following = assessment["verdict"], assessment["next_check"]
    kept = ("fault", "component", "confidence", "parts")
    return {
        "status": assessment["status"],
        "verdict": verdict and {key: verdict[key] for key in kept},
        "next_check": following and {"id": following["id"], "kind": following["kind"]},
        "rule_set": assessment["rule_set"],
    }


@dataclass
class Tally:
    """Counts over the results of a batch, as they pass by."""

    cases: int = 0
    problems: Counter[str] = field(default_factory=Counter)
    statuses: Counter[str] = field(default_factory=Counter)
    expected: int = 0
    agreed: int = 0
    confusion: Counter[tuple[str, str | None, str | None]] = field(default_factory=Counter)
    rule_sets: dict[str, dict[str, Any]] = field(default_factory=dict)

    def merge(self, other: Tally) -> None:
        """Count what another has counted."""
        self.cases += other.cases
        self.problems += other.problems
        self.statuses += other.statuses
        self.expected += other.expected
        self.agreed += other.agreed
        self.confusion += other.confusion
        self.rule_sets |= other.rule_sets

    def passing(self, results: Iterable[Result]) -> Iterator[Result]:
        """The same results, each counted."""
        for one in results:
            self.add(one)
            yield one

    def add(self, result: Result) -> None:
        """Count one result."""
        self.cases += 1
        if "problem" in result:
            self.problems[result["problem"]["type"].rpartition("/")[2]] += 1
            return
        assessment = result["assessment"]
        self.statuses[assessment["status"]] += 1
        self.rule_sets[assessment["rule_set"]["id"]] = assessment["rule_set"]
        if "compared" not in result:
            return
        self.expected += 1
        self.agreed += result["agrees"]
        for one in result["compared"]:
            # Of several alternatives the one that was found, or else the first, stands for them.
            wanted = one["found"] if one["agrees"] else one["expected"][0]
            self.confusion[one["key"], wanted, one["found"]] += 1

    def summary(self, broken: Mapping[str, Any] | None = None) -> dict[str, Any]:
        """The end of a batch: whether it is complete, and the counts.

        Every form of an answer and of a file takes `complete` from here.

        broken: the problem that kept cases from being read or assessed, as a document.
        """
        ending = {} if broken is None else {"problem": broken}
        return {
            "complete": broken is None,
            "cases": self.cases,
            "assessed": self.cases - self.problems.total(),
            "problems": dict(sorted(self.problems.items())),
            "statuses": dict(sorted(self.statuses.items())),
            "agreement": {"expected": self.expected, "agreed": self.agreed},
            "confusion": [
                {"key": key, "expected": wanted, "found": found, "cases": count}
                for (key, wanted, found), count in sorted(
                    self.confusion.items(), key=lambda one: tuple(str(part) for part in one[0])
                )
            ],
            "rule_sets": [self.rule_sets[name] for name in sorted(self.rule_sets)],
            **ending,
        }
