"""A page as a PDF: the work of a process of its own, which can be ended and takes its memory along.

Run as `python -m service.printing` by `service.trials.sandbox`.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from typing import Any

from service.problems import RECORD_FAILED, TOO_MANY_RECORDS
from service.record.pdf import as_pdf
from service.trials.sandbox import Limits, Task, run_apart, serve

# A page of 120 readings with long notes takes 4 to 10 s of a processor and 150 MiB.
LIMITS = Limits(seconds=20, memory=768 * 2**20)
# Not 503: a proxy would take the whole service for down.
_TASK = Task("the record", RECORD_FAILED, TOO_MANY_RECORDS)


def printed(html: bytes, wanted: Any) -> bytes:
    """A page of ours as a PDF. wanted: whether the client is still there. Raises Problem."""
    answer = run_apart("service.printing", html, LIMITS, _TASK, wanted)
    return base64.b64decode(answer["pdf"])


def work(html: bytes) -> Mapping[str, Any]:
    """The answer to a page."""
    return {"pdf": base64.b64encode(as_pdf(html)).decode("ascii")}


if __name__ == "__main__":
    serve(work)
