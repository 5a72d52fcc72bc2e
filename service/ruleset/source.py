"""Reading YAML safely, with the line of every node kept for messages."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import AliasEvent

MAX_FILE_BYTES = 2_000_000

Path_ = tuple[str | int, ...]


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
    places: dict[Path_, tuple[int, int]]

    def place(self, path: Path_) -> tuple[int, int]:
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
    """Read one YAML file.

    Duplicate keys, aliases, tags and files over 2 MB are refused: a rule set is plain data.

    Raises:
        RuleSetError: with file and line, if the file is not acceptable YAML.
    """
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise _refused(
            shown_as, 0, 0, "unreadable", f"cannot be read: {error.strerror}", "Put it there."
        ) from error
    return parse_document(raw, shown_as)


def parse_document(raw: bytes, shown_as: str) -> Document:
    """Parse the bytes of one YAML file; see `read_document`."""
    if len(raw) > MAX_FILE_BYTES:
        raise _refused(
            shown_as,
            0,
            0,
            "file-size",
            f"is larger than {MAX_FILE_BYTES} bytes",
            "No rule set needs that much.",
        )
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        message = f"is not UTF-8 (byte {error.start})"
        raise _refused(shown_as, 0, 0, "encoding", message, "Save it as UTF-8.") from error
    yaml = YAML(typ="rt", pure=True)
    try:
        for event in yaml.parse(text):
            mark = event.start_mark
            line, column = (mark.line + 1, mark.column + 1) if mark else (0, 0)
            if isinstance(event, AliasEvent):
                advice = "Write the value out in each place."
                raise _refused(
                    shown_as, line, column, "yaml-alias", "aliases are not allowed", advice
                )
            if getattr(event, "tag", None):
                advice = "Write the value without its tag."
                raise _refused(shown_as, line, column, "yaml-tag", "tags are not allowed", advice)
        node = YAML(typ="rt", pure=True).load(text)
    except RuleSetError:
        raise
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line, column = (mark.line + 1, mark.column + 1) if mark else (0, 0)
        problem = " ".join(str(error.problem or error.context or "not YAML").split())
        advice = "Mend the YAML here or just before."
        raise _refused(shown_as, line, column, "yaml-syntax", problem, advice) from error
    except (YAMLError, ValueError, RecursionError) as error:
        problem = str(error).splitlines()[0] if str(error) else "not YAML"
        raise _refused(shown_as, 0, 0, "yaml-syntax", problem, "Mend the YAML.") from error
    places: dict[Path_, tuple[int, int]] = {}
    return Document(shown_as, _plain(node, (), places), places)


def _refused(
    file: str, line: int, column: int, code: str, message: str, advice: str
) -> RuleSetError:
    return RuleSetError([Issue(file, line, column, message, code, "", advice)])


def _plain(node: Any, path: Path_, places: dict[Path_, tuple[int, int]]) -> Any:
    if isinstance(node, CommentedMap):
        places.setdefault(path, (node.lc.line + 1, node.lc.col + 1))
        out: dict[str, Any] = {}
        for key, value in node.items():
            name = str(key)
            line, column = node.lc.key(key)
            places[(*path, name)] = (line + 1, column + 1)
            out[name] = _plain(value, (*path, name), places)
        return out
    if isinstance(node, CommentedSeq):
        places.setdefault(path, (node.lc.line + 1, node.lc.col + 1))
        items: list[Any] = []
        for index, value in enumerate(node):
            line, column = node.lc.item(index)
            places[(*path, index)] = (line + 1, column + 1)
            items.append(_plain(value, (*path, index), places))
        return items
    if isinstance(node, bool):
        return bool(node)
    if isinstance(node, float):
        return float(node)
    if isinstance(node, int):
        return int(node)
    if isinstance(node, str):
        return str(node)
    return node
