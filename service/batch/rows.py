"""The rows of a table in CSV, and which case each is of, as far as that can be told.

A row that cannot be read may hold the one reading that matters. So it is never passed over: its
case is told by what can be read of it, or else it may be of any case around it.
"""

from __future__ import annotations

import csv
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol
from unicodedata import category

from service.batch.items import Lines
from service.documents import shown
from service.problems import MALFORMED_CSV, Problem

CASE_ID = "case_id"
NOTE = "note"
_MOST_LINES = 20  # of one row: a quotation mark that is not closed would take in all that follows
_MOST_OTHERS = 10  # cells too many, for the case to be told from the first
_UNREADABLE = "\N{REPLACEMENT CHARACTER}"
_JOINERS = "\N{ZERO WIDTH JOINER}\N{ZERO WIDTH NON-JOINER}"  # some scripts need them


class Rereadable(Lines, Protocol):
    """Lines that can be read once more."""

    def seek(self, offset: int, /) -> object:
        """Go back to the beginning, which is at 0."""
        ...


@dataclass(frozen=True, slots=True)
class Row:
    """A row of a table.

    line: where it begins, from 1. size: its characters. cells: those that hold something, by
    column, without that of the case. case_id: empty if it is that of the row above; None if it
    cannot be told. problem: why the row cannot be read. torn: where its cells begin and end is
    not certain. short: there are fewer of them than columns, so that the first may be missing.
    others: where there are more, those that may be the id of the case instead of the first.
    """

    line: int
    size: int
    cells: Mapping[str, str]
    case_id: str | None
    problem: Problem | None = None
    torn: bool = False
    short: bool = False
    others: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Line:
    """A line as it can be read. problem: what of it cannot be. cut: whether its end is missing."""

    number: int
    text: str
    problem: Problem | None = None
    cut: bool = False


class _Torn(Exception):  # noqa: N818 - what it is
    """What has been taken is no row."""


