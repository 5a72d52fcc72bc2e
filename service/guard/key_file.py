"""The keys file on disk: read when the service starts, and again when it changes."""

from __future__ import annotations

import logging
import os
import stat
import time
from collections.abc import Callable
from pathlib import Path

from service.guard.keys import KeyRing, KeysError, read_again, read_keys

log = logging.getLogger(__name__)

LOOK_EVERY = 1.0  # seconds: how soon a key that was taken out opens nothing any more
_MOST_BYTES = 1024 * 1024
_MOST_MISTAKES = 5  # that the log tells of

_Seen = tuple[int, ...] | None


class KeyFile:
    """The keys that a file has now.

    accept: told of keys before they count, at the start and whenever the file has changed.
    It gives each name its room, and raises KeysError if it has none for more.
    A line that has become unusable leaves the others as they are (`read_again`), and the log says
    so. A file that cannot be read at all leaves the keys of before.
    """

    def __init__(self, path: Path, accept: Callable[[KeyRing], None] = lambda _: None) -> None:
        """Read the file. Raises KeysError."""
        self.path = path
        self._accept = accept
        self._seen, raw = _read(path)
        try:
            self._ring = read_keys(raw.decode("utf-8"), str(path))
        except UnicodeDecodeError:
            raise KeysError(f"{path} is no keys file: it is not UTF-8") from None
        accept(self._ring)
        self._look_at = time.monotonic() + LOOK_EVERY
        for warning in warnings(path, self._ring):
            log.warning("%s", warning)

    def ring(self) -> KeyRing:
        """The keys, at most LOOK_EVERY seconds old."""
        now = time.monotonic()
        if now >= self._look_at:
            # Two threads may both come by here; they read the same.
            self._look_at = now + LOOK_EVERY
            self._look()
        return self._ring

    def _look(self) -> None:
        try:
            seen = _stamp(os.stat(self.path))
        except OSError:
            seen = None
        if seen == self._seen:
            return
        self._seen = seen  # whatever comes of it is said once
        try:
            self._seen, raw = _read(self.path)
        except KeysError as error:
            log.error("the keys file cannot be used, and the keys of before stand: %s", error)
            return
        # A byte that is no UTF-8 spoils its line only.
        ring, mistakes = read_again(raw.decode("utf-8", "replace"), str(self.path), self._ring)
        try:
            self._accept(ring)
        except KeysError as error:
            ring = {name: one for name, one in ring.items() if name in self._ring}
            mistakes.append(error)
        self._ring = ring
        if mistakes:
            more = len(mistakes) - _MOST_MISTAKES
            log.error(
                "the keys file has mistakes, and what they stand in does not count: %s%s",
                "; ".join(map(str, mistakes[:_MOST_MISTAKES])),
                f"; and {more} more" if more > 0 else "",
            )
        log.warning("the keys file has changed; keys: %s", ", ".join(ring) or "none")


def warnings(path: Path, ring: KeyRing) -> list[str]:
    """What an operator should know of a file that can be used."""
    found = []
    mode = os.stat(path).st_mode
    if mode & stat.S_IRWXO:
        found.append(f"{path} is open to every user of this machine: chmod o= {path}")
    if not ring:
        found.append(f"{path} has no keys: nobody may call (ohmpath keys new NAME --to {path})")
    return found


def _read(path: Path) -> tuple[_Seen, bytes]:
    try:
        with path.open("rb") as file:
            seen = _stamp(os.fstat(file.fileno()))
            raw = file.read(_MOST_BYTES + 1)
        if len(raw) > _MOST_BYTES:
            raise KeysError(f"{path} is no keys file: it has more than {_MOST_BYTES} bytes")
        return seen, raw
    except OSError as error:
        raise KeysError(f"{path} cannot be read: {error.strerror}") from None


def _stamp(status: os.stat_result) -> _Seen:
    """What changes with the file: its ctime too, since a change of its mode may let it be read."""
    return status.st_mtime_ns, status.st_ctime_ns, status.st_ino, status.st_size
