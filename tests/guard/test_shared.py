"""Limits that hold across processes and threads, and that no dead process holds up."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.guard import shared as shared_module
from service.guard.keys import KeysError
from service.guard.shared import Shared

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Callable[[float], None]:
    def set_to(now: float) -> None:
        monkeypatch.setattr(shared_module.time, "monotonic", lambda: now)

    return set_to


def test_a_burst_and_then_the_rate(clock: Callable[[float], None]) -> None:
    shared = Shared()
    desk, till = shared.slot("desk"), shared.slot("till")
    clock(1000.0)
    assert [shared.wait(desk, 4, 3) for _ in range(3)] == [0.0, 0.0, 0.0]
    assert shared.wait(desk, 4, 3) == pytest.approx(0.25)
    assert shared.wait(desk, 4, 3) == pytest.approx(0.25)  # to be refused costs nothing
    assert shared.wait(till, 4, 3) == 0.0  # nor does it cost anybody else
    clock(1000.2)
    assert shared.wait(desk, 4, 3) == pytest.approx(0.05)
    clock(1000.25)
    assert shared.wait(desk, 4, 3) == 0.0
    assert shared.wait(desk, 4, 3) == pytest.approx(0.25)
    clock(1001.0)
    assert [shared.wait(desk, 4, 3) == 0.0 for _ in range(4)] == [True, True, True, False]


@given(
    st.integers(1, 50),
    st.integers(1, 20),
    st.lists(st.sampled_from([0, 0, 0, 1, 3, 10, 100]), min_size=1, max_size=200),
)
def test_it_is_a_bucket_that_fills_at_the_rate(rate: int, burst: int, gaps: list[int]) -> None:
    """Against the bucket as it is told to children: so many drops, one more at each tick."""
    shared = Shared(8)
    slot, ticks, full = shared.slot("desk"), 0, burst * 1000
    real = shared_module.time.monotonic
    try:
        for gap in gaps:
            ticks += gap
            full = min(burst * 1000, full + gap * rate)
            shared_module.time.monotonic = lambda: 5.0 + ticks / 1000  # noqa: B023
            may = full >= 1000
            wait = shared.wait(slot, rate, burst)
            assert (wait == 0.0) == may
            if may:
                full -= 1000
            else:
                assert wait == pytest.approx((1000 - full) / rate / 1000)
    finally:
        shared_module.time.monotonic = real


def test_names_have_a_slot_each_and_keep_it() -> None:
    shared = Shared(8)
    slots = [shared.slot(f"key-{number}") for number in range(7)]
    assert sorted(slots) == list(range(1, 8))
    assert [shared.slot(f"key-{number}") for number in range(7)] == slots
    with pytest.raises(KeysError, match="room for 7 keys"):
        shared.slot("one-more")


def test_places_are_as_many_as_there_are() -> None:
    shared = Shared()
    places = [shared.take(1, 3) for _ in range(4)]
    assert places[3] is None
    assert len(set(places)) == 4
    assert shared.take(2, 3) not in places
    assert places[1] is not None
    shared.give_back(places[1])
    assert shared.take(1, 3) == places[1]
    assert shared.take(1, 3) is None


def run(script: str) -> dict[str, float]:
    """What a script prints, run in a process of its own, since it forks."""
    done = subprocess.run(
        [sys.executable, "-c", script],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    found: dict[str, float] = json.loads(done.stdout)
    return found


def test_four_processes_of_three_threads_share_one_limit() -> None:
    found = run("""
import json, os, time
from concurrent.futures import ThreadPoolExecutor
from service.guard.shared import Shared

RATE, BURST = 40, 25
shared = Shared()
slot = shared.slot("desk")
read, write = os.pipe()
start = time.monotonic()
end = start + 1.0

def ask(_):
    passed = asked = 0
    while time.monotonic() < end or asked < BURST:
        asked += 1
        passed += shared.wait(slot, RATE, BURST) == 0.0
    return passed

for _ in range(4):
    if os.fork() == 0:
        with ThreadPoolExecutor(3) as pool:
            os.write(write, b"%06d" % sum(pool.map(ask, range(3))))
        os._exit(0)
passed = 0
for _ in range(4):
    os.wait()
    passed += int(os.read(read, 6))
most = BURST + RATE * (time.monotonic() - start)
print(json.dumps({"passed": passed, "most": most, "least": BURST}))
""")
    # Not one more than the limit allows in the time that it took.
    assert found["least"] <= found["passed"] <= found["most"]


def test_a_process_killed_with_the_lock_in_hand_holds_nobody_up() -> None:
    found = run("""
import fcntl, json, os, signal, time
from service.guard.shared import Shared

shared = Shared()
slot = shared.slot("desk")
read, write = os.pipe()
child = os.fork()
if child == 0:
    assert None not in (shared.take(slot, 2), shared.take(slot, 2))
    shared._threads.acquire()
    fcntl.lockf(shared._file, fcntl.LOCK_EX, 1, slot)
    os.write(write, b"!")
    time.sleep(600)
os.read(read, 1)
before = shared.take(slot, 2)
os.kill(child, signal.SIGKILL)
os.waitpid(child, 0)
print(json.dumps({
    "before": before is None,
    "wait": shared.wait(slot, 1, 1),
    "after": [shared.take(slot, 2) is not None for _ in range(3)],
}))
""")
    assert found == {"before": True, "wait": 0.0, "after": [True, True, False]}
