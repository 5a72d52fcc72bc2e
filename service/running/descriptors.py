"""How many files and connections a process may have open (`ulimit -n`), and how many it needs."""

from __future__ import annotations

import resource

LEAST = 256
"""With fewer a worker would end as soon as some clients come at once."""
WANTED = 2048
BESIDE = 128
"""Of a worker, for other things than connections: rule sets, logs, batches on disk."""


class TooFewFilesError(RuntimeError):
    """The service would end with the first crowd."""


def make_room() -> int:
    """Raise the soft limit as far as is wanted and allowed; what it is then.

    Raises TooFewFilesError.
    """
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = hard if hard != resource.RLIM_INFINITY else WANTED
    if soft != resource.RLIM_INFINITY and soft < min(WANTED, most):
        soft = min(WANTED, most)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    if soft != resource.RLIM_INFINITY and soft < LEAST:
        raise TooFewFilesError(
            f"a process may have {soft} files and connections open here, and {LEAST} are needed. "
            f"Raise the limit (ulimit -n {LEAST} or more; LimitNOFILE= in a systemd unit; "
            "--ulimit nofile= of a container). Nothing has been started."
        )
    return WANTED if soft == resource.RLIM_INFINITY else soft


def connections(limit: int, wanted: int) -> int:
    """How many connections a worker may hold with so many files."""
    return min(wanted, limit - BESIDE)
