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
    """One thing wrong with a rule set. `line` is 1-based; 0 when it concerns the whole file."""

    file: str
    line: int
    message: str
    rule: str = ""

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}" if self.line else self.file
        named = f" [{self.rule}]" if self.rule else ""
        return f"{where}: {self.message}{named}"


class RuleSetError(ValueError):
    """A rule set that cannot be used. `issues` says why, one by one."""

    def __init__(self, issues: list[Issue]) -> None:
        self.issues = tuple(sorted(issues))
        super().__init__("\n".join(str(issue) for issue in self.issues))


@dataclass(frozen=True, slots=True)
class Document:
    """One YAML file as plain data, and where each node stands in it."""

    file: str
    data: Any
    lines: dict[Path_, int]

    def line(self, path: Path_) -> int:
        """The line of a node, or that of its nearest ancestor which is known."""
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path, 1)

    def issue(self, path: Path_, message: str, rule: str = "") -> Issue:
        """An `Issue` at a node of this file."""
        return Issue(self.file, self.line(path), message, rule)


def read_document(path: Path, shown_as: str) -> Document:
    """Read one YAML file.

    Duplicate keys, aliases, tags and files over 2 MB are refused: a rule set is plain data.

    Raises:
        RuleSetError: with file and line, if the file is not acceptable YAML.
    """
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise RuleSetError([Issue(shown_as, 0, f"cannot be read: {error.strerror}")]) from error
    if len(raw) > MAX_FILE_BYTES:
        raise RuleSetError([Issue(shown_as, 0, f"is larger than {MAX_FILE_BYTES} bytes")])
    return parse_document(raw, shown_as)


def parse_document(raw: bytes, shown_as: str) -> Document:
    """Parse the bytes of one YAML file; see `read_document`."""
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        raise RuleSetError([Issue(shown_as, 0, f"is not UTF-8 (byte {error.start})")]) from error
    yaml = YAML(typ="rt", pure=True)
    try:
        for event in yaml.parse(text):
            line = event.start_mark.line + 1 if event.start_mark else 0
            if isinstance(event, AliasEvent):
                raise RuleSetError([Issue(shown_as, line, "aliases are not allowed")])
            if getattr(event, "tag", None):
                raise RuleSetError([Issue(shown_as, line, "tags are not allowed")])
        node = YAML(typ="rt", pure=True).load(text)
    except RuleSetError:
        raise
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line = mark.line + 1 if mark else 0
        problem = " ".join(str(error.problem or error.context or "not YAML").split())
        raise RuleSetError([Issue(shown_as, line, problem)]) from error
    except (YAMLError, ValueError, RecursionError) as error:
        problem = str(error).splitlines()[0] if str(error) else "not YAML"
        raise RuleSetError([Issue(shown_as, 0, problem)]) from error
    lines: dict[Path_, int] = {}
    return Document(shown_as, _plain(node, (), lines), lines)


def _plain(node: Any, path: Path_, lines: dict[Path_, int]) -> Any:
    if isinstance(node, CommentedMap):
        lines.setdefault(path, node.lc.line + 1)
        out: dict[str, Any] = {}
        for key, value in node.items():
            name = str(key)
            lines[(*path, name)] = node.lc.key(key)[0] + 1
            out[name] = _plain(value, (*path, name), lines)
        return out
    if isinstance(node, CommentedSeq):
        lines.setdefault(path, node.lc.line + 1)
        items: list[Any] = []
        for index, value in enumerate(node):
            lines[(*path, index)] = node.lc.item(index)[0] + 1
            items.append(_plain(value, (*path, index), lines))
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
