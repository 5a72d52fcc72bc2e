"""Work on many pieces at once, its results in the order of the pieces."""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from typing import Any, Protocol, TypeVar

Piece = TypeVar("Piece")
Done = TypeVar("Done")
Done_co = TypeVar("Done_co", covariant=True)

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
        failed: Callable[[Any], Any],
        count: int,
        initializer: Callable[..., None],
        *initargs: Any,
    ) -> None:
        self._work, self._failed, self._count = work, failed, count
        self._start = (initializer, initargs)
        self._pool = self._made()

    def __enter__(self) -> Processes:
        return self

    def __exit__(self, *_: object) -> None:
        self._pool.shutdown(cancel_futures=True)

    def submit(self, piece: Any) -> Pending[Any]:
        """Begin with a piece."""
        return _Piece(self, piece)

    def _made(self) -> ProcessPoolExecutor:
        initializer, initargs = self._start
        # Not forked: a process with threads and a rule engine is no good copy of itself.
        return ProcessPoolExecutor(
            self._count, get_context("spawn"), initializer=initializer, initargs=initargs
        )

    def begin(self, piece: Any) -> Any:
        """A future of the present pool, or of a new one if it has broken."""
        try:
            return self._pool.submit(self._work, piece)
        except BrokenProcessPool:
            self._pool.shutdown(wait=False)
            self._pool = self._made()
            return self._pool.submit(self._work, piece)

    def alone(self, piece: Any) -> Any:
        """Work on one piece with nothing else beside it, so that a death is its own."""
        with ProcessPoolExecutor(
            1, get_context("spawn"), initializer=self._start[0], initargs=self._start[1]
        ) as pool:
            try:
                return pool.submit(self._work, piece).result()
            except BrokenProcessPool:
                log.exception("a process has died on a piece of a batch")
                return self._failed(piece)


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