class Rows:
    """The rows of a table below its header. delimiter: between cells."""

    def __init__(self, source: Lines, most: int) -> None:
        """Read the first row, the column names.

        most: bytes of a line.
        """
        self._source, self.most = source, most
        self._number = 0
        self._ahead: deque[_Line] = deque()  # lines to be read again
        self._taken: list[_Line] = []  # lines of the present row
        self._size = 0  # their characters
        self.ended = True
        """Whether the line that was read last has an end."""
        first = self._next_line()
        self.delimiter = ","
        if first is not None:
            self._ahead.append(first)
            if ";" in first.text and "," not in first.text:
                self.delimiter = ";"
        self._reader = csv.reader(_Feed(self), delimiter=self.delimiter, strict=True)
        empty = Problem(MALFORMED_CSV, "The body is empty; a row of column names is expected.")
        cells, problem = self._split() or ([], empty)
        self.header = [cell.strip() for cell in cells]
        """The column names."""
        self.problem = problem or self._unreadable()
        """Why these cannot be read."""

    def __iter__(self) -> Iterator[Row]:
        """The rows, without blank ones."""
        while (found := self._split()) is not None:
            cells, problem = found
            if problem is None and not "".join(cells).strip():
                continue
            problem = problem or self._wrong_shape(cells)
            yield self._read(cells) if problem is None else self._torn_row(problem, len(cells))

    def take(self) -> str:
        """The next line of the present row. Raises StopIteration and what is no part of a row."""
        if len(self._taken) == _MOST_LINES or self._size > self.most:
            raise _Torn("a quotation mark is not closed")
        line = self._ahead.popleft() if self._ahead else self._next_line()
        if line is None:
            raise StopIteration
        self._taken.append(line)
        self._size += len(line.text)
        if line.cut:
            raise _Torn("a line of it is too long")
        return line.text

    def _next_line(self) -> _Line | None:
        raw = self._source.readline(self.most + 1)
        if not raw:
            return None
        self._number += 1
        number, first = self._number, self._number == 1
        self.ended = raw.endswith(b"\n")
        # Spreadsheets put a byte order mark before the first column.
        text = raw.decode("utf-8", "replace")
        if first:
            text = text.removeprefix("\ufeff")
        if len(raw) > self.most:
            while raw and not raw.endswith(b"\n"):
                raw = self._source.readline(self.most)
            self.ended = bool(raw)
            detail = f"Line {number} is longer than {self.most} bytes."
            return _Line(number, text, Problem(MALFORMED_CSV, detail), cut=True)
        wrong = _wrong_characters(raw, text)
        if wrong is None:
            return _Line(number, text)
        text = text.replace("\0", _UNREADABLE).replace("\ufeff", _UNREADABLE)
        return _Line(number, text, Problem(MALFORMED_CSV, f"Line {number} {wrong}."))

    def _split(self) -> tuple[list[str], Problem | None] | None:
        """The cells of the next row, or the problem of what is none. None at the end."""
        self._taken.clear()
        self._size = 0
        try:
            return next(self._reader), None
        except StopIteration:
            return None
        except (csv.Error, _Torn) as error:
            first = self._taken[0]
            detail = f"Line {first.number} is no row: {error}."
            return [], first.problem or Problem(MALFORMED_CSV, detail)

    def _unreadable(self) -> Problem | None:
        """What cannot be read of the lines of the present row."""
        return next((one.problem for one in self._taken if one.problem is not None), None)

    def _wrong_shape(self, cells: Sequence[str]) -> Problem | None:
        """Why what has been split into cells is no row of this table all the same."""
        columns, first = len(self.header), self._taken[0].number
        # One too many is not left out though the last is blank: `6,5,` may be 6.5 and no note.
        if len(cells) != columns:
            detail = f"Line {first} has {len(cells)} cells; the header has {columns} columns."
            return Problem(MALFORMED_CSV, detail)
        # They come in pairs, within a quoted cell too; the reader takes any in a bare cell.
        if sum([one.text.count('"') for one in self._taken]) % 2:
            detail = f"Line {first} has a quotation mark that has no other to it."
            return Problem(MALFORMED_CSV, detail)
        if len(self._taken) == 1:
            return None
        # A quotation mark that is not closed swallows rows, up to the next one that there is.
        swallowed = any(one.text.count(self.delimiter) >= columns - 1 for one in self._taken[1:])
        broken = any(
            "\n" in cell and name != NOTE for name, cell in zip(self.header, cells, strict=False)
        )
        if swallowed or broken:
            detail = (
                f"Line {first} has a cell that goes on over more lines, as only a {NOTE} may, and "
                "one that holds no rows: is a quotation mark not closed?"
            )
            return Problem(MALFORMED_CSV, detail)
        return None

    def _read(self, cells: Sequence[str]) -> Row:
        """A row whose cells can be told apart, though some may be unreadable."""
        pairs = zip(self.header, cells, strict=False)
        named = {name: text for name, cell in pairs if (text := cell.strip())}
        case_id: str | None = named.pop(CASE_ID, "")
        problem = self._unreadable()
        if case_id and not _is_readable(case_id):
            detail = (
                f"The {CASE_ID} on line {self._taken[0].number} cannot be read: {shown(case_id)}."
            )
            problem = problem or Problem(MALFORMED_CSV, detail)
            case_id = None
        return Row(self._taken[0].number, self._size, named, case_id, problem)

    def _torn_row(self, problem: Problem, split: int) -> Row:
        """A row that cannot be split: its first line. What follows is read as rows of its own.

        split: cells of all its lines, as far as these can be told; 0 if they cannot.
        """
        first = self._taken[0]
        self._ahead.extendleft(reversed(self._taken[1:]))
        row = Row(first.number, len(first.text), {}, None, problem, torn=True)
        cells = first.text.rstrip("\r\n").split(self.delimiter)
        case_id = cells[0].strip()
        more = len(cells) - len(self.header)
        # Two rows that have run into one have the cells of both.
        many = more > min(len(self.header) - 2, _MOST_OTHERS)
        if first.cut or many or "\r" in first.text.rstrip("\r\n") or '"' in case_id:
            return row
        if self.header[0] != CASE_ID or not _is_readable(case_id) or (more < 0 and not case_id):
            return row
        beyond = min(max(more, split - len(self.header)), _MOST_OTHERS)
        return replace(row, case_id=case_id, short=more < 0, others=_other_ids(cells, beyond))


def _other_ids(cells: Sequence[str], more: int) -> tuple[str, ...]:
    """What the id may be instead of the first cell, where so many are too many.

    There may be cells before it, or delimiters within it. An empty one is that of the row above.
    """
    behind = [cell.strip(' \t\r\n"') for cell in cells[1 : more + 1]]
    joined = ["".join(cells[: count + 2]).strip() for count in range(more)]
    return (*behind, *joined)


class _Feed:
    """The lines of the rows, as csv.reader takes them."""

    def __init__(self, rows: Rows) -> None:
        self._rows = rows

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        return self._rows.take()


def _wrong_characters(raw: bytes, text: str) -> str | None:
    """What of a line is no text."""
    if _UNREADABLE in text:
        try:
            raw.decode()
        except UnicodeDecodeError as error:
            return f"is not UTF-8: byte {raw[error.start]:#04x} at column {error.start + 1}"
    if "\0" in text:
        return "holds a NUL"
    if "\ufeff" in text:
        return "holds a byte order mark"
    return None


def _is_readable(case_id: str) -> bool:
    """Whether an id can be told from others by whoever looks at it."""
    if _UNREADABLE in case_id:
        return False
    return case_id.isprintable() or not any(
        category(one) == "Cc" or (category(one) == "Cf" and one not in _JOINERS) for one in case_id
    )
