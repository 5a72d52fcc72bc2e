"""Metrics of several processes as one: each keeps its numbers in files of a shared folder.

prometheus_client decides by the environment when it is first imported, so `prepare` comes before
anything that imports `service.observe.metrics`. Nothing here imports it earlier than that.
"""

from __future__ import annotations

import atexit
import logging
import mmap
import os
import shutil
import tempfile
from pathlib import Path

VARIABLE = "PROMETHEUS_MULTIPROC_DIR"
_PREFIX = "ohmpath-metrics-"
# In memory: a worker that writes to a mapped file on a full disk is ended by SIGBUS.
_IN_MEMORY = "/dev/shm"  # nosec B108 # in it a folder is made by a name that nobody can guess

_own: Path | None = None
_lacking = mmap.mmap(-1, 1)  # of all processes that are forked from this one

log = logging.getLogger(__name__)


def prepare() -> None:
    """Have a folder for the numbers of this process and of those that it will fork.

    The operator's, if there is one; it is emptied of what an earlier run has left. Else a
    temporary one, which is gone when this process ends.
    """
    global _own
    if _own is not None:
        return
    given = os.environ.get(VARIABLE)
    if given and not Path(given).name.startswith(_PREFIX):
        _own = Path(given)
        _own.mkdir(parents=True, exist_ok=True)
        for left in _own.glob("*_*.db*"):
            left.unlink()
        return
    # A name of ours was inherited: from a server that this one replaces and that still runs.
    places = [_IN_MEMORY] if os.access(_IN_MEMORY, os.W_OK) else []
    for where in (*places, None):
        try:
            _own = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=where))
            break
        except OSError:
            continue  # full; if there is room nowhere, each process counts for itself
    else:
        os.environ.pop(VARIABLE, None)
        tell_lacking("no folder can be made for them")
        return
    os.environ[VARIABLE] = str(_own)
    atexit.register(_clean, _own, os.getpid())


def tell_lacking(why: str) -> None:
    """Take note that the numbers of some process are not in the folder. Says so once for all."""
    if not lacking():
        _lacking[0] = 1
        log.error("metrics are not complete until the next start: %s", why)


def lacking() -> bool:
    """Whether the numbers of some process are not in the folder."""
    return bool(_lacking[0])


def hand_over(uid: int, gid: int) -> None:
    """Let workers that run as another user write to the folder."""
    if _own is not None and os.geteuid() == 0:
        os.chown(_own, uid, gid)


def died(pid: int) -> None:
    """Forget what a process had at the moment; what it has counted stays."""
    from prometheus_client import multiprocess

    if VARIABLE not in os.environ:
        return
    multiprocess.mark_process_dead(pid)  # type: ignore[no-untyped-call]


def _clean(folder: Path, owner: int) -> None:
    if os.getpid() == owner:  # and not a worker that it has forked
        shutil.rmtree(folder, ignore_errors=True)
