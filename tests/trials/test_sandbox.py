"""Work on a candidate in a process of its own: whatever happens there, it ends with an answer."""

from __future__ import annotations

import errno
import os
import textwrap
import time
from pathlib import Path
from typing import Any

import pytest

from service.problems import INVALID_REQUEST, Problem
from service.trials import sandbox
from service.trials.sandbox import Limits, run_apart

WORK = """
    import os, signal, time
    from service.problems import INVALID_REQUEST, UNUSABLE_RULE_SET, Problem
    from service.trials.sandbox import serve

    def work(job):
        match job:
            case "hang":
                while True:
                    time.sleep(1)
            case "spin":
                while True:
                    pass
            case "deaf to the alarm":
                signal.signal(signal.SIGALRM, signal.SIG_IGN)
                while True:
                    pass
            case "deaf":
                signal.signal(signal.SIGALRM, signal.SIG_IGN)
                signal.signal(signal.SIGXCPU, signal.SIG_IGN)
                while True:
                    time.sleep(1)
            case "eat":
                held = []
                while True:
                    held.append(bytes(50_000_000))
            case "starve" | "starve and spin":
                os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
                end = time.monotonic() + 4
                for _ in range(5):
                    if not os.fork():
                        signal.signal(signal.SIGALRM, signal.SIG_IGN)
                        while time.monotonic() < end:
                            pass
                        os._exit(0)
                if job == "starve":
                    while True:
                        pass
                signal.signal(signal.SIGALRM, signal.SIG_IGN)
                while True:
                    pass
            case "killed":
                os.kill(os.getpid(), signal.SIGKILL)
            case "no room":
                os.dup2(os.open("/dev/full", os.O_WRONLY), 1)
            case "crash":
                os.kill(os.getpid(), signal.SIGSEGV)
            case "leave":
                os._exit(0)
            case "raise":
                raise RuntimeError("no reason")
            case "chatter":
                return {"x": "y" * 70_000_000}
            case "refuse":
                raise Problem(INVALID_REQUEST, "No.", [("/a", "b")])
            case "find":
                raise Problem(UNUSABLE_RULE_SET, "No.", members={"findings": [1]})
            case "environment":
                return {"names": sorted(os.environ), "pid": os.getpid()}
        return {"job": job}

    serve(work)
"""


@pytest.fixture(scope="module")
def module(tmp_path_factory: pytest.TempPathFactory) -> Any:
    folder = tmp_path_factory.mktemp("worker")
    (folder / "worker_for_tests.py").write_text(textwrap.dedent(WORK), encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        known = sandbox._environment()
        path = f"{known['PYTHONPATH']}:{folder}"
        patch.setattr(sandbox, "_environment", lambda: {**known, "PYTHONPATH": path})
        yield "worker_for_tests"


LIMITS = Limits(seconds=2, memory=512 * 2**20)


def test_a_job_and_its_answer(module: str) -> None:
    assert run_apart(module, ["x", 1], LIMITS) == {"job": ["x", 1]}


@pytest.mark.parametrize(
    ("job", "says"),
    [
        ("hang", "more than 2 seconds"),
        ("spin", "more than 2 seconds"),
        ("deaf to the alarm", "more than 2 seconds"),
        ("eat", "more than 512 MiB"),
        ("crash", "has ended the process"),
        ("raise", "has ended the process"),
    ],
)
def test_what_goes_wrong_is_a_problem_of_the_candidate(
    module: str, job: str, says: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Whatever else this machine is doing.
    monkeypatch.setattr(sandbox, "_starved", lambda *_: False)
    with pytest.raises(Problem) as caught:
        run_apart(module, job, LIMITS)
    assert caught.value.kind.name == "rule-set-failed"
    assert caught.value.kind.status == 422
    assert says in caught.value.detail


@pytest.mark.parametrize(
    ("job", "says"),
    [
        ("starve", "more than 2 seconds"),  # others have the processor
        ("starve and spin", "more than 2 seconds"),
        ("killed", "has ended the process"),  # as the kernel does where memory is short
        ("no room", "had no room for its answer"),
    ],
)
def test_what_the_machine_lacks_is_no_problem_of_the_candidate(
    module: str, job: str, says: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sandbox, "_STARTING_SECONDS", 2)
    with pytest.raises(Problem) as caught:
        run_apart(module, job, LIMITS)
    assert caught.value.kind.name == "too-busy"
    assert caught.value.kind.status == 503
    assert says in caught.value.detail
    assert "the machine had too little for it" in caught.value.detail


@pytest.mark.parametrize("code", [errno.EAGAIN, errno.ENOMEM, errno.ENOSPC, errno.EMFILE])
def test_without_room_for_a_process_the_service_is_busy(
    module: str, code: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none(*_: Any, **__: Any) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(sandbox.subprocess, "Popen", none)
    with pytest.raises(Problem, match="no room") as caught:
        run_apart(module, "x", LIMITS)
    assert caught.value.kind.status == 503


def test_work_that_nobody_waits_for_is_ended(module: str) -> None:
    ended = time.monotonic() + 0.5
    with pytest.raises(Problem, match="Nobody waits"):
        run_apart(module, "hang", Limits(60, 2**29), wanted=lambda: time.monotonic() < ended)
    assert time.monotonic() < ended + 5


def test_a_long_answer_is_cut_off(module: str) -> None:
    with pytest.raises(Problem, match="more than 64 MiB"):
        run_apart(module, "chatter", Limits(seconds=30, memory=2**30))


def test_a_process_deaf_to_its_alarm_is_ended(module: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sandbox, "_STARTING_SECONDS", 1)
    with pytest.raises(Problem, match="more than 2 seconds"):
        run_apart(module, "deaf", LIMITS)


def test_no_answer_is_no_success(module: str) -> None:
    with pytest.raises(Problem) as caught:
        run_apart(module, "leave", LIMITS)
    assert caught.value.kind.name == "rule-set-failed"


def test_a_problem_of_the_work_comes_back_as_it_is(module: str) -> None:
    with pytest.raises(Problem) as caught:
        run_apart(module, "refuse", LIMITS)
    assert caught.value.kind is INVALID_REQUEST
    assert (caught.value.detail, caught.value.errors) == ("No.", (("/a", "b"),))
    with pytest.raises(Problem) as caught:
        run_apart(module, "find", LIMITS)
    assert caught.value.members == {"findings": [1]}


def test_nothing_of_the_environment_goes_along(
    module: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("OHMPATH_SECRET", "x")
    names = run_apart(module, "environment", LIMITS)["names"]
    assert "OHMPATH_SECRET" not in names
    assert {"PATH", "PYTHONPATH"} <= set(names)


def test_no_process_is_left(module: str) -> None:
    pid = run_apart(module, "environment", LIMITS)["pid"]
    assert not Path(f"/proc/{pid}").exists()
