"""The names that have gone by, and on which lines: exact, however many they are."""

from __future__ import annotations

import sqlite3


class Seen:
    """Names with the lines on which each was met the first and the second time.

    A batch may have millions of cases. A dict would hold some 200 bytes of memory for each, and a
    set of digests would now and then take two names for one, so they are kept in a temporary
    database: a page cache of 2 MB, and for what is beyond it a file that has no name and is gone
    with the process. A lookup costs some 20 µs, next to nothing beside an assessment.
    """

    def __init__(self) -> None:
        # A batch that is answered may be put away by another thread than the one that read it.
        self._names = sqlite3.connect("", isolation_level=None, check_same_thread=False)
        self._names.execute(
            "CREATE TABLE seen (name TEXT PRIMARY KEY, line INTEGER, again INTEGER) WITHOUT ROWID"
        )
        self._twice = False

    def first(self, name: str, line: int) -> int | None:
        """The line on which the name was met before; None if it is new, and is kept then."""
        put = "INSERT INTO seen VALUES (?, ?, NULL) ON CONFLICT DO NOTHING"
        if self._names.execute(put, (name, line)).rowcount:
            return None
        self._twice = True
        put = "UPDATE seen SET again = ? WHERE name = ? AND again IS NULL"
        self._names.execute(put, (line, name))
        found: tuple[int] = self._names.execute(
            "SELECT line FROM seen WHERE name = ?", (name,)
        ).fetchone()
        return found[0]

    def known(self, name: str) -> bool:
        """Whether the name was met."""
        met = "SELECT 1 FROM seen WHERE name = ?"
        return self._names.execute(met, (name,)).fetchone() is not None

    def twice(self, name: str) -> tuple[int, int] | None:
        """The first two lines of a name; None if it was met no more than once."""
        if not self._twice:
            return None
        found: tuple[int, int] | None = self._names.execute(
            "SELECT line, again FROM seen WHERE name = ? AND again IS NOT NULL", (name,)
        ).fetchone()
        return found

    def close(self) -> None:
        """Forget all names."""
        self._names.close()
