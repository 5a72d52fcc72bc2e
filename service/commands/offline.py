"""`ohmpath batch`: the cases of a file on all cores or on a cluster, gone on with after a cut."""

from __future__ import annotations

import hashlib
import socket
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from functools import cache, partial
from itertools import islice
from pathlib import Path
from threading import Lock
from typing import Any, BinaryIO

from service import __version__
from service.api.body import MOST_ARRAY_BYTES
from service.api.cases import assess_documents
from service.batch.items import Item, from_documents, from_lines
from service.batch.kept import CannotGoOn, Kept, Lines, check_target, drop, lines_of
from service.batch.ordered import Pending, Processes, ordered
from service.batch.run import Form, Tally, assess_item, assess_items, at_a_time
from service.batch.table import from_table
from service.documents import MAX_BODY_BYTES, parse_json_array
from service.problems import INTERNAL_ERROR, Problem
from service.ruleset.catalogue import Catalogue
from service.settings import Settings

FORMS = {".ndjson": "ndjson", ".jsonl": "ndjson", ".json": "json", ".csv": "csv"}
PIECE = 200  # cases that a process takes at a time
_FEWEST_AHEAD = 24  # pieces sent to a cluster, which may have no workers until there is work


@dataclass(frozen=True, slots=True)
class Job:
    """How each case is worked on, the same in every process.

    rules: a folder of rule sets; None for the one that OHMPATH_RULES names where the work is done.
    brief: only what was decided is kept. version: of the service. rule_sets: content hash by id.
    """

    rules: str | None
    brief: bool
    version: str
    rule_sets: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Piece:
    """Some cases of a batch in their order, and where in the file the next ones begin."""

    job: Job
    items: tuple[Item, ...]
    offset: int


Worked = Lines | CannotGoOn


def job_of(rules: Path | None, *, brief: bool) -> Job:
    """A job for the rule sets as they are now. Raises RuleSetError."""
    folder = str(rules) if rules else None
    return Job(folder, brief, __version__, _hashes(_catalogue(folder)))


def work(piece: Piece) -> Worked:
    """The results of a piece, in whatever process; or why they would be those of another batch.

    That is returned and not raised: a cluster tries again what is raised.
    """
    catalogue = _catalogue(piece.job.rules)
    other = _other(piece.job, catalogue)
    if other:
        return CannotGoOn(other)
    form = Form(brief=piece.job.brief)
    assess = partial(assess_documents, catalogue, brief=form.brief)
    return lines_of(assess_items(at_a_time(piece.items), assess, form))


def _other(job: Job, catalogue: Catalogue) -> str | None:
    """How what is installed here differs from what the results are to rest on."""
    here = _hashes(catalogue)
    differ = [
        f"{name} is {here.get(name, 'missing')} and not {job.rule_sets.get(name, 'used at all')}"
        for name in sorted({*here, *job.rule_sets})
        if here.get(name) != job.rule_sets.get(name)
    ]
    if job.version != __version__:
        differ.append(f"ohmpath is {__version__} and not {job.version}")
    if not differ:
        return None
    where = f"the worker on {socket.gethostname()} has not what the results are to rest on"
    return f"{where}: {'; '.join(differ)}. OHMPATH_RULES names the rule sets of a worker"


def died(piece: Piece, alone: Callable[[Piece], Worked]) -> Worked:
    """The results of a piece that a process has died on: one by one, or a problem."""
    if len(piece.items) > 1:
        lines, tally = b"", Tally()
        for item in piece.items:
            worked = alone(replace(piece, items=(item,)))
            if isinstance(worked, CannotGoOn):
                return worked
            lines += worked.lines
            tally.merge(worked.tally)
        return Lines(lines, tally)
    (item,) = piece.items
    problem = Problem(INTERNAL_ERROR, "The process that assessed this case has died.")
    return lines_of([assess_item(replace(item.parsed(), problem=problem), dict, Form())])


def prepare(rules: str | None) -> None:
    """Load the rule sets of a process before its first case."""
    _catalogue(rules)


_loading = Lock()  # a worker of a cluster may have several threads


def _catalogue(rules: str | None) -> Catalogue:
    with _loading:
        return _loaded(rules)


@cache
def _loaded(rules: str | None) -> Catalogue:
    return Catalogue.load(Path(rules) if rules else Settings.from_environment().rules)


def _hashes(catalogue: Catalogue) -> dict[str, str]:
    return {name: catalogue.get(name).content_hash for name in catalogue.ids()}


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


def rests_on(file: Path, job: Job) -> dict[str, Any]:
    """What results depend on: the cases, the rule sets, the version, how they are written."""
    with file.open("rb") as source:
        digest = hashlib.file_digest(source, "sha256").hexdigest()
    return {
        "cases": digest,
        "rule sets": job.rule_sets,
        "version": job.version,
        "detail": "brief" if job.brief else "full",
    }


def check_names(file: Path, target: Path) -> None:
    """Raise CannotGoOn if the one cannot be read or the other not be written."""
    if file.suffix.lower() not in FORMS:
        raise CannotGoOn(f"{file}: the ending of the name must be one of {', '.join(FORMS)}")
    check_target(target)


def begin(file: Path, target: Path, job: Job, *, fresh: bool) -> Kept:
    """What there is of the results of a file, which is nothing if `fresh`.

    Raises:
        CannotGoOn: if that is of another batch.
    """
    if fresh:
        drop(target)
    return Kept(target, rests_on(file, job))


def run(file: Path, kept: Kept, job: Job, submit: Submit) -> Iterator[int]:
    """Work on what is left of a file; how many bytes of it are done, again and again.

    Raises:
        CannotGoOn: if those who work on it cannot, or if the file is not the same at its end; what
            has been kept stays.
    """
    with closing(kept), file.open("rb") as source:
        items = read_items(source, FORMS[file.suffix.lower()])
        left = pieces(islice(items, kept.count, None), job, source.tell)
        for piece, worked in ordered(left, submit.submit, submit.ahead):
            if isinstance(worked, CannotGoOn):
                raise worked
            kept.add(worked)
            yield piece.offset
        if rests_on(file, job) != kept.rests_on:
            raise CannotGoOn(f"{file} has changed while it was read; --fresh begins anew")


@dataclass(frozen=True, slots=True)
class Submit:
    """Where pieces are worked on, and how many of them at a time."""

    submit: Callable[[Piece], Pending[Worked]]
    ahead: int


@contextmanager
def workers(rules: Path | None, processes: int) -> Iterator[Submit]:
    """Processes of this machine."""
    with Processes(work, died, processes, prepare, str(rules) if rules else None) as pool:
        yield Submit(pool.submit, 3 * processes)


@contextmanager
def cluster(scheduler: str) -> Iterator[Submit]:
    """The workers of a Dask cluster, each with the rule sets that it has. Raises CannotGoOn."""
    try:
        from service.batch.cluster import Cluster
    except ImportError as error:
        needed = "a cluster needs dask and distributed: pip install ohmpath[dask]"
        raise CannotGoOn(f"{needed} ({error})") from None

    with Cluster(work, died, scheduler) as pool:

        def submit(piece: Piece) -> Pending[Worked]:
            # The folder is one of this machine.
            return pool.submit(replace(piece, job=replace(piece.job, rules=None)))

        yield Submit(submit, max(3 * pool.threads(), _FEWEST_AHEAD))
