"""YAML text → plain data with the place of every node, in one pass over the parser's events.

A rule set is plain data: mappings with text keys, lists, texts, decimal numbers, true and false.
Whatever else YAML knows (aliases, tags, merge keys, dates, `.inf`, octal) would make something of a
text that its author did not see there, and is refused with its place. Depth and number of nodes are
limited while the events come, before anything large is built. Nothing here calls itself.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import lru_cache
from typing import Any, NamedTuple

import yaml
from yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    Event,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

MAX_DEPTH = 32
MAX_NODES = 30_000
MAX_SCALAR = 10_000  # characters
MAX_FLAWS = 100
# Nothing on an appliance is larger or, unless it is 0, smaller, whatever its unit.
MAX_NUMBER, LEAST_NUMBER = 1e15, 1e-15

Path_ = tuple[str | int, ...]
Place = tuple[int, int]  # line and column, 1-based

# Neither line break nor tab nor visible: in a text nobody sees them, and some end lines.
_INVISIBLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\ufeff\ufffe\uffff]")
_SURROGATE = re.compile("[\ud800-\udfff]")
_DECIMAL = re.compile(r"-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][-+]?[0-9]+)?")
_SYNTAX = "yaml-syntax"
# libyaml, twenty times as fast as the parser in Python; an installation may lack it.
_FAST = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
# What an unquoted scalar is taken for: YAML 1.2.2 section 10.3.2, and of YAML 1.1 the numbers and
# dates that many readers still see. `yes` and `no` are words.
_KINDS = {
    "null": re.compile("~|null|Null|NULL|"),
    "bool": re.compile("true|True|TRUE|false|False|FALSE"),
    "number": re.compile(
        r"[-+]?(0b[01_]+|0x[0-9a-fA-F_]+|0o?[0-7_]+|[0-9][0-9_]*|[0-9][0-9_]*[eE][-+]?[0-9]+"
        r"|[0-9][0-9_]*\.[0-9_]*([eE][-+]?[0-9]+)?|\.[0-9_]+([eE][-+]?[0-9]+)?"
        r"|\.(inf|Inf|INF))|\.(nan|NaN|NAN)"
    ),
    "date": re.compile(
        r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
        r"|[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}([Tt]|[ \t]+)[0-9]{1,2}:[0-9]{2}:[0-9]{2}(\.[0-9]*)?"
        r"([ \t]*(Z|[-+][0-9]{1,2}(:[0-9]{2})?))?"
    ),
    "merge": re.compile("<<"),
}


class Flaw(NamedTuple):
    """Something in a text that may not be there."""

    line: int
    column: int
    code: str
    message: str
    advice: str


class Composed(NamedTuple):
    """The data of a text, the place of each node by its path, and what may not be there."""

    data: Any
    places: dict[Path_, Place]
    flaws: list[Flaw]


class _EndError(Exception):
    """A flaw after which there is no going on."""


def compose(text: str) -> Composed:
    """The one YAML document in a text. The data are of use only if there are no flaws."""
    composed = _composed(text, _FAST)
    # Where the parser in C gives up, the one in Python says more of what is wrong, and joins
    # surrogate pairs as JSON writes them.
    if any(flaw.code == _SYNTAX for flaw in composed.flaws):
        return _composed(text, yaml.SafeLoader)
    return composed


def _composed(text: str, loader: type[yaml.SafeLoader]) -> Composed:
    composer = _Composer()
    try:
        composer.characters(text)
        events: Iterator[Event] = yaml.parse(text, Loader=loader)
        for event in events:
            composer.take(event)
        if composer.root is None:
            composer.refuse((1, 1), "yaml-empty", "holds nothing", "Write the mapping it is for.")
    except _EndError:
        pass
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        problem = " ".join(str(error.problem or error.context or "not YAML").split())
        composer.syntax((mark.line + 1, mark.column + 1) if mark else (1, 1), problem)
    except (yaml.YAMLError, ValueError):
        composer.syntax(composer.last, "an escape that stands for no character")
    return Composed(composer.root, composer.places, composer.flaws)


class _Frame:
    """A mapping or list that is still being filled."""

    __slots__ = ("into", "key", "path")

    def __init__(self, into: dict[str, Any] | list[Any], path: Path_) -> None:
        self.into = into
        self.path = path
        self.key: str | None = None  # of a mapping: the one that waits for its value


class _Composer:
    """Builds the data from events, one after another."""

    def __init__(self) -> None:
        self.root: Any = None
        self.places: dict[Path_, Place] = {}
        self.flaws: list[Flaw] = []
        self.last: Place = (1, 1)
        self._open: list[_Frame] = []
        self._nodes = 0
        self._documents = 0
        self._repeated = 0

    def note(self, place: Place, code: str, message: str, advice: str) -> None:
        """A flaw beside which reading goes on."""
        self.flaws.append(Flaw(*place, code, message, advice))
        if len(self.flaws) >= MAX_FLAWS:
            raise _EndError

    def refuse(self, place: Place, code: str, message: str, advice: str) -> None:
        """A flaw that ends the reading."""
        self.note(place, code, message, advice)
        raise _EndError

    def syntax(self, place: Place, problem: str) -> None:
        self.flaws.append(Flaw(*place, _SYNTAX, problem, "Mend the YAML here or just before."))

    def characters(self, text: str) -> None:
        """Refuse characters that nobody sees, before the parser takes some for line breaks."""
        found = _INVISIBLE.search(text)
        if found:
            before = text[: found.start()]
            line = before.count("\n") + 1
            column = found.start() - (before.rfind("\n") + 1) + 1
            self._invisible((line, column), found[0])

    def _invisible(self, place: Place, character: str) -> None:
        message = f"the character U+{ord(character):04X}, which nobody sees"
        self.refuse(place, "yaml-character", message, "Take it out.")

    def take(self, event: Event) -> None:
        """One event of the parser."""
        mark = event.start_mark
        if mark is not None:
            self.last = (mark.line + 1, mark.column + 1)
        if isinstance(event, ScalarEvent):
            self._plain(event)
            self._scalar(event)
        elif isinstance(event, (MappingStartEvent, SequenceStartEvent)):
            self._plain(event)
            self._begin({} if isinstance(event, MappingStartEvent) else [])
        elif isinstance(event, (MappingEndEvent, SequenceEndEvent)):
            self._open.pop()
        elif isinstance(event, AliasEvent):
            message = "aliases are not allowed"
            self.refuse(self.last, "yaml-alias", message, "Write the value out in each place.")
        elif isinstance(event, DocumentStartEvent):
            self._document(event)

    def _document(self, event: DocumentStartEvent) -> None:
        self._documents += 1
        if event.version or event.tags:
            message = "directives are not allowed"
            self.refuse(self.last, "yaml-directive", message, "Drop the line that begins with %.")
        if self._documents > 1:
            message = "a second document in one file"
            self.refuse(self.last, "yaml-documents", message, "Drop the `---`, or make two files.")

    def _plain(self, event: Any) -> None:
        """Count the node, and refuse what makes more of it than what is written."""
        self._nodes += 1
        if self._nodes > MAX_NODES:
            message = f"more than {MAX_NODES} values"
            self.refuse(self.last, "too-large", message, "No rule set needs that many.")
        if event.anchor is not None:
            message = "anchors are not allowed"
            self.refuse(self.last, "yaml-alias", message, "Write the value out in each place.")
        if event.tag is not None:
            message = "tags are not allowed"
            self.refuse(self.last, "yaml-tag", message, "Write the value without its tag.")

    def _begin(self, into: dict[str, Any] | list[Any]) -> None:
        if len(self._open) >= MAX_DEPTH:
            message = f"nested deeper than {MAX_DEPTH}"
            self.refuse(self.last, "too-deep", message, "No rule set needs that; look for a slip.")
        if self._awaits_key():
            self.refuse(
                self.last, "yaml-key", "a key that is a mapping or a list", "Keys are texts."
            )
        self._open.append(_Frame(into, self._put(into)))

    def _scalar(self, event: ScalarEvent) -> None:
        if len(event.value) > MAX_SCALAR:
            message = f"a text of more than {MAX_SCALAR} characters"
            self.refuse(self.last, "too-large", message, "Shorten it.")
        if not self._awaits_key():
            quoted = bool(event.style)
            self._put(self._text(event.value) if quoted else self._value(event.value))
            return
        key = self._key(event)
        frame = self._open[-1]
        if key in frame.into:
            message = f"duplicate key {key!r}"
            self.note(self.last, "duplicate-key", message, "Drop one of the two.")
            self._repeated += 1
            key = f"{key} ({self._repeated})"
        frame.key = key
        self.places[(*frame.path, key)] = self.last

    def _key(self, event: ScalarEvent) -> str:
        text = self._text(event.value)
        if event.style:
            return text
        kind = unquoted(text)
        if kind == "merge":
            message = "merge keys are not allowed"
            self.note(self.last, "yaml-key", message, "Write the keys out in each place.")
        elif kind != "text":
            message = f"the key {text!r} is no text"
            self.note(self.last, "yaml-key", message, "Keys are texts: write it in quotes.")
        return text

    def _awaits_key(self) -> bool:
        """Whether a mapping is open and its next key is due."""
        frame = self._open[-1] if self._open else None
        return frame is not None and isinstance(frame.into, dict) and frame.key is None

    def _put(self, value: Any) -> Path_:
        """Put a value where it belongs; its path."""
        if not self._open:
            self.root = value
            self.places[()] = self.last
            return ()
        frame = self._open[-1]
        if isinstance(frame.into, list):
            path = (*frame.path, len(frame.into))
            self.places[path] = self.last
            frame.into.append(value)
            return path
        key = frame.key
        assert key is not None
        frame.into[key] = value
        frame.key = None
        return (*frame.path, key)

    def _text(self, text: str) -> str:
        """A text as it is, halves of surrogate pairs joined as JSON writes them."""
        if _SURROGATE.search(text):
            text = text.encode("utf-16", "surrogatepass").decode("utf-16", "replace")
            if "\ufffd" in text:
                message = "half of a surrogate pair"
                self.refuse(self.last, "yaml-character", message, "Write the character itself.")
        found = _INVISIBLE.search(text)
        if found or "\r" in text:
            self._invisible(self.last, found[0] if found else "\r")
        return text

    def _value(self, text: str) -> Any:
        """What an unquoted scalar stands for (YAML 1.2; `yes` and `no` are words)."""
        match unquoted(text):
            case "null":
                return None
            case "bool":
                return text.lower() == "true"
            case "number":
                return self._number(text)
            case "date":
                message, advice = f"{text!r} is a date", "Write it in quotes."
                self.note(self.last, "yaml-date", message, advice)
        return self._text(text)

    def _number(self, text: str) -> float | int:
        shown = text if len(text) <= 40 else text[:37] + "..."
        if not _DECIMAL.fullmatch(text):
            message = f"{shown!r} is a number to some readers and none to others"
            self.note(self.last, "yaml-number", message, "Write a plain decimal number, or quotes.")
            return 0
        size = abs(float(text))
        nothing = size == 0.0 and not text.lower().partition("e")[0].strip("-0.")
        if not (nothing or LEAST_NUMBER <= size <= MAX_NUMBER):
            message = f"{shown} is beyond any real quantity"
            self.note(self.last, "yaml-number", message, "Use a larger or smaller unit.")
            return 0
        return float(text) if any(mark in text for mark in ".eE") else int(text)


@lru_cache(maxsize=4096)
def unquoted(text: str) -> str:
    """What YAML takes an unquoted scalar for: text, null, bool, number, date or merge."""
    return next((kind for kind, pattern in _KINDS.items() if pattern.fullmatch(text)), "text")
