"""The results of a batch on disk: kept line by line as they come, written as asked for at the end.

They are lines beside the file that is to come (`RESULTS.part`), with what they rest on
(`RESULTS.part.json`). Only a complete batch gets the name that was asked for.
"""

from __future__ import annotations

import json
import os
import shutil
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

from service.batch.run import Result, Tally
from service.batch.written import Written, as_json, as_table
from service.documents import dump_json

_SYNCED_EVERY = 1.0  # seconds of work that a power cut may cost


class CannotGoOn(Exception):  # noqa: N818 - what it is
    """A batch cannot be begun or gone on with; the message says why."""


@dataclass(frozen=True, slots=True)
class Lines:
    """Results as they are kept, and what they add up to."""

    lines: bytes
    tally: Tally


def lines_of(results: Iterable[Result]) -> Lines:
    """Results in the form in which they are kept."""
    tally = Tally()
    return Lines(b"".join(map(dump_json, tally.passing(results))), tally)


class Kept:
    """The results of a batch that is not complete as yet."""

    def __init__(self, target: Path, rests_on: Mapping[str, Any]) -> None:
        """Take up what there is. Raises CannotGoOn if that rests on something else."""
        self.path = target.with_name(target.name + ".part")
        self.rests_on = rests_on
        self._about = target.with_name(target.name + ".part.json")
        self.count = 0
        self.tally = Tally()
        if self.path.exists():
            self._take_up(rests_on)
        else:
            self._about.write_bytes(dump_json(rests_on))
        self._file = self.path.open("ab")
        self._synced = time.monotonic()

    def _take_up(self, rests_on: Mapping[str, Any]) -> None:
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

    def add(self, more: Lines) -> None:
        """Keep more results: with the system when this returns, and on the disk soon after."""
        self._file.write(more.lines)
        self._file.flush()
        self.tally.merge(more.tally)
        self.count += more.tally.cases
        if time.monotonic() - self._synced >= _SYNCED_EVERY:
            self._sync()

    def _sync(self) -> None:
        os.fsync(self._file.fileno())
        self._synced = time.monotonic()

    def close(self) -> None:
        """Leave it for another time."""
        self._sync()
        self._file.close()

    def finish(self, target: Path) -> dict[str, Any]:
        """Write the results under the name that was asked for; the summary."""
        summary = self.tally.summary()
        made = target.with_name(target.name + ".new")
        _WRITERS[target.suffix.lower()](made, self.path, summary)
        with made.open("rb") as whole:
            os.fsync(whole.fileno())
        made.replace(target)
        self.path.unlink()
        self._about.unlink()
        return summary


def drop(target: Path) -> None:
    """Leave nothing of what is kept for a target."""
    for suffix in (".part", ".part.json"):
        target.with_name(target.name + suffix).unlink(missing_ok=True)


def check_target(target: Path) -> None:
    """Raise CannotGoOn if results cannot be written under this name."""
    ending = target.suffix.lower()
    if ending not in _WRITERS:
        known = ", ".join(_WRITERS)
        raise CannotGoOn(f"{target}: the ending of the name must be one of {known}")
    if ending == ".parquet":
        try:
            import_module("service.batch.parquet")
        except ImportError as error:
            needed = "a .parquet file needs pyarrow: pip install ohmpath[parquet]"
            raise CannotGoOn(f"{needed} ({error})") from None


_Writer = Callable[[Path, Path, Mapping[str, Any]], None]
"""Writes a file of the results that are kept in another, and of their summary."""


def _write_lines(made: Path, kept: Path, summary: Mapping[str, Any]) -> None:
    """As `written.as_lines`, but the lines are there already."""
    with made.open("wb") as out, kept.open("rb") as lines:
        shutil.copyfileobj(lines, out)
        out.write(dump_json({"summary": summary}))


def _written(form: Written) -> _Writer:
    def write(made: Path, kept: Path, summary: Mapping[str, Any]) -> None:
        with made.open("wb") as out:
            out.writelines(form(_results(kept), lambda: dict(summary)))

    return write


def _write_parquet(made: Path, kept: Path, summary: Mapping[str, Any]) -> None:
    # What only some have installed is not imported before it is asked for.
    from service.batch.parquet import write_parquet

    write_parquet(made, _results(kept), summary)


def _results(path: Path) -> Iterator[Result]:
    with path.open("rb") as lines:
        for line in lines:
            yield json.loads(line)


_WRITERS: dict[str, _Writer] = {
    ".ndjson": _write_lines,
    ".jsonl": _write_lines,
    ".json": _written(as_json),
    ".csv": _written(as_table),
    ".parquet": _write_parquet,
}
