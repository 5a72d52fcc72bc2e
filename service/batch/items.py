"""The cases of a batch as they were sent, one at a time: each a document, or why it is none."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any, Protocol

from service.at_work import working
from service.documents import LOST_LINE_BREAKS, parse_json
from service.problems import CONTENT_TOO_LARGE, Problem


class Lines(Protocol):
    """Bytes that can be read by lines, such as a file."""

    def readline(self, most: int, /) -> bytes:
        """The next line with its end, at most so many bytes of it; empty at the end."""
        ...


@dataclass(frozen=True, slots=True)
class Item:
    """One case of a batch.

    index: its place among the cases, from 0. line: where it began in a text of lines, from 1.
    raw: its JSON, as long as that has not been parsed; whoever works on it does so.
    """

    index: int
    line: int | None
    document: Any = None
    problem: Problem | None = None
    raw: bytes | None = None

    def parsed(self) -> Item:
        """The same with its document, or with the problem of what is none."""
        if self.raw is None:
            return self
        try:
            with working():
                document = parse_json(self.raw, len(self.raw), self.line)
        except Problem as problem:
            return replace(self, raw=None, problem=self.problem or problem)
        return replace(self, raw=None, document=document)


def from_documents(documents: Iterable[Any]) -> Iterator[Item]:
    """The cases of a list; a Problem in it stands for a case that could not be read."""
    for index, one in enumerate(documents):
        if isinstance(one, Problem):
            yield Item(index, None, problem=one)
        else:
            yield Item(index, None, one)


def from_lines(source: Lines, most: int) -> Iterator[Item]:
    """The cases of newline-delimited JSON, a case a line. Blank lines are passed over.

    most: bytes of one line; a longer one is a problem of its own, and the next one is read.
    """
    index = 0
    for line, raw in _numbered(source, most):
        if raw is None:
            detail = f"The line is longer than {most} bytes."
            if line == 1:
                detail += f" {LOST_LINE_BREAKS}"
            yield Item(index, line, problem=Problem(CONTENT_TOO_LARGE, detail))
        elif not raw.strip():
            continue
        else:
            yield Item(index, line, raw=raw.strip(b"\r\n"))
        index += 1


def _numbered(source: Lines, most: int) -> Iterator[tuple[int, bytes | None]]:
    """The lines, from 1; None for one that is too long, of which no more is kept than that."""
    number = 0
    while raw := source.readline(most + 2):
        number += 1
        if len(raw.rstrip(b"\r\n")) <= most:
            yield number, raw
            continue
        while raw and not raw.endswith(b"\n"):
            raw = source.readline(most)
        yield number, None
