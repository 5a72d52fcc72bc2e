"""The rig: a rule set as small as can be, and what becomes of it with a text or two changed.

One file is parsed anew, the others are kept, so that an example costs milliseconds.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import NamedTuple

from service.ruleset.build import FILES, build
from service.ruleset.lint import lint
from service.ruleset.model import RuleSet
from service.ruleset.shape import shape_issues
from service.ruleset.source import Document, Issue, RuleSetError, parse_document

RIG = Path(__file__).parent / "rig"


class Edit(NamedTuple):
    """In one file, the first place where `old` stands becomes `new`; without `old`, it is added."""

    file: str
    old: str
    new: str


@cache
def text(file: str) -> str:
    return (RIG / f"{file}.yaml").read_text(encoding="utf-8")


@cache
def document(file: str, content: str) -> Document:
    return parse_document(content.encode(), f"rig/{file}.yaml")


def documents(edits: Iterable[Edit] = ()) -> dict[str, Document]:
    contents = {file: text(file) for file in FILES}
    for file, old, new in edits:
        assert old in contents[file], f"{old!r} no longer stands in the rig"
        contents[file] = contents[file].replace(old, new, 1) if old else contents[file] + new
    return {file: document(file, content) for file, content in contents.items()}


def rigged(edits: Iterable[Edit] = ()) -> RuleSet:
    """The rule set of the rig with some texts changed."""
    return build(documents(edits))


def issues(edits: Iterable[Edit]) -> list[Issue]:
    """All that is wrong with the rig once some texts have been changed."""
    try:
        changed = documents(edits)
        shape = [issue for file, one in changed.items() for issue in shape_issues(one, file)]
        return shape or lint(build(changed), changed)
    except RuleSetError as error:
        return list(error.issues)
