"""A process of its own for work that may hang, crash or eat memory there: on a candidate, a PDF.

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
from service.problems import (
    BAD_REQUEST,
    PROBLEM_TYPES,
    RULE_SET_FAILED,
    TOO_BUSY,
    Problem,
    ProblemType,
)

_ROOT = Path(__file__).resolve().parents[2]
MOST_ANSWER_BYTES = 64 * 1024 * 1024
_STARTING_SECONDS = 20  # before the clock of the trial itself counts, on a busy machine
_MEMORY_ENDED = 3
_NO_ROOM = 4  # for the answer
_LOOK_EVERY = 0.02  # s, whether the process has ended
_ASK_EVERY = 0.25  # s, whether its answer is still wanted
_MOST_LOGGED = 10_000  # bytes of what the process says of its end

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Limits:
    """What a trial may take: seconds of the clock, bytes of address space."""

    seconds: int
    memory: int


@dataclass(frozen=True, slots=True)
class Task:
    """What is worked on, for a person, and the problem of one that cannot be worked on.

    busy: the problem if it is not its fault, since the machine had too little to give.
    """

    what: str
    failed: ProblemType
    busy: ProblemType


CANDIDATE = Task("the candidate rule set", RULE_SET_FAILED, TOO_BUSY)


def run_apart(
    module: str,
    job: Any,
    limits: Limits,
    task: Task = CANDIDATE,
    wanted: Callable[[], bool] = lambda: True,
) -> dict[str, Any]:
    """What `python -m module` answers to a job; that module hands it to `serve`.

    wanted: asked now and then whether the client is still there; the work ends when it is not.

    Raises:
        Problem: the one that the work itself ended in; that of the task, if it took too long or
            too much memory or its process died; bad-request, if it was not wanted any more.
    """
    try:
        work = Apart(module, job, limits, task)
    except OSError as error:
        log.error("there is no room for a process of its own: %s", error)
        raise Problem(task.busy, f"There is no room to work on {task.what} now.") from None
    with closing(work):
        return work.answer(wanted)


class Apart:
    """A job that is being done in a process of its own; `close` ends it, whatever it is at.

    Raises:
        OSError: if there is no room for the process.
    """

    def __init__(self, module: str, job: Any, limits: Limits, task: Task = CANDIDATE) -> None:
        self._limits, self._task = limits, task
        self._end = time.monotonic() + limits.seconds + _STARTING_SECONDS
        with ExitStack() as files, tempfile.TemporaryFile() as given:
            self._answer = files.enter_context(tempfile.TemporaryFile())
            self._said = files.enter_context(tempfile.TemporaryFile())
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
            self._files = files.pop_all()

    def ended(self) -> bool:
        """Whether the answer is there, or none will come."""
        return self._has_exited() or time.monotonic() > self._end

    def answer(self, wanted: Callable[[], bool] = lambda: True) -> dict[str, Any]:
        """What the process answers, which is waited for; raises Problem as `run_apart` does."""
        ask_at = 0.0
        while not self.ended():
            if time.monotonic() >= ask_at:
                ask_at = time.monotonic() + _ASK_EVERY
                if not wanted():
                    raise Problem(BAD_REQUEST, f"Nobody waits for {self._task.what} any more.")
            time.sleep(_LOOK_EVERY)
        starved = _starved(self._process.pid, self._limits)  # as long as it can be asked
        if not self._has_exited():
            raise self._ended(f"took more than {self._limits.seconds} seconds", busy=starved)
        code = self._process.wait()
        if code == 0 and self._answer.seek(0, os.SEEK_END):
            return _answered(self._answer)
        log.error("work on %s ended with %d: %s", self._task.what, code, _end_of(self._said))
        # What it did not do itself was done to it: by whoever sees to the memory of the machine.
        killed = -code == signal.SIGKILL and time.monotonic() < self._end - _STARTING_SECONDS
        busy = code == _NO_ROOM or killed or (-code == signal.SIGALRM and starved)
        raise self._ended(_why(code, self._limits), busy=busy)

    def _has_exited(self) -> bool:
        """Whether it has come to its end; it is not taken note of, so that it can be asked."""
        if self._process.returncode is not None:
            return True
        try:
            look = os.WEXITED | os.WNOHANG | os.WNOWAIT
            return os.waitid(os.P_PID, self._process.pid, look) is not None
        except ChildProcessError:
            return True

    def _ended(self, why: str, *, busy: bool) -> Problem:
        detail = f"Work on {self._task.what} was ended: it {why}"
        if busy:
            return Problem(self._task.busy, f"{detail}, and the machine had too little for it.")
        return Problem(self._task.failed, f"{detail}.")

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
    if code == _NO_ROOM:
        return "had no room for its answer"
    return "has ended the process that worked on it"


def _starved(pid: int, limits: Limits) -> bool:
    """Whether a process has waited for a processor for longer than it has had one.

    Linux counts both. One that hangs waits for none; elsewhere nobody is known to have starved.
    """
    try:
        had, waited, _ = map(int, Path(f"/proc/{pid}/schedstat").read_text("ascii").split())
    except (OSError, ValueError):
        return False
    return waited > max(had, limits.seconds * 10**9 // 4)


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
    try:
        sys.stdout.buffer.write(answer)
        sys.stdout.buffer.flush()
    except OSError:
        os._exit(_NO_ROOM)


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
