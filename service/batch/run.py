"""One case of a batch after another: assessed, or its problem; and the summary of them all."""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from service.batch.expected import Compared, Wanted, compare, read_expected
from service.batch.items import Item
from service.problems import INTERNAL_ERROR, Problem

Assess = Callable[[Any], dict[str, Any]]
"""From the document of a case to its assessment; raises Problem."""

Result = dict[str, Any]
"""What became of one case, as it is answered: with an assessment or a problem, never both."""

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Form:
    """How results are written. instance: of their problems. brief: only what was decided."""

    instance: str = ""
    brief: bool = False


def assess_items(items: Iterable[Item], assess: Assess, form: Form) -> Iterator[Result]:
    """The result of each case, in order. No case of the batch can end it."""
    for item in items:
        yield assess_item(item, assess, form)


def assess_item(item: Item, assess: Assess, form: Form) -> Result:
    """The result of one case."""
    item = item.parsed()
    out: Result = {"index": item.index, "line": item.line, "case_id": _case_id(item.document)}
    try:
        if item.problem is not None:
            raise item.problem
        assessment, compared = _assess(item.document, assess)
    except Problem as problem:
        return {**out, "problem": problem.document(form.instance)}
    except Exception:
        log.exception("case %d of a batch failed", item.index)
        failed = Problem(INTERNAL_ERROR, "The service failed on this case.")
        return {**out, "problem": failed.document(form.instance)}
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
    return {**out, "assessment": brief(assessment) if form.brief else assessment}


def _assess(document: Any, assess: Assess) -> tuple[dict[str, Any], tuple[Compared, ...]]:
    wanted: Mapping[str, Wanted] = {}
    if isinstance(document, dict) and "expected" in document:
        wanted = read_expected(document["expected"])
        document = {key: value for key, value in document.items() if key != "expected"}
    assessment = assess(document)
    return assessment, compare(wanted, assessment)


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

    def summary(self) -> dict[str, Any]:
        """The closing line of a batch: that it is complete, and the counts."""
        return {
            "complete": True,
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
        }
