"""What an author is told of a candidate: what is wrong with it, and what it changes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from service.batch.items import Item
from service.batch.run import Form, Result, assess_item, brief
from service.ruleset.describe import reference
from service.ruleset.model import RuleSet
from service.ruleset.source import RuleSetError
from service.trials.difference import difference, gathered, losses_of_case, weakened
from service.trials.expectations import is_own_case, unmet

Assess = Callable[[Any], dict[str, Any]]


@dataclass(frozen=True, slots=True)
class Judge:
    """A rule set and how it assesses the document of a case."""

    rule_set: RuleSet
    assess: Assess


def findings(error: RuleSetError) -> list[dict[str, Any]]:
    """All that is wrong with a candidate, in the order of files and lines."""
    return [asdict(issue) for issue in error.issues]


@dataclass(frozen=True, slots=True)
class Tried:
    """One case, by the candidate and by the installed rule set (None: there is none)."""

    case_id: str | None
    candidate: Result
    installed: Result | None
    unmet: tuple[str, ...] | None  # None: the case is no own case of a rule set

    @property
    def lacking(self) -> tuple[str, ...]:
        """What an own case did not get; for one that could not be assessed, why."""
        if "problem" in self.candidate:
            return (self.candidate["problem"]["detail"],)
        return self.unmet or ()


def differs(one: Tried, installed: Judge | None) -> dict[str, Any]:
    """How the two differ; empty if they do not, or cannot be held against each other."""
    if one.installed is None or installed is None:
        return {}
    if "problem" in one.installed or "problem" in one.candidate:
        had, has = ("problem" in each for each in (one.installed, one.candidate))
        return {"problem": {"installed": had, "candidate": has}} if had != has else {}
    return difference(installed.rule_set, one.installed["assessment"], one.candidate["assessment"])


def try_cases(cases: Iterable[Any], candidate: Judge, installed: Judge | None) -> Iterator[Tried]:
    """Each case by both. An own case (`given`, `expect`) is of the candidate's equipment."""
    for index, case in enumerate(cases):
        item, expect, name = _item(index, case, candidate.rule_set.equipment)
        by_candidate = assess_item(item, candidate.assess, Form())
        by_installed = None if installed is None else assess_item(item, installed.assess, Form())
        missed = None
        if expect is not None:
            assessment = by_candidate.get("assessment")
            missed = ("no assessment",) if assessment is None else tuple(unmet(expect, assessment))
        yield Tried(name, by_candidate, by_installed, missed)


def _item(
    index: int, case: Any, equipment: str
) -> tuple[Item, Mapping[str, Any] | None, str | None]:
    """A case as a batch has it, what it expects if it is an own case, and what it is called."""
    name = case.get("id" if is_own_case(case) else "case_id") if isinstance(case, dict) else None
    called = name if isinstance(name, str) else None
    if not is_own_case(case):
        return Item(index, None, case), None, called
    return Item(index, None, {"equipment": equipment, **case["given"]}), case["expect"], called


def trial(
    cases: Iterable[Any],
    candidate: Judge,
    installed: Judge | None,
    *,
    changes: Mapping[str, Any] | None = None,
    full: bool = False,
    changed_only: bool = False,
) -> dict[str, Any]:
    """What the candidate makes of the cases, and how that differs from the installed rule set.

    changes: what the candidate's text changes in the installed one's (None: there is none).
    full: whole assessments, not only what was decided. changed_only: only the cases that differ,
    fail or have a problem. Losses come first: whatever protects people and is gone is an error.
    """
    losses = [] if installed is None else list(weakened(installed.rule_set, candidate.rule_set))
    rows: list[dict[str, Any]] = []
    tally = _Tally()
    for index, one in enumerate(try_cases(cases, candidate, installed)):
        found = differs(one, installed)
        losses += losses_of_case(one.case_id or f"number {index}", found)
        tally.add(one, found)
        row = _row(index, one, found, full=full)
        noted = found or one.unmet or "problem" in row or row.get("agrees") is False
        if noted or not changed_only:
            rows.append(row)
    return {
        "candidate": reference(candidate.rule_set),
        "installed": None if installed is None else reference(installed.rule_set),
        "errors": [asdict(one) for one in gathered(losses)],
        "summary": tally.summary(),
        "changes": changes,
        "cases": rows,
    }


def _row(index: int, one: Tried, found: dict[str, Any], *, full: bool) -> dict[str, Any]:
    row: dict[str, Any] = {"index": index, "case_id": one.case_id}
    if one.installed is not None:
        row["difference"] = found or None
    if one.unmet is not None:
        row["unmet"] = list(one.unmet)
    for key in ("agrees", "compared", "problem"):
        if key in one.candidate:
            row[key] = one.candidate[key]
    if "assessment" in one.candidate:
        assessment = one.candidate["assessment"]
        row["assessment"] = assessment if full else brief(assessment)
    return row


class _Tally:
    """Counts over the cases of a trial."""

    def __init__(self) -> None:
        self.cases = self.problems = self.changed = 0
        self.differences: Counter[str] = Counter()
        self.expected = self.met = 0

    def add(self, one: Tried, found: Mapping[str, Any]) -> None:
        self.cases += 1
        self.problems += "problem" in one.candidate
        self.changed += bool(found)
        self.differences.update(found.keys())
        if one.unmet is not None:
            self.expected += 1
            self.met += not one.unmet
        elif "agrees" in one.candidate:
            self.expected += 1
            self.met += one.candidate["agrees"]

    def summary(self) -> dict[str, Any]:
        return {
            "cases": self.cases,
            "problems": self.problems,
            "changed": self.changed,
            "differences": dict(sorted(self.differences.items())),
            "expectations": {"cases": self.expected, "met": self.met},
        }
