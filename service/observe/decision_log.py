"""Where decisions are written down, a line each."""

from __future__ import annotations

import logging
import time
from collections.abc import Mapping
from typing import Any

from service.documents import dump_json
from service.observe import metrics
from service.observe.appending import Appending, appending
from service.observe.decisions import Assessment, entry

log = logging.getLogger(__name__)

_QUIET = 60  # seconds between two complaints about a log that cannot be written

_opened: dict[str, Appending] = {}
_complained = float("-inf")


class DecisionLog:
    """Where decisions are written to. batches: also those of the cases of a batch."""

    def __init__(self, name: str, *, batches: bool) -> None:
        """Open the log.

        name: of a file, or `-` for standard output. Raises OSError.
        """
        if name not in _opened:
            _opened[name] = appending(name)
        self._out, self.batches = _opened[name], batches

    def write(self, case: Mapping[str, Any], answer: Assessment) -> None:
        """Write one decision down. What cannot be written is counted, and now and then told."""
        global _complained
        try:
            self._out.append(dump_json(entry(case, answer)))
        except Exception as error:  # whatever it is, the assessment has been made
            metrics.decision_lost()
            now = time.monotonic()
            if now - _complained >= _QUIET:
                _complained = now
                cause = None if isinstance(error, OSError) else error
                log.error("a decision could not be written down: %s", error, exc_info=cause)


def reopen() -> None:
    """Write to the files of the names that the logs have, from the next decision on."""
    for one in _opened.values():
        one.reopen()
