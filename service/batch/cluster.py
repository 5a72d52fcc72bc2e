"""Work on pieces elsewhere: the workers of a Dask cluster. Needs the extra `dask`."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from queue import Empty, SimpleQueue
from typing import Any

from distributed import Client, Future, KilledWorker

from service.batch.kept import CannotGoOn
from service.batch.ordered import Failed, Pending

CONNECTING = 10.0  # seconds that a scheduler may take to answer
PATIENCE = 300.0  # seconds that a batch waits for a cluster without workers to get one
_RETRIES = 3  # of what raises, such as a file system that is away for a moment

log = logging.getLogger(__name__)


class Cluster:
    """The workers of a scheduler, used as `ordered.Processes` are.

    What was under way on a worker that dies is given to others by Dask. A piece that one worker
    after another dies on (`allowed-failures` of the scheduler) is worked on with nothing else
    beside it, and given to `failed` if that ends in the same way.
    """

    def __init__(self, work: Callable[[Any], Any], failed: Failed, address: str) -> None:
        """Connect. Raises CannotGoOn if there is no scheduler at the address."""
        self._work, self._failed = work, failed
        self._going: set[Future[Any]] = set()
        self._client = _connected(address)

    def __enter__(self) -> Cluster:
        return self

    def __exit__(self, *_: object) -> None:
        self._client.close()

    def threads(self) -> int:
        """How many pieces the workers that there are can work on at once."""
        with _clearly():
            count: int = sum(self._client.nthreads().values())
        if not count:
            log.warning("the cluster has no worker as yet")
        return count

    def submit(self, piece: Any) -> Pending[Any]:
        """Begin with a piece."""
        return _Piece(self, piece)

    def begin(self, piece: Any) -> Future[Any]:
        """A future of the cluster, under way until it is taken."""
        with _clearly():
            future = self._client.submit(self._work, piece, pure=False, retries=_RETRIES)
        self._going.add(future)
        return future

    def take(self, future: Future[Any]) -> Any:
        """The result of what has begun. Raises KilledWorker and CannotGoOn."""
        try:
            return self._wait(future)
        finally:
            self._going.discard(future)

    def alone(self, piece: Any) -> Any:
        """Work on one piece once all others have ended, so that a death is its own."""
        for other in self._going:
            with suppress(KilledWorker):
                self._wait(other)
        try:
            return self.take(self.begin(piece))
        except KilledWorker as error:
            log.error("workers have died on a piece of a batch: %s", error)
        return self._failed(piece, self.alone)

    def _wait(self, future: Future[Any]) -> Any:
        with _clearly():
            while True:
                try:
                    return future.result(timeout=PATIENCE)
                except TimeoutError:
                    if future.status == "error":
                        raise
                    if not self._client.nthreads():
                        raise CannotGoOn("the cluster has no worker left") from None


class _Piece:
    """A piece under way. Others may have died with the worker of the one that kills."""

    def __init__(self, cluster: Cluster, piece: Any) -> None:
        self._cluster, self._piece = cluster, piece
        self._future = cluster.begin(piece)

    def result(self) -> Any:
        with suppress(KilledWorker):
            return self._cluster.take(self._future)
        return self._cluster.alone(self._piece)


def _connected(address: str) -> Client:
    """A client of the scheduler at an address. Raises CannotGoOn if there is none."""
    found: SimpleQueue[Client | Exception] = SimpleQueue()

    def connect() -> None:
        try:
            found.put(Client(address, timeout=CONNECTING, set_as_default=False))
        except Exception as error:
            found.put(error)

    # In a thread that may be left behind: Dask's own time limit is not for a server of another
    # kind (a web page, say) that takes the connection and never answers.
    threading.Thread(target=connect, name="connect", daemon=True).start()
    try:
        client = found.get(timeout=2 * CONNECTING)
    except Empty:
        client = TimeoutError(f"no answer within {2 * CONNECTING:.0f} s")
    if isinstance(client, Client):
        return client
    reason = str(client) or repr(client)
    raise CannotGoOn(f"no Dask scheduler can be reached at {address!r}: {reason}")


@contextmanager
def _clearly() -> Iterator[None]:
    """Say what went wrong in a cluster, whatever it is, as the end of this run of the batch."""
    try:
        yield
    except (KilledWorker, CannotGoOn):
        raise
    except Exception as error:
        raise CannotGoOn(f"the cluster has failed: {type(error).__name__}: {error}") from error
