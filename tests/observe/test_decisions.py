"""The decision log: what stands in a line, and that lines are whole whatever happens."""

from __future__ import annotations

import json
import logging
import os
import resource
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest

from service.api.cases import assess_case, load_case
from service.api.examples import NO_HEAT
from service.observe import decision_log
from service.observe.appending import AppendedFile, appending
from service.observe.decision_log import DecisionLog
from service.observe.decisions import digest, entry
from service.ruleset.catalogue import Catalogue
from tests.observe.test_metrics import value

ROOT = Path(__file__).resolve().parents[2]
PRIVATE = "Mrs Miller, 5 Mill Lane"


def private_case() -> dict[str, Any]:
    """A case with something of a person wherever the schema lets it be."""
    case = json.loads(json.dumps(NO_HEAT))
    case["case_id"] = PRIVATE
    for reading in case["readings"]:
        reading["note"] = PRIVATE
    return case


def test_line_says_what_was_decided_on_what_grounds(catalogue: Catalogue) -> None:
    case = load_case(private_case())
    answer = assess_case(catalogue, case)
    line = entry(case, answer)
    assert PRIVATE not in json.dumps(line)
    assert line["rule_set"] == answer["rule_set"]
    assert line["status"] == "fault-found"
    assert line["verdict"] == {
        "fault": answer["verdict"]["fault"],
        "confidence": answer["verdict"]["confidence"],
        "remedy": answer["verdict"]["remedy"]["id"],
    }
    assert [one["check"] for one in line["findings"]] == [one["check"] for one in case["readings"]]
    assert all(sum(one["evidence"].values()) == pytest.approx(1) for one in line["findings"])
    assert line["rules"] == [one["rule"] for one in answer["explanation"]["rules"]]
    assert line["answer"] == digest({**answer, "case_id": "another"})


