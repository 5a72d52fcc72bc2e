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

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Result:
    """What became of one case: an assessment or a problem, never both."""

    item: Item
    assessment: dict[str, Any] | None = None
    problem: Problem | None = None
    compared: tuple[Compared, ...] = ()

    @property
    def agrees(self) -> bool | None:
        """Whether all that was expected was found; None if nothing was expected."""
        return all(one.agrees for one in self.compared) if self.compared else None

    @property
    def case_id(self) -> str | None:
        """The id that the case was sent with, if that can be told."""
        document = self.item.document
        found = document.get("case_id") if isinstance(document, dict) else None
        return found if isinstance(found, str) else None


def assess_items(items: Iterable[Item], assess: Assess) -> Iterator[Result]:
    """The result of each case, in order. No case of the batch can end it."""
    for item in items:
        yield assess_item(item, assess)


def assess_item(item: Item, assess: Assess) -> Result:
    """The result of one case."""
    if item.problem is not None:
        return Result(item, problem=item.problem)
    document = item.document
    wanted: Mapping[str, Wanted] = {}
    try:
        if isinstance(document, dict) and "expected" in document:
            wanted = read_expected(document["expected"])
            document = {key: value for key, value in document.items() if key != "expected"}
        assessment = assess(document)
        return Result(item, assessment, compared=compare(wanted, assessment))
    except Problem as problem:
        return Result(item, problem=problem)
    except Exception:
        log.exception("case %d of a batch failed", item.index)
        failed = Problem(INTERNAL_ERROR, "The service failed on this case.")
        return Result(item, problem=failed)


def result_document(result: Result, instance: str, *, brief: bool = False) -> dict[str, Any]:
    """A result as it is answered. `brief`: only what was decided of the assessment."""
    out: dict[str, Any] = {"index": result.item.index, "line": result.item.line}
    out["case_id"] = result.case_id
    if result.problem is not None:
        return {**out, "problem": result.problem.document(instance)}
    if result.compared:
        out["agrees"] = result.agrees
        out["compared"] = [
            {
                "key": one.key,
                "expected": list(one.wanted),
                "found": one.found,
                "agrees": one.agrees,
            }
            for one in result.compared
        ]
    assert result.assessment is not None
    return {**out, "assessment": _brief(result.assessment) if brief else result.assessment}


def _brief(assessment: Mapping[str, Any]) -> dict[str, Any]:
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

    def passing(self, results: Iterable[Result]) -> Iterator[Result]:
        """The same results, each counted."""
        for one in results:
            self.add(one)
            yield one

    def add(self, result: Result) -> None:
        """Count one result."""
        self.cases += 1
        if result.problem is not None:
            self.problems[result.problem.kind.name] += 1
            return
        assert result.assessment is not None
        self.statuses[result.assessment["status"]] += 1
        used = result.assessment["rule_set"]
        self.rule_sets[used["id"]] = used
        if result.compared:
            self.expected += 1
            self.agreed += bool(result.agrees)
        for one in result.compared:
            # Of several alternatives the one that was found, or else the first, stands for them.
            wanted = one.found if one.agrees else one.wanted[0]
            self.confusion[one.key, wanted, one.found] += 1

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
