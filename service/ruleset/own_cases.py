"""A rule set's own cases: what is given, and what is to come of it."""

from __future__ import annotations

from pathlib import Path

from service.ruleset.shape import shape_issues
from service.ruleset.source import Document, Issue, RuleSetError, read_document


def read_cases(folder: Path) -> tuple[Document, ...]:
    """The case files of a rule set folder, in the order of their names; none is none.

    Raises:
        RuleSetError: naming every file that cannot be read or is of the wrong shape.
    """
    documents: list[Document] = []
    issues: list[Issue] = []
    for path in sorted((folder / "cases").glob("*.yaml")):
        try:
            document = read_document(path, f"{folder.name}/cases/{path.name}")
        except RuleSetError as error:
            issues.extend(error.issues)
            continue
        issues.extend(shape_issues(document, "cases"))
        documents.append(document)
    if issues:
        raise RuleSetError(issues)
    return tuple(documents)
