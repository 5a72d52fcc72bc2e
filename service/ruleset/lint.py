"""What is wrong with a rule set that builds: mistakes of modelling, and above all of safety."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import islice

from service.ruleset.compose import Path_
from service.ruleset.lints.chaining import CHAINING
from service.ruleset.lints.confirmations import CONFIRMATIONS
from service.ruleset.lints.consequences import CONSEQUENCES
from service.ruleset.lints.evidence import EVIDENCE
from service.ruleset.lints.faults import FAULTS
from service.ruleset.lints.found import Found, Lint
from service.ruleset.lints.header import HEADER
from service.ruleset.lints.measures import MEASURES
from service.ruleset.lints.release import RELEASE
from service.ruleset.lints.runs import RUNS
from service.ruleset.lints.safety import SAFETY
from service.ruleset.lints.sources import unsourced
from service.ruleset.lints.texts import TEXTS
from service.ruleset.model import RuleSet
from service.ruleset.source import Document, Issue

LINTS: Mapping[str, Lint] = {
    **SAFETY,
    **CONFIRMATIONS,
    **RELEASE,
    **RUNS,
    **HEADER,
    **MEASURES,
    **EVIDENCE,
    **FAULTS,
    **CHAINING,
    **CONSEQUENCES,
    **TEXTS,
}

MOST_OF_ONE = 100  # findings of one lint; who wrote it has enough to do
_HEADER = "rule-set"
_FILES = {
    "symptoms": "symptoms",
    "faults": "faults",
    "remedies": "faults",
    "parts": "faults",
    "conditions": "faults",
    "checks": "checks",
    "scales": "checks",
    "rules": "rules",
    "precautions": "precautions",
    "preparations": "precautions",
    "access": "precautions",
}


def lint(rule_set: RuleSet, documents: Mapping[str, Document]) -> list[Issue]:
    """Every modelling mistake, each with file, line and column of the thing that it is about."""
    issues = [issue for document in documents.values() for issue in unsourced(document)]
    for code, check in LINTS.items():
        for found in islice(check(rule_set), MOST_OF_ONE):
            document = documents[_FILES.get(found.table, _HEADER)]
            path = (*_item(document, found), *found.field)
            issues.append(
                document.issue(
                    path, found.message, rule=code, about=found.about, advice=found.advice
                )
            )
    return issues


def _item(document: Document, found: Found) -> Path_:
    table = document.data.get(found.table)
    if isinstance(table, list):
        for index, item in enumerate(table):
            if isinstance(item, dict) and item.get("id") == found.about:
                return (found.table, index)
    if isinstance(table, dict) and found.about in table:
        return (found.table, found.about)
    return (found.table,)
