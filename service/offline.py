"""`ohmpath batch`: the cases of a file on all cores, gone on with after a cut.

Results are kept as lines beside the file that is to come (`RESULTS.part`), with what they rest on
(`RESULTS.part.json`). Only a complete batch gets the name that was asked for.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from itertools import islice
from pathlib import Path
from typing import Any, BinaryIO

from service import __version__
from service.api.body import MOST_ARRAY_BYTES
from service.api.cases import assessor
from service.batch.items import Item, from_documents, from_lines
from service.batch.ordered import Pending, Processes, ordered
from service.batch.run import Form, Result, Tally, assess_items
from service.batch.table import from_table
from service.batch.written import Written, as_json, as_lines, as_table
from service.documents import MAX_BODY_BYTES, dump_json, parse_json_array
from service.problems import INTERNAL_ERROR, Problem
from service.ruleset.catalogue import Catalogue

FORMS = {".ndjson": "ndjson", ".jsonl": "ndjson", ".json": "json", ".csv": "csv"}
PIECE = 50  # cases that a process takes at a time


@dataclass(frozen=True, slots=True)
class Job:
    """How each case is worked on, the same in every process. rules: a folder of rule sets."""

    rules: str | None
    brief: bool


@dataclass(frozen=True, slots=True)
class Piece:
    """Some cases of a batch in their order, and where in the file the next ones begin."""

    job: Job
    items: tuple[Item, ...]
    offset: int


class CannotGoOn(Exception):  # noqa: N818 - what it is
    """What is kept of a batch does not belong to this one."""


def work(piece: Piece) -> list[Result]:
    """The results of a piece, in whatever process."""
    assess = assessor(_catalogue(piece.job.rules))
    return list(assess_items(piece.items, assess, Form(brief=piece.job.brief)))


def died(piece: Piece) -> list[Result]:
    """The results of a piece that a process has died on: one by one, or a problem."""
    problem = Problem(INTERNAL_ERROR, "The process that assessed this case has died.")
    if len(piece.items) > 1:
        alone = (Piece(piece.job, (item,), piece.offset) for item in piece.items)
        with Processes(work, died, 1, prepare, piece.job) as pool:
            return [pool.alone(one)[0] for one in alone]
    (item,) = piece.items
    failed = Item(item.index, item.line, item.document, problem)
    return list(assess_items([failed], dict, Form()))


def prepare(job: Job) -> None:
    """Load the rule sets of a process before its first case."""
    _catalogue(job.rules)


@cache
def _catalogue(rules: str | None) -> Catalogue:
    return Catalogue.load(Path(rules) if rules else None)


def read_items(source: BinaryIO, form: str) -> Iterator[Item]:
    """The cases of a file in one of the forms that are read. Raises Problem."""
    if form == "json":
        return from_documents(parse_json_array(source.read(MOST_ARRAY_BYTES + 1), MOST_ARRAY_BYTES))
    return (from_lines if form == "ndjson" else from_table)(source, MAX_BODY_BYTES)


def pieces(items: Iterable[Item], job: Job, tell: Callable[[], int]) -> Iterator[Piece]:
    """The cases in pieces. tell: how far the file has been read."""
    going = iter(items)
    while held := tuple(islice(going, PIECE)):
        yield Piece(job, held, tell())


class Kept:
    """The results of a batch that is not complete as yet, on disk."""

    def __init__(self, target: Path, rests_on: dict[str, Any]) -> None:
        self.path = target.with_name(target.name + ".part")
        self._about = target.with_name(target.name + ".part.json")
        self.count = 0
        self.tally = Tally()
        if self.path.exists():
            self._take_up(rests_on)
        else:
            self._about.write_bytes(dump_json(rests_on))
        self._file = self.path.open("ab")

    def _take_up(self, rests_on: dict[str, Any]) -> None:
        """Count what is there; a last line without its end is taken off."""
        try:
            kept = json.loads(self._about.read_bytes())
        except (OSError, ValueError):
            kept = {}
        differ = sorted(key for key in rests_on if kept.get(key) != rests_on[key])
        if differ:
            other = f"{self.path} was begun with another {', '.join(differ)}"
            raise CannotGoOn(f"{other}; --fresh drops that and begins anew")
        whole = 0
        with self.path.open("rb+") as lines:
            for line in lines:
                if not line.endswith(b"\n"):
                    break
                self.tally.add(json.loads(line))
                whole += len(line)
                self.count += 1
            lines.truncate(whole)

    def add(self, results: Iterable[Result]) -> None:
        """Keep more results, on the disk when this returns."""
        for one in results:
            self.tally.add(one)
            self._file.write(dump_json(one))
            self.count += 1
        self._file.flush()
        os.fsync(self._file.fileno())

    def close(self) -> None:
        """Leave it for another time."""
        self._file.close()

    def finish(self, target: Path) -> dict[str, Any]:
        """Write the results under the name that was asked for; the summary."""
        summary = self.tally.summary()
        made = target.with_name(target.name + ".new")
        written = _WRITERS[FORMS[target.suffix.lower()]]
        with made.open("wb") as out:
            out.writelines(written(_results(self.path), lambda: summary))
        made.replace(target)
        self.path.unlink()
        self._about.unlink()
        return summary


def _results(path: Path) -> Iterator[Result]:
    with path.open("rb") as lines:
        for line in lines:
            yield json.loads(line)


_WRITERS: dict[str, Written] = {"ndjson": as_lines, "json": as_json, "csv": as_table}


def rests_on(file: Path, job: Job) -> dict[str, Any]:
    """What results depend on: the cases, the rule sets, the version, how they are written."""
    with file.open("rb") as source:
        digest = hashlib.file_digest(source, "sha256").hexdigest()
    catalogue = _catalogue(job.rules)
    hashes = {name: catalogue.get(name).content_hash for name in catalogue.ids()}
    return {
        "cases": digest,
        "rule sets": hashes,
        "version": __version__,
        "detail": "brief" if job.brief else "full",
    }


def begin(file: Path, target: Path, job: Job, *, fresh: bool) -> Kept:
    """What there is of the results of a file, which is nothing if `fresh`.

    Raises:
        CannotGoOn: if that is of another batch, or the names say no form that there is.
    """
    for path in (file, target):
        if path.suffix.lower() not in FORMS:
            known = ", ".join(FORMS)
            raise CannotGoOn(f"{path}: the ending of the name must be one of {known}")
    if fresh:
        for suffix in (".part", ".part.json"):
            target.with_name(target.name + suffix).unlink(missing_ok=True)
    return Kept(target, rests_on(file, job))


def run(file: Path, kept: Kept, job: Job, submit: Submit) -> Iterator[int]:
    """Work on what is left of a file; how many bytes of it are done, again and again."""
    with file.open("rb") as source:
        try:
            items = read_items(source, FORMS[file.suffix.lower()])
            left = pieces(islice(items, kept.count, None), job, source.tell)
            for piece, results in ordered(left, submit.submit, submit.ahead):
                kept.add(results)
                yield piece.offset
        finally:
            kept.close()


@dataclass(frozen=True, slots=True)
class Submit:
    """Where pieces are worked on, and how many of them at a time."""

    submit: Callable[[Piece], Pending[list[Result]]]
    ahead: int


@contextmanager
def workers(job: Job, processes: int) -> Iterator[Submit]:
    """Processes of this machine."""
    with Processes(work, died, processes, prepare, job) as pool:
        yield Submit(pool.submit, 3 * processes)