def places(node: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Where a text stands in a document, or a name of a member."""
    found = [path] if isinstance(node, str) else []
    items = enumerate(node) if isinstance(node, list) else getattr(node, "items", list)()
    for key, inner in items:
        found += places(inner, (*path, key))
    return found


def test_no_other_text_of_a_client_gets_in(
    catalogue: Catalogue, own_cases: list[dict[str, Any]]
) -> None:
    """Each text of a case is one that its rule set knows, or the case is refused."""
    for case in own_cases[:15]:
        for *parents, last in places(case):
            changed = json.loads(json.dumps(case))
            node = changed
            for part in parents:
                node = node[part]
            node[last] = PRIVATE
            try:
                loaded = load_case(changed)
                answer = assess_case(catalogue, loaded)
            except Exception:  # refused
                continue
            assert PRIVATE not in json.dumps(entry(loaded, answer)), (parents, last)


def test_logged_case_is_assessed_to_the_same_answer(
    catalogue: Catalogue, entries: list[dict[str, Any]]
) -> None:
    for line in json.loads(json.dumps(entries)):
        case = load_case(line["case"])
        assert digest(assess_case(catalogue, case)) == line["answer"]
        assert entry(case, assess_case(catalogue, case))["case"] == line["case"]


WRITER = """
import sys, threading
from service.observe.appending import appending
name, who, number = sys.argv[1], sys.argv[2], int(sys.argv[3])
out = appending(name)
def write(thread):
    for at in range(number):
        out.append(f"{who} {thread} {at} ".encode() + b"x" * (at * 37 % 20_000) + b"\\n")
threads = [threading.Thread(target=write, args=(n,)) for n in range(16)]
for one in threads: one.start()
for one in threads: one.join()
"""


def test_lines_of_processes_and_threads_never_mix(tmp_path: Path) -> None:
    path, number = tmp_path / "log", 60
    writers = [
        subprocess.Popen([sys.executable, "-c", WRITER, path, who, str(number)], cwd=ROOT)
        for who in ("a", "b")
    ]
    assert [one.wait(60) for one in writers] == [0, 0]
    lines = path.read_text().splitlines()
    seen = [(who, int(thread), int(at)) for who, thread, at, _ in (x.split(" ") for x in lines)]
    assert sorted(seen) == [(w, t, a) for w in "ab" for t in range(16) for a in range(number)]
    for line, (_, _, at) in zip(lines, seen, strict=True):
        assert line.rpartition(" ")[2] == "x" * (at * 37 % 20_000)


FORKING = """
import os
from service.observe.appending import appending
out = appending("-")
pids = []
for who in ("a", "b"):
    if not (pid := os.fork()):
        for at in range(200):
            out.append(who.encode() * 9_000 + b"\\n")
        os._exit(0)
    pids.append(pid)
for pid in pids: os.waitpid(pid, 0)
"""


def test_lines_do_not_mix_in_a_pipe_either() -> None:
    done = subprocess.run(
        [sys.executable, "-c", FORKING], cwd=ROOT, capture_output=True, check=True
    )
    lines = done.stdout.splitlines()
    assert sorted(lines) == [b"a" * 9_000] * 200 + [b"b" * 9_000] * 200


def test_moved_file_is_made_anew(tmp_path: Path) -> None:
    path = tmp_path / "log"
    out = AppendedFile(str(path))
    out.append(b"1\n")
    path.rename(tmp_path / "log.1")
    out.append(b"2\n")
    path.unlink()
    out.append(b"3\n")
    assert (tmp_path / "log.1").read_bytes() == b"1\n"
    assert path.read_bytes() == b"3\n"


def test_file_is_opened_anew_when_told(tmp_path: Path) -> None:
    path = tmp_path / "log"
    out = AppendedFile(str(path))
    descriptor = out._file
    out.reopen()
    out.append(b"1\n")
    assert path.read_bytes() == b"1\n"
    assert out._file != descriptor


def test_line_that_was_left_cut_is_not_gone_on_with(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(b"whole\ncut")
    AppendedFile(str(path)).append(b"next\n")
    assert path.read_bytes() == b"whole\ncut\nnext\n"


def test_line_that_another_process_left_cut_is_not_gone_on_with(tmp_path: Path) -> None:
    path = tmp_path / "log"
    out = AppendedFile(str(path))
    with path.open("ab") as other:
        other.write(b"cut")
    out.append(b"next\n")
    assert path.read_bytes() == b"cut\nnext\n"


SLOW = """
import fcntl, sys, time
with open(sys.argv[1], "ab", buffering=0) as file:
    fcntl.lockf(file, fcntl.LOCK_EX)
    file.write(b"ha")
    print(flush=True)
    time.sleep(0.5)
    file.write(b"lf\\n")
"""


def test_line_under_way_in_another_process_does_not_count_as_cut(tmp_path: Path) -> None:
    path = tmp_path / "log"
    command = [sys.executable, "-c", SLOW, path]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        other.stdout.readline()
        AppendedFile(str(path)).append(b"next\n")
    assert path.read_bytes() == b"half\nnext\n"


def test_disk_that_fills_up_cuts_one_line_and_no_other(tmp_path: Path) -> None:
    path = tmp_path / "log"
    out = AppendedFile(str(path))
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (10, before[1]))
    try:
        out.append(b"1234567\n")
        for _ in range(2):
            with pytest.raises(OSError, match=r"cut off|too large"):
                out.append(b"abcdefg\n")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    out.append(b"next\n")
    assert path.read_bytes() == b"1234567\nab\nnext\n"


def test_what_cannot_be_written_is_counted_and_told_once(
    catalogue: Catalogue, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(decision_log, "_complained", float("-inf"))
    case = load_case(NO_HEAT)
    answer = assess_case(catalogue, case)
    log = DecisionLog("/dev/full", batches=False)
    before = value("ohmpath_decision_log_failures_total")
    with caplog.at_level(logging.ERROR):
        for _ in range(3):
            log.write(case, answer)
        log.write(case, {})  # nothing that could be written down at all
    assert value("ohmpath_decision_log_failures_total") == before + 4
    assert [one.getMessage() for one in caplog.records] == [
        "a decision could not be written down: [Errno 28] No space left on device"
    ]


def test_directory_that_is_gone_is_borne(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    out = AppendedFile(str(tmp_path / "there" / "log"))
    (tmp_path / "there" / "log").unlink()
    (tmp_path / "there").rmdir()
    with pytest.raises(OSError, match="No such file"):
        out.append(b"lost\n")
    (tmp_path / "there").mkdir()
    out.append(b"kept\n")
    assert (tmp_path / "there" / "log").read_bytes() == b"kept\n"


def test_threads_of_one_process_survive_rotation(tmp_path: Path) -> None:
    path = tmp_path / "log"
    out = appending(str(path))

    def write() -> None:
        for _ in range(300):
            out.append(b"line\n")

    threads = [threading.Thread(target=write) for _ in range(8)]
    for one in threads:
        one.start()
    for number in range(20):
        if path.exists():
            os.rename(path, tmp_path / f"log.{number}")
    for one in threads:
        one.join()
    assert sum(one.read_bytes().count(b"line\n") for one in tmp_path.iterdir()) == 8 * 300
