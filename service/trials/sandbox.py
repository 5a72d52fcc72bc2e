"""A process of its own for a candidate rule set, which may hang, crash or eat memory there.

The rule engine can end or hang the process that it runs in; so nothing of a candidate comes near a
process that serves others, and nothing of one trial can be seen by another.
"""

from __future__ import annotations

import logging
import math
import os
import pickle  # nosec B403 # see serve
import signal
import subprocess  # nosec B404 # of this program only, without a shell
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from contextlib import ExitStack, closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from service.documents import dump_plainly, parse_json
from service.problems import PROBLEM_TYPES, RULE_SET_FAILED, Problem

_ROOT = Path(__file__).resolve().parents[2]
MOST_ANSWER_BYTES = 64 * 1024 * 1024
_STARTING_SECONDS = 20  # before the clock of the trial itself counts, on a busy machine
_MEMORY_ENDED = 3
_MOST_LOGGED = 10_000  # bytes of what the process says of its end

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Limits:
    """What a trial may take: seconds of the clock, bytes of address space."""

    seconds: int
    memory: int


def run_apart(module: str, job: Any, limits: Limits) -> dict[str, Any]:
    """What `python -m module` answers to a job; that module hands it to `serve`.

    Raises:
        Problem: the one that the work itself ended in, or rule-set-failed if it took too long or
            too much memory, or its process died.
    """
    with closing(Apart(module, job, limits)) as work:
        return work.answer()


class Apart:
    """A job that is being done in a process of its own; `close` ends it, whatever it is at.

    Raises:
        OSError: if there is no room for the process.
    """

    def __init__(self, module: str, job: Any, limits: Limits) -> None:
        self._limits = limits
        self._files = ExitStack()
        self._answer = self._files.enter_context(tempfile.TemporaryFile())  # noqa: SIM115
        self._said = self._files.enter_context(tempfile.TemporaryFile())  # noqa: SIM115
        self._end = time.monotonic() + limits.seconds + _STARTING_SECONDS
        with tempfile.TemporaryFile() as given:
            pickle.dump((limits, job), given)
            given.seek(0)
            self._process = subprocess.Popen(  # nosec B603 # nothing of a request is in it
                [sys.executable, "-m", module],
                stdin=given,
                stdout=self._answer,
                stderr=self._said,
                env=_environment(),
                cwd=_ROOT,
                start_new_session=True,  # what interrupts the service leaves it to its own end
            )

    def ended(self) -> bool:
        """Whether the answer is there, or none will come."""
        return self._process.poll() is not None or time.monotonic() > self._end

    def answer(self) -> dict[str, Any]:
        """What the process answers, which is waited for; raises Problem as `run_apart` does."""
        try:
            code = self._process.wait(max(0.0, self._end - time.monotonic()))
        except subprocess.TimeoutExpired:
            raise _failed(f"took more than {self._limits.seconds} seconds") from None
        if code == 0 and self._answer.seek(0, os.SEEK_END):
            return _answered(self._answer)
        log.error("work on a candidate ended with %d: %s", code, _end_of(self._said))
        raise _failed(_why(code, self._limits))

    def close(self) -> None:
        """End the process, and forget what it has said."""
        self._process.kill()
        self._process.wait()
        self._files.close()


def _environment() -> dict[str, str]:
    """As little as will do; numerical libraries would take memory for each of their threads."""
    kept = {name: os.environ[name] for name in ("PATH", "LANG", "TMPDIR") if name in os.environ}
    return {
        **kept,
        "PYTHONPATH": str(_ROOT),
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
    }


def _answered(answer: BinaryIO) -> dict[str, Any]:
    answer.seek(0)
    out: dict[str, Any] = parse_json(answer.read(), MOST_ANSWER_BYTES)
    if "problem" not in out:
        return out
    problem = out["problem"]
    errors = [(one["pointer"], one["message"]) for one in problem["errors"]]
    raise Problem(PROBLEM_TYPES[problem["name"]], problem["detail"], errors, problem["members"])


def _end_of(said: BinaryIO) -> str:
    size = said.seek(0, os.SEEK_END)
    said.seek(max(0, size - _MOST_LOGGED))
    return said.read().decode(errors="replace")


def _why(code: int, limits: Limits) -> str:
    if code == _MEMORY_ENDED:
        return f"needs more than {limits.memory // 2**20} MiB of memory"
    if -code in (signal.SIGXCPU, signal.SIGALRM):
        return f"took more than {limits.seconds} seconds"
    if -code == signal.SIGXFSZ:
        return f"answers with more than {MOST_ANSWER_BYTES // 2**20} MiB"
    return "has ended the process that worked on it"


def _failed(what: str) -> Problem:
    return Problem(RULE_SET_FAILED, f"Work on the candidate rule set was ended: it {what}.")


def serve(work: Callable[[Any], Mapping[str, Any]]) -> None:
    """Do the job on standard input, within its limits, and answer on standard output."""
    # What the service itself has written: of a request there are only bytes in it.
    limits, job = pickle.load(sys.stdin.buffer)  # nosec B301
    _keep_within(limits)
    try:
        answer = dump_plainly(_done(work, job))
    except MemoryError:
        # Without a word: whatever is said now might need memory again.
        os._exit(_MEMORY_ENDED)
    sys.stdout.buffer.write(answer)


def _done(work: Callable[[Any], Mapping[str, Any]], job: Any) -> Mapping[str, Any]:
    try:
        return work(job)
    except Problem as problem:
        return {
            "problem": {
                "name": problem.kind.name,
                "detail": problem.detail,
                "errors": [{"pointer": at, "message": text} for at, text in problem.errors],
                "members": dict(problem.members),
            }
        }


def _keep_within(limits: Limits) -> None:
    import resource

    signal.signal(signal.SIGXFSZ, signal.SIG_DFL)  # Python has it ignored
    signal.alarm(limits.seconds)
    # In case that the alarm is never heard, or the service is gone that would end this. What the
    # start has taken of the processor does not count; beyond the hard limit comes SIGKILL.
    used = resource.getrusage(resource.RUSAGE_SELF)
    most = math.ceil(used.ru_utime + used.ru_stime) + limits.seconds + 1
    resource.setrlimit(resource.RLIMIT_CPU, (most, most + 1))
    for kind, most in (
        (resource.RLIMIT_AS, limits.memory),
        (resource.RLIMIT_FSIZE, MOST_ANSWER_BYTES),
        (resource.RLIMIT_CORE, 0),
    ):
        resource.setrlimit(kind, (most, most))
