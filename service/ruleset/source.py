"""The files of a rule set as plain data, and what is wrong with them, with its place."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service.ruleset.compose import Flaw, Path_, Place, compose

MAX_FILE_BYTES = 2_000_000


@dataclass(frozen=True, slots=True, order=True)
class Issue:
    """One thing wrong with a rule set, and what would be right.

    `line` and `column` are 1-based; line 0 is the whole file, column 0 an unknown one. `rule` is
    the code of what found it (`service.ruleset.codes`), `about` the id of the rule, check or fault
    that it is about, "" if there is none. `advice` is one sentence.
    """

    file: str
    line: int
    column: int
    message: str
    rule: str
    about: str
    advice: str

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        return f"{where}: {self.message} [{self.rule}] {self.advice}"


class RuleSetError(ValueError):
    """A rule set that cannot be used. `issues` says why, one by one."""

    def __init__(self, issues: list[Issue]) -> None:
        self.issues = tuple(sorted(issues))
        super().__init__("\n".join(str(issue) for issue in self.issues))


@dataclass(frozen=True, slots=True)
class Document:
    """One YAML file as plain data, and the line and column where each node stands in it."""

    file: str
    data: Any
    places: dict[Path_, Place]

    def place(self, path: Path_) -> Place:
        """Line and column of a node, or of its nearest ancestor which is known."""
        while path and path not in self.places:
            path = path[:-1]
        return self.places.get(path, (1, 1))

    def line(self, path: Path_) -> int:
        """The line of a node, or that of its nearest ancestor which is known."""
        return self.place(path)[0]

    def about(self, path: Path_) -> str:
        """The id of the item of a table in which a node lies; "" outside of any."""
        if len(path) < 2:
            return ""
        table, key = path[:2]
        if isinstance(key, str):
            return key
        try:
            found = self.data[table][key]["id"]
        except (KeyError, IndexError, TypeError):
            return ""
        return found if isinstance(found, str) else ""

    def issue(
        self, path: Path_, message: str, *, rule: str, advice: str, about: str | None = None
    ) -> Issue:
        """An `Issue` at a node of this file; about the item in which it lies, unless told."""
        line, column = self.place(path)
        named = self.about(path) if about is None else about
        return Issue(self.file, line, column, message, rule, named, advice)


def read_document(path: Path, shown_as: str) -> Document:
    """Read one YAML file: see `parse_document`.

    Raises:
        RuleSetError: with file and line, if the file is not acceptable YAML.
    """
    try:
        with path.open("rb") as file:
            # One byte more than allowed shows that it is too much.
            raw = file.read(MAX_FILE_BYTES + 1)
    except OSError as error:
        flaw = Flaw(0, 0, "unreadable", f"cannot be read: {error.strerror}", "Put the file there.")
        raise _refused(shown_as, flaw) from error
    return parse_document(raw, shown_as)


def parse_document(raw: bytes, shown_as: str) -> Document:
    """The one document in the bytes of a YAML file, in UTF-8. JSON is YAML.

    Raises:
        RuleSetError: more than 2 MB, not YAML, or more than plain data (see `compose`).
    """
    if len(raw) > MAX_FILE_BYTES:
        message = f"is larger than {MAX_FILE_BYTES} bytes"
        raise _refused(shown_as, Flaw(0, 0, "too-large", message, "No rule set needs that much."))
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = error.object[: error.start]
        line, column = before.count(b"\n") + 1, error.start - before.rfind(b"\n")
        flaw = Flaw(line, column, "encoding", "is not UTF-8 from here on", "Save it as UTF-8.")
        raise _refused(shown_as, flaw) from error
    data, places, flaws = compose(text)
    if flaws:
        raise _refused(shown_as, *flaws)
    return Document(shown_as, data, places)


def _refused(file: str, *flaws: Flaw) -> RuleSetError:
    return RuleSetError(
        [
            Issue(file, flaw.line, flaw.column, flaw.message, flaw.code, "", flaw.advice)
            for flaw in flaws
        ]
    )
