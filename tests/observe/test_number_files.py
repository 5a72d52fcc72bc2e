"""Numbers for /metrics where the disk takes nothing: the process lives, and counts for itself."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from service.observe import multiprocess
from service.observe.number_files import RoomyDict

FULL = OSError(28, "No space left on device")


def _full(*_: object) -> None:
    raise FULL


def test_numbers_are_kept_in_the_file(tmp_path: Path) -> None:
    name = str(tmp_path / "counter_1.db")
    kept = RoomyDict(name)
    kept.write_value("a", 2.0, 0.0)
    assert kept.read_value("a") == (2.0, 0.0)
    assert os.stat(name).st_blocks * 512 >= 1 << 16, "the room is not taken"
    kept.close()
    again = RoomyDict(name)
    assert again.read_value("a") == (2.0, 0.0)
    again.close()


def test_without_room_they_are_kept_in_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(os, "posix_fallocate", _full)
    monkeypatch.setattr(multiprocess, "_lacking", bytearray(1))
    name = tmp_path / "counter_1.db"
    kept = RoomyDict(str(name))
    RoomyDict(str(tmp_path / "counter_2.db")).close()
    kept.write_value("a", 2.0, 0.0)
    assert kept.read_value("a") == (2.0, 0.0)
    assert kept.read_value("b") == (0.0, 0.0)
    kept.close()
    assert not name.exists(), "a file that is not whole would fail /metrics"
    assert caplog.text.count("No space left") == 1, "said once, not by every file"
    assert multiprocess.lacking()


@pytest.mark.parametrize("grows", [False, True])
def test_whoever_reads_all_files_meanwhile_finds_none_that_is_empty(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, grows: bool
) -> None:
    """A worker starts, or a file grows, as /metrics is read."""
    name, seen = tmp_path / "counter_1.db", []
    take = os.posix_fallocate

    def and_read(*room: int) -> None:
        for file in tmp_path.glob("*.db"):
            seen.append(list(RoomyDict.read_all_values_from_file(str(file))))
        take(*room)

    if grows:
        RoomyDict(str(name)).close()
    monkeypatch.setattr(os, "posix_fallocate", and_read)
    kept = RoomyDict(str(name))
    assert bool(seen) == grows
    kept.write_value("a", 2.0, 0.0)
    kept.close()
    assert [one.name for one in tmp_path.iterdir()] == [name.name]


def test_a_file_that_cannot_grow_is_done_without(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = RoomyDict(str(tmp_path / "counter_1.db"))
    kept.write_value("first", 1.0, 0.0)
    monkeypatch.setattr(os, "posix_fallocate", _full)
    for number in range(2000):  # more than the file has room for
        kept.write_value(f"name {number:060}", 1.0, 0.0)
    assert kept.read_value("name " + "1999".zfill(60)) == (1.0, 0.0)
    kept.close()


@pytest.mark.long
def test_a_process_on_a_full_disk_is_not_ended(full: Path) -> None:
    """On a real file system that is full: counting is no SIGBUS."""
    code = (
        "from service.observe import metrics\n"
        "for _ in range(100): metrics.refused('bad-request', 400)\n"
        "metrics.exposition([], '')\n"
        "print('alive')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "PROMETHEUS_MULTIPROC_DIR": str(full)},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.stdout == "alive\n", done.stderr
