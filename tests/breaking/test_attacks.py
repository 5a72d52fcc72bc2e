"""The running service under attack, each for seconds. `python -m tests.breaking.long` goes on."""

from __future__ import annotations

import ast
import json
import shutil
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest

from tests.breaking import attacks
from tests.breaking.running import ROOT, Running, service, wait_for
from tests.breaking.soak import soak

pytestmark = pytest.mark.skipif(
    not Path("/proc/self/smaps_rollup").exists(), reason="looks into processes by /proc (Linux)"
)

WALL_CLOCK = {"time.time()", "datetime.now(UTC)", "datetime.now()", "time.time_ns()"}


def test_the_end_under_load_loses_no_request() -> None:
    print(f"SIGTERM under load: {attacks.end_under_load()}")


def test_a_worker_without_a_free_thread_leaves_new_clients_to_the_other() -> None:
    assert attacks.fill_the_threads() == 31


def test_a_killed_worker_loses_only_what_it_held() -> None:
    print(f"another worker answers {attacks.kill_a_worker():.2f} s after SIGKILL")


def test_a_broken_engine_is_contained() -> None:
    attacks.break_the_engine(rounds=1)


def test_slow_clients_are_cut_off_and_leave_nothing() -> None:
    print(f"200 slow clients: {attacks.drip(body=True)}")


@pytest.mark.parametrize(
    "options",
    [
        pytest.param({"stderr": "/dev/full"}, id="standard error is full"),
        pytest.param({"closed": True}, id="no standard error"),
        pytest.param({"OHMPATH_DECISION_LOG": "/dev/full"}, id="decision log is full"),
    ],
)
def test_a_log_that_cannot_be_written_stops_nothing(options: dict[str, Any]) -> None:
    attacks.go_on_unheard(**options)


@pytest.mark.skipif(not shutil.which("cc"), reason="there is no C compiler")
def test_a_stepped_clock_ends_nothing(tmp_path: Path) -> None:
    """The wall clock of Python and of the rule engine, which is C."""
    library, file = tmp_path / "stepped_clock.so", tmp_path / "wrong-by"
    source = ROOT / "tests" / "breaking" / "stepped_clock.c"
    compiler = ["cc", "-shared", "-fPIC", "-O2", "-o", str(library), str(source), "-ldl"]
    subprocess.run(compiler, check=True)
    file.write_text("0")

    def set_to(wrong: int) -> None:
        new = file.with_suffix(".new")
        new.write_text(str(wrong))
        new.rename(file)

    with service(LD_PRELOAD=str(library), WRONG_BY=str(file)) as running:
        set_to(86_400 * 365)
        assert logged_year(running) > time.gmtime().tm_year  # it is that clock
        print(f"wall clock stepped: {attacks.step_the_clock(set_to, running)}")


def logged_year(running: Running) -> int:
    """The year in which the last line of its log was written."""
    attacks.talk_nonsense(running.port)
    wait_for(lambda: "refused:" in running.log(), told="a line in the log")
    return int(json.loads(running.log().splitlines()[-1])["time"][:4])


def test_durations_are_not_measured_by_the_wall_clock() -> None:
    """What the wall clock says may be written down; nothing is worked out from it."""
    for path in (ROOT / "service").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            match node:
                case ast.BinOp(left=left, right=right):
                    sides = [left, right]
                case ast.Compare(left=left, comparators=others):
                    sides = [left, *others]
                case _:
                    continue
            for side in sides:
                assert ast.unparse(side) not in WALL_CLOCK, f"{path}:{node.lineno}"


@pytest.mark.skipif(not shutil.which("nginx"), reason="nginx is not installed")
def test_an_instance_that_dies_behind_a_proxy_is_not_noticed() -> None:
    print(f"one of two instances killed behind nginx: {attacks.kill_an_instance()}")


def test_a_soak_leaves_nothing_behind() -> None:
    with service() as running:
        found = soak(running, 1_000, pool=300, warm_up=1_500, slow=1)
    print(f"soak: {found}")
    assert not found.wrong, found.wrong[:5]
    assert not [status for status in found.statuses if status >= 500]
    # The long form asks for 5 %, after a longer warm-up.
    assert all(grown < 0.15 for grown in found.growth.values()), found.memory
