"""A batch as it is answered or filed: its results one after another, and at the end the summary.

Each form is a function from results to bytes. `closing` is asked for the summary once all results
have passed by.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any

from service.batch.run import Result
from service.batch.table import header_row, result_row, summary_row
from service.documents import dump_json

Closing = Callable[[], dict[str, Any]]
Written = Callable[[Iterable[Result], Closing], Iterator[bytes]]


def as_json(results: Iterable[Result], closing: Closing) -> Iterator[bytes]:
    """One JSON object, with a result on each line."""
    yield b'{"results":['
    for number, one in enumerate(results):
        yield (b",\n" if number else b"\n") + dump_json(one).rstrip()
    yield b'\n],"summary":' + dump_json(closing()).rstrip() + b"}\n"


def as_lines(results: Iterable[Result], closing: Closing) -> Iterator[bytes]:
    """Newline-delimited JSON; the last line holds the summary."""
    yield from map(dump_json, results)
    yield dump_json({"summary": closing()})


def as_table(results: Iterable[Result], closing: Closing) -> Iterator[bytes]:
    """CSV; the last row says whether it is complete."""
    yield header_row().encode()
    for one in results:
        yield result_row(one).encode()
    yield summary_row(closing()).encode()
