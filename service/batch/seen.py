"""The names that have gone by, and where: exact, however many they are."""

from __future__ import annotations

import sqlite3


class Seen:
    """Names with the line on which each was first met.

    A batch may have millions of cases. A dict would hold some 200 bytes of memory for each, and a
    set of digests would now and then take two names for one, so they are kept in a temporary
    database: a page cache of 2 MB, and for what is beyond it a file that has no name and is gone
    with the process. A lookup costs some 20 µs, next to nothing beside an assessment.
    """

    def __init__(self) -> None:
        # A batch that is answered may be put away by another thread than the one that read it.
        self._names = sqlite3.connect("", isolation_level=None, check_same_thread=False)
        self._names.execute("CREATE TABLE seen (name TEXT PRIMARY KEY, line INTEGER) WITHOUT ROWID")

    def first(self, name: str, line: int) -> int | None:
        """The line on which the name was met before; None if it is new, and is kept then."""
        put = "INSERT INTO seen VALUES (?, ?) ON CONFLICT DO NOTHING"
        if self._names.execute(put, (name, line)).rowcount:
            return None
        found: tuple[int] = self._names.execute(
            "SELECT line FROM seen WHERE name = ?", (name,)
        ).fetchone()
        return found[0]

    def close(self) -> None:
        """Forget all names."""
        self._names.close()
