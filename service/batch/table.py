"""Batches as CSV: cases from a table with a reading a row; results as a table with a case a row.

A column is named by its path in a case, such as `symptom`, `nameplate.supply_voltage` or, of the
reading, `value`. A quantity is one cell with its unit (`120 V`), a list has its items apart by `;`.
"""

from __future__ import annotations

import csv
import io
import re
import sqlite3
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, field, replace
from typing import Any

from service.alike import alike
from service.batch.expected import KEYS
from service.batch.items import Item
from service.batch.rows import CASE_ID, NOTE, Rereadable, Row, Rows
from service.batch.run import Result
from service.batch.seen import Seen
from service.batch.spool import BrokenBody
from service.documents import LOST_LINE_BREAKS, shown
from service.problems import (
    CONTENT_TOO_LARGE,
    MALFORMED_CSV,
    MOST_ERRORS,
    TOO_BUSY,
    Problem,
    in_order,
    invalid_request,
    refusals,
)

_CASE = (CASE_ID, "equipment", "symptom", "phase", "required_confidence")
_NEEDED = (CASE_ID, "equipment", "symptom")
_LISTS = ("confirmed", "unavailable")
_READING = ("check", "observed", "value", "unit", "over_range", "range", NOTE)
# Columns that end in a name of the rule set's own, and how many names.
_OF_CASE = {"nameplate": 1, "instrument": 2, "expected": 1}
_OF_READING = {"conditions": 1, "inputs": 1}
_FORMULA = "=+-@\uff1d\uff0b\uff0d\uff20"  # their wide forms too
_SEPARATED = re.compile(r"(?<=[;|\t\r\n])")
# Each character has one place in it: to match and to fail take time in proportion to the length.
_NUMBER = re.compile(r"[+-]?(\d++(\.\d*+)?+|\.\d++)([eE][+-]?\d++)?+")
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
    """A case as its rows come by. problem: why it is not to be decided, whatever they say."""

    line: int
    case_id: str
    document: dict[str, Any] = field(default_factory=dict)
    readings: list[dict[str, Any]] = field(default_factory=list)
    said: dict[str, tuple[str, int]] = field(default_factory=dict)  # column: cell, its line
    errors: list[tuple[str, str]] = field(default_factory=list)
    problem: Problem | None = None
    size: int = 0  # characters


def from_table(source: Rereadable, most: int) -> Iterator[Item]:
    """The cases of a table, in the order of their first rows, which stand together.

    The table is read twice: whether all rows of a case stand together shows at its end.

    most: bytes of one line, and characters of one case.

    Raises:
        Problem: malformed-csv or invalid-request, if there is no header that can be used.
    """
    rows = Rows(source, most)
    try:
        if rows.problem is not None:
            raise rows.problem
        _check_header(rows.header)
    except Problem:
        if rows.ended:
            raise
        # Whatever is wrong with each of its cells, it is one mistake.
        detail = "The body is a single line, which is no row of column names."
        raise Problem(MALFORMED_CSV, f"{detail} {LOST_LINE_BREAKS}") from None
    return _cases(rows, source, most)


def _check_header(names: Sequence[str]) -> None:
    errors = refusals((name for name in names if not _is_column(name)), _unknown_column)
    twice = [name for name, count in Counter(names).items() if count > 1]
    errors += [("", f"the column {shown(name)} stands twice") for name in twice]
    errors += [("", f"the column {n} is missing") for n in _NEEDED if n not in names]
    if errors:
        raise invalid_request(in_order(errors))


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


def _cases(rows: Rows, source: Rereadable, most: int) -> Iterator[Item]:
    try:
        with closing(Seen()) as seen:
            divisible = _see(rows, seen)
            source.seek(0)
            for index, item in enumerate(_drafted(Rows(source, most), seen, divisible)):
                yield replace(item, index=index)
    except sqlite3.OperationalError as error:
        raise BrokenBody(Problem(TOO_BUSY, f"The case ids cannot be kept: {error}.")) from None


def _see(rows: Rows, seen: Seen) -> bool:
    """Meet each case once for each stretch of rows that it has; whether an id has a delimiter."""
    present: str | None = None
    divisible = False
    # What breaks off does so the second time, too, after the cases before it.
    with suppress(BrokenBody):
        for row in rows:
            name = present if row.case_id == "" else row.case_id
            if name is not None and name != present:
                seen.first(name, row.line)
                divisible |= not row.torn and rows.delimiter in name
            present = name
    return divisible


