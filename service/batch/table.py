"""Batches as CSV: cases from a table with a reading a row; results as a table with a case a row.

A column is named by its path in a case, such as `symptom`, `nameplate.supply_voltage` or, of the
reading, `value`. A quantity is one cell with its unit (`120 V`), a list has its items apart by `;`.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from typing import Any

from service.alike import alike
from service.batch.expected import KEYS
from service.batch.items import Item, Lines
from service.batch.run import Result
from service.batch.seen import Seen
from service.documents import LOST_LINE_BREAKS, shown
from service.problems import MALFORMED_CSV, Problem, in_order, invalid_request, refusals

_CASE = ("case_id", "equipment", "symptom", "phase", "required_confidence")
_NEEDED = ("case_id", "equipment", "symptom")
_LISTS = ("confirmed", "unavailable")
_READING = ("check", "observed", "value", "unit", "over_range", "range", "note")
# Columns that end in a name of the rule set's own, and how many names.
_OF_CASE = {"nameplate": 1, "instrument": 2, "expected": 1}
_OF_READING = {"conditions": 1, "inputs": 1}
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_MOST_ROWS = 1000  # of one case; more readings than this no case may have
OVER_RANGE = "OL"
NOTHING = "-"
"""In a column `expected.…`: that there is no verdict, or no next check."""

COLUMNS = (
    "index",
    "line",
    "case_id",
    "status",
    "fault",
    "component",
    "confidence",
    "next_check",
    "agrees",
    "problem",
    "detail",
)
"""Of the table of results."""


@dataclass
class _Draft:
    """A case as its rows come by."""

    line: int
    case_id: str
    document: dict[str, Any] = field(default_factory=dict)
    readings: list[dict[str, Any]] = field(default_factory=list)
    said: dict[str, tuple[str, int]] = field(default_factory=dict)  # column: cell, its line
    errors: list[tuple[str, str]] = field(default_factory=list)


def from_table(source: Lines, most: int) -> Iterator[Item]:
    """The cases of a table, in the order of their first rows, which stand together.

    most: bytes of one line.

    Raises:
        Problem: malformed-csv or invalid-request, if there is no header that can be used.
    """
    lines = _Decoded(source, most)
    rows = _rows(lines)
    first = next(rows, None)
    if first is None:
        raise Problem(MALFORMED_CSV, "The body is empty; a row of column names is expected.")
    try:
        header = _header(first[1])
    except Problem:
        if lines.ended:
            raise
        # Whatever is wrong with each of its cells, it is one mistake.
        detail = "The body is a single line, which is no row of column names."
        raise Problem(MALFORMED_CSV, f"{detail} {LOST_LINE_BREAKS}") from None
    return _cases(rows, header)


def _header(cells: list[str] | Problem) -> list[str]:
    if isinstance(cells, Problem):
        raise cells
    names = [cell.strip() for cell in cells]
    errors = refusals((name for name in names if not _is_column(name)), _unknown_column)
    twice = [name for name, count in Counter(names).items() if count > 1]
    errors += [("", f"the column {shown(name)} stands twice") for name in twice]
    errors += [("", f"the column {n} is missing") for n in _NEEDED if n not in names]
    if errors:
        raise invalid_request(in_order(errors))
    return names


def _is_column(name: str) -> bool:
    head, *rest = name.split(".")
    if not rest and head in (*_CASE, *_LISTS, *_READING):
        return True
    open_ended = len(rest) == {**_OF_CASE, **_OF_READING}.get(head) and all(rest)
    return open_ended and (head != "expected" or rest[0] in KEYS)


def _unknown_column(name: str) -> tuple[str, str]:
    known = [*_CASE, *_LISTS, *_READING, *(f"expected.{key}" for key in KEYS)]
    near = alike(name, known)
    hint = f"did you mean {near[0]}?" if near else f"known are {', '.join(known)}, "
    more = "" if near else "nameplate.NAME, instrument.QUANTITY.NAME, conditions.NAME, inputs.NAME"
    return "", f"unknown column {shown(name)}; {hint}{more}"


def _cases(rows: Iterator[tuple[int, list[str] | Problem]], header: list[str]) -> Iterator[Item]:
    with closing(Seen()) as seen:
        yield from _drafted(rows, header, seen)


def _drafted(
    rows: Iterator[tuple[int, list[str] | Problem]], header: list[str], seen: Seen
) -> Iterator[Item]:
    index = 0
    draft: _Draft | None = None
    for line, cells in rows:
        if isinstance(cells, list) and not any(cell.strip() for cell in cells):
            continue
        found = _named(cells, header, line)
        if isinstance(found, Problem):
            if draft is not None:
                yield _finished(index, draft)
                index, draft = index + 1, None
            yield Item(index, line, problem=found)
            index += 1
            continue
        name = found.pop("case_id", "") or (draft.case_id if draft else "")
        if draft is None or name != draft.case_id:
            if draft is not None:
                yield _finished(index, draft)
                index += 1
            draft = _Draft(line, name)
            if not name:
                draft.errors.append(
                    ("/case_id", "this is required: the rows of a case are told by it")
                )
            elif before := seen.first(name, line):
                message = f"the rows of {shown(name)} began on line {before} already"
                draft.errors.append(("/case_id", f"{message}; keep the rows of a case together"))
        _add(draft, found, line)
    if draft is not None:
        yield _finished(index, draft)


def _named(cells: list[str] | Problem, header: list[str], line: int) -> dict[str, str] | Problem:
    """The cells that hold something, by column."""
    if isinstance(cells, Problem):
        return cells
    if len(cells) > len(header) and any(cell.strip() for cell in cells[len(header) :]):
        detail = f"Line {line} has {len(cells)} cells; the header has {len(header)} columns."
        return Problem(MALFORMED_CSV, detail)
    pairs = zip(header, (cell.strip() for cell in cells), strict=False)
    return {name: cell for name, cell in pairs if cell}


def _add(draft: _Draft, row: Mapping[str, str], line: int) -> None:
    reading: dict[str, Any] = {}
    for name, cell in row.items():
        path = name.split(".")
        if path[0] in (*_READING, *_OF_READING):
            _put(reading, path, _reading_value(name, cell))
            continue
        before, where = draft.said.setdefault(name, (cell, line))
        if before != cell:
            message = f"line {where} says {shown(before)}, line {line} says {shown(cell)}"
            draft.errors.append(("/" + "/".join(path), message))
        _put(draft.document, path, _case_value(path, cell))
    if reading and len(draft.readings) < _MOST_ROWS:
        if reading.get("value") == OVER_RANGE:
            del reading["value"]
            reading.pop("unit", None)
            reading["over_range"] = True
        draft.readings.append(reading)


def _put(into: dict[str, Any], path: list[str], value: Any) -> None:
    for part in path[:-1]:
        into = into.setdefault(part, {})
    into[path[-1]] = value


def _reading_value(name: str, cell: str) -> Any:
    if name == "over_range":
        return True if cell.lower() == "true" else cell
    if name in ("check", "observed", "unit", "note"):
        return cell
    return _quantity(cell)


def _case_value(path: list[str], cell: str) -> Any:
    if path[0] in _LISTS:
        found = [one.strip() for one in cell.split(";") if one.strip()]
        return list(map(_confirmation, found)) if path[0] == "confirmed" else found
    if path[0] == "expected":
        found = [one.strip() for one in cell.split(";") if one.strip()]
        return [None if one == NOTHING else one for one in found]
    if path[0] in ("nameplate", "instrument", "required_confidence"):
        return _quantity(cell)
    return cell


def _confirmation(text: str) -> Any:
    """`ID@N`, a confirmation after N readings, or an id alone."""
    name, _, place = text.partition("@")
    if place.isascii() and place.isdigit() and len(place) <= 6:
        return {"id": name, "after_reading": int(place)}
    return text


def _quantity(cell: str) -> Any:
    """A number, a number with its unit, or the text as it is."""
    number, _, unit = cell.partition(" ")
    if not _NUMBER.fullmatch(number):
        return cell
    value = float(number)
    return {"value": value, "unit": unit.strip()} if unit.strip() else value


def _finished(index: int, draft: _Draft) -> Item:
    document = {"case_id": draft.case_id, **draft.document, "readings": draft.readings}
    if draft.errors:
        problem = invalid_request(draft.errors)
        return Item(index, draft.line, document, problem)
    return Item(index, draft.line, document)


def _rows(lines: _Decoded) -> Iterator[tuple[int, list[str] | Problem]]:
    """The rows of a table with the line that each begins on; a Problem for one that is none."""
    reader = None
    while True:
        before = lines.number
        try:
            if reader is None:
                first = next(lines)
                delimiter = ";" if ";" in first and "," not in first else ","
                reader = csv.reader(_Again(first, lines), delimiter=delimiter, strict=True)
            yield before + 1, next(reader)
        except StopIteration:
            return
        except Problem as problem:
            yield lines.number, problem
        except csv.Error as error:
            yield lines.number, Problem(MALFORMED_CSV, f"Line {lines.number} is no row: {error}.")


class _Decoded:
    """The lines of a text as csv.reader takes them. ended: whether the last one had an end."""

    def __init__(self, source: Lines, most: int) -> None:
        self._source, self._most = source, most
        self.number = 0
        self.ended = False

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        raw = self._source.readline(self._most + 1)
        if not raw:
            raise StopIteration
        self.number += 1
        self.ended = raw.endswith(b"\n")
        if len(raw) > self._most:
            while raw and not raw.endswith(b"\n"):
                raw = self._source.readline(self._most)
            self.ended = bool(raw)
            detail = f"Line {self.number} is longer than {self._most} bytes."
            raise Problem(MALFORMED_CSV, detail)
        try:
            # Spreadsheets put a byte order mark before the first column.
            text = raw.decode("utf-8-sig" if self.number == 1 else "utf-8")
        except UnicodeDecodeError as error:
            wrong = f"byte {raw[error.start]:#04x} at column {error.start + 1}"
            detail = f"Line {self.number} is not UTF-8: {wrong}."
            raise Problem(MALFORMED_CSV, detail) from None
        if "\0" in text:
            raise Problem(MALFORMED_CSV, f"Line {self.number} holds a NUL.")
        return text


class _Again:
    """A first line that has been looked at, and the rest."""

    def __init__(self, first: str, rest: Iterator[str]) -> None:
        self._first: str | None = first
        self._rest = rest

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        if self._first is not None:
            first, self._first = self._first, None
            return first
        return next(self._rest)


def header_row() -> str:
    """The first row of the table of results."""
    return _row(COLUMNS)


def result_cells(result: Result) -> dict[str, Any]:
    """A result by column; what does not apply is None."""
    cells = dict.fromkeys(COLUMNS) | {key: result[key] for key in ("index", "line", "case_id")}
    if "problem" in result:
        return cells | _problem_cells(result["problem"])
    assessment = result["assessment"]
    verdict, following = assessment["verdict"], assessment["next_check"]
    if verdict:
        cells |= {key: verdict[key] for key in ("fault", "component", "confidence")}
    return {
        **cells,
        "status": assessment["status"],
        "next_check": following and following["id"],
        "agrees": result.get("agrees"),
    }


def _problem_cells(problem: Mapping[str, Any]) -> dict[str, str]:
    wrong = " ".join(f"{one['pointer']}: {one['message']}" for one in problem["errors"])
    return {
        "problem": problem["type"].rpartition("/")[2],
        "detail": wrong or problem["detail"],
    }


def result_row(result: Result) -> str:
    """A result as a row."""
    said = {True: "true", False: "false"}
    return _row(
        "" if cell is None else said[cell] if isinstance(cell, bool) else cell
        for cell in result_cells(result).values()
    )


def summary_row(summary: Mapping[str, Any]) -> str:
    """The last row, told by its empty `index`: `complete` or `incomplete` in the column `status`.

    The counts stand in words in `detail`; of an incomplete batch, its problem as well.
    """
    agreement = summary["agreement"]
    detail = f"{summary['cases']} cases, {summary['assessed']} assessed"
    if agreement["expected"]:
        detail += f", {agreement['agreed']} of {agreement['expected']} as expected"
    cells = {"status": "complete" if summary["complete"] else "incomplete", "detail": detail}
    if problem := summary.get("problem"):
        told = _problem_cells(problem)
        cells |= {**told, "detail": f"{detail}. {told['detail']}"}
    return _row([cells.get(name, "") for name in COLUMNS])


def _row(cells: Any) -> str:
    out = io.StringIO()
    # A text that a spreadsheet would take for a formula is kept from being one.
    csv.writer(out, lineterminator="\r\n").writerow(
        f"'{one}" if isinstance(one, str) and one[:1] in "=+@\t" and one else one for one in cells
    )
    return out.getvalue()
