"""Work on many pieces at once, its results in the order of the pieces."""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from typing import Any, Protocol, TypeVar

Piece = TypeVar("Piece")
Done = TypeVar("Done")
Done_co = TypeVar("Done_co", covariant=True)

Failed = Callable[[Any, Callable[[Any], Any]], Any]
"""The result of a piece that whoever works on it dies of. It gets the piece, and a way to work on
another one alone, such as a part of that piece."""

log = logging.getLogger(__name__)


class Pending(Protocol[Done_co]):
    """Something that will have a result."""

    def result(self) -> Done_co:
        """The result, once it is there."""
        ...


def ordered(
    pieces: Iterable[Piece], submit: Callable[[Piece], Pending[Done]], ahead: int
) -> Iterator[tuple[Piece, Done]]:
    """Each piece with its result, in order; no more than `ahead` of them are under way."""
    waiting: deque[tuple[Piece, Pending[Done]]] = deque()
    for piece in pieces:
        waiting.append((piece, submit(piece)))
        if len(waiting) >= ahead:
            first, pending = waiting.popleft()
            yield first, pending.result()
    for first, pending in waiting:
        yield first, pending.result()


class Processes:
    """A pool of processes that outlives the death of one of them.

    The pieces that were under way are worked on again. One that a process dies on alone, twice, is
    given to `failed` instead.
    """

    def __init__(
        self,
        work: Callable[[Any], Any],
        failed: Failed,
        count: int,
        initializer: Callable[..., None],
        *initargs: Any,
    ) -> None:
        self._work, self._failed, self._count = work, failed, count
        self._start = (initializer, initargs)
        self._pool = self._made(count)
        self._aside: ProcessPoolExecutor | None = None

    def __enter__(self) -> Processes:
        return self

    def __exit__(self, *_: object) -> None:
        self._pool.shutdown(cancel_futures=True)
        if self._aside is not None:
            self._aside.shutdown()

    def submit(self, piece: Any) -> Pending[Any]:
        """Begin with a piece."""
        return _Piece(self, piece)

    def _made(self, count: int) -> ProcessPoolExecutor:
        initializer, initargs = self._start
        # Not forked: a process with threads and a rule engine is no good copy of itself.
        return ProcessPoolExecutor(
            count, get_context("spawn"), initializer=initializer, initargs=initargs
        )

    def begin(self, piece: Any) -> Future[Any]:
        """A future of the present pool, or of a new one if it has broken."""
        try:
            return self._pool.submit(self._work, piece)
        except BrokenProcessPool:
            self._pool.shutdown(wait=False)
            self._pool = self._made(self._count)
            return self._pool.submit(self._work, piece)

    def alone(self, piece: Any) -> Any:
        """Work on one piece in a process that has nothing else to do: a death is its own."""
        if self._aside is None:
            self._aside = self._made(1)
        try:
            return self._aside.submit(self._work, piece).result()
        except BrokenProcessPool:
            log.exception("a process has died on a piece of a batch")
            self._aside.shutdown(wait=False)
            self._aside = None
            return self._failed(piece, self.alone)


class _Piece:
    """A piece under way. When the pool breaks nobody knows by which piece: it is tried alone."""

    def __init__(self, pool: Processes, piece: Any) -> None:
        self._pool, self._piece = pool, piece
        self._future = pool.begin(piece)

    def result(self) -> Any:
        try:
            return self._future.result()
        except BrokenProcessPool:
            return self._pool.alone(self._piece)