def _drafted(rows: Rows, seen: Seen, divisible: bool) -> Iterator[Item]:
    draft: _Draft | None = None
    lost: Problem | None = None  # of rows that may be of the next case
    for row in rows:
        name = _case_of(row, draft, seen, divisible)
        if name is None:
            if draft is not None:
                _refuse(draft, _near(row))
                yield _finished(draft)
                draft = None
            lost = lost or _near(row)
            yield Item(0, row.line, problem=_of_no_case(row))
            continue
        if draft is None or name != draft.case_id:
            if draft is not None:
                yield _finished(draft)
            draft = _Draft(row.line, name)
            if lost is not None:
                _refuse(draft, lost)
                lost = None
            if lines := seen.twice(name):
                message = (
                    f"the rows of {shown(name)} begin on line {lines[0]} and on line {lines[1]}"
                )
                draft.errors.append(("/case_id", f"{message}; keep the rows of a case together"))
        if row.problem is not None:
            detail = f"{row.problem.detail} Without that row the case is not decided."
            _refuse(draft, Problem(MALFORMED_CSV, detail))
        else:
            _add(draft, row, rows.most)
    if draft is not None:
        yield _finished(draft)


def _case_of(row: Row, draft: _Draft | None, seen: Seen, divisible: bool) -> str | None:
    """The case of a row; None if it cannot be told.

    divisible: whether a case has an id with a delimiter in it, without which it is another id.
    """
    above = None if draft is None else draft.case_id
    if row.case_id is None:
        return None
    for other in row.others:
        if (not other or seen.known(other)) and (other or above) != (row.case_id or above):
            return None
    if row.case_id == "":
        return above
    if row.torn and (divisible or row.short) and row.case_id != above:
        return None
    return row.case_id


def _refuse(draft: _Draft, problem: Problem) -> None:
    """Have no decision on a case. The first reason is told."""
    draft.problem = draft.problem or problem
    draft.readings.clear()


def _of_no_case(row: Row) -> Problem:
    told = "Which case it is of cannot be told: the cases before and after it are not decided."
    if row.problem is not None:
        return Problem(MALFORMED_CSV, f"{row.problem.detail} {told}")
    message = f"this is required: the rows of a case are told by it. {told}"
    return invalid_request([("/case_id", message)])


def _near(row: Row) -> Problem:
    """What is said of a case beside a row that is of no case for certain."""
    detail = row.problem.detail if row.problem else f"Line {row.line} has no case_id."
    told = "That row may be of this case, which is not decided without it."
    return Problem(MALFORMED_CSV, f"{detail} {told}")


def _add(draft: _Draft, row: Row, most: int) -> None:
    draft.size += row.size
    if draft.size > most:
        detail = f"The rows of the case have more than {most} characters."
        _refuse(draft, Problem(CONTENT_TOO_LARGE, detail))
    if draft.problem is not None:
        return
    reading: dict[str, Any] = {}
    for name, cell in row.cells.items():
        path = name.split(".")
        if path[0] in (*_READING, *_OF_READING):
            _put(reading, path, _reading_value(name, cell))
            continue
        before, where = draft.said.setdefault(name, (cell, row.line))
        if before != cell and len(draft.errors) < MOST_ERRORS:
            message = f"line {where} says {shown(before)}, line {row.line} says {shown(cell)}"
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


def _finished(draft: _Draft) -> Item:
    document = {CASE_ID: draft.case_id, **draft.document, "readings": draft.readings}
    problem = draft.problem
    if problem is None and draft.errors:
        problem = invalid_request(draft.errors)
    return Item(0, draft.line, document, problem)


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
    csv.writer(out, lineterminator="\r\n").writerow(map(_harmless, cells))
    return out.getvalue()


def _harmless(cell: Any) -> Any:
    """A cell that no spreadsheet takes for a formula: what begins like one is a text by its mark.

    A formula may begin with a number (`-1+...`), so only what is a number as a whole is left. Some
    spreadsheets end a cell where this table does not, such as at `;` where numbers have a comma.
    """
    if not isinstance(cell, str):
        return cell
    return "".join(f"'{piece}" if _is_formula(piece) else piece for piece in _SEPARATED.split(cell))


def _is_formula(text: str) -> bool:
    begins = text.lstrip(' "\u00a0\ufeff')[:1]
    if not begins or _NUMBER.fullmatch(text):
        return False
    return begins in _FORMULA or not begins.isprintable()
