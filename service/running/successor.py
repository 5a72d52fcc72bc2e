"""A worker takes over the rule sets that the master has published, beside its requests."""

from __future__ import annotations

import gc
import pickle  # nosec B403 # what our own master has written
import threading
from collections.abc import Callable
from typing import Any

from service.api.graph import forget_drawings
from service.api.health import prove
from service.api.installed import install, published_key
from service.api.observing import watch_caches
from service.running.board import Board


class Successor:
    """Rule sets that may come. Made in the master, before it forks the worker."""

    def __init__(self, app: Any, board: Board) -> None:
        self._app, self._board = app, board
        self._number = board.number
        self._busy = False

    def due(self) -> bool:
        """Whether there are other rule sets than the app has, and nobody takes them over yet."""
        return self._board.number != self._number and not self._busy

    def take_over(self, *, otherwise: Callable[[], None]) -> None:
        """Give them to the app once they have been proven here, or do what is to be done then."""

        def work() -> None:
            try:
                self._work()
            except Exception:
                otherwise()
            finally:
                self._busy = False

        self._busy = True
        threading.Thread(target=work, name="successor", daemon=True).start()

    def _work(self) -> None:
        found = self._board.read()
        if found is None:
            return  # still newer ones are just being written; the next look sees them
        number, pickled = found
        catalogue = pickle.loads(pickled)  # nosec B301
        prove(catalogue)
        install(self._app, catalogue)
        watch_caches(catalogue)
        forget_drawings()
        self._number = number
        del catalogue
        gc.collect()  # what was worked out from the old ones is large, and refers to itself


def successor(app: Any) -> Successor | None:
    """What may come for an app whose master publishes rule sets."""
    published = app.extensions.get(published_key)
    return None if published is None else Successor(app, published.rule_sets)
