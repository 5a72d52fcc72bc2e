"""Rule sets are loaded once in a process: they are immutable and keep what comes of them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from service.ruleset.catalogue import Source


def once(load: Callable[[Path], Source]) -> Callable[[Path], Source]:
    """The same function, which loads no content of a folder twice."""
    loaded: dict[tuple[Path, tuple[bytes, ...]], Source] = {}

    def load_source(folder: Path) -> Source:
        content = tuple(path.read_bytes() for path in sorted(folder.glob("*.yaml")))
        key = (folder, content)
        if key not in loaded:
            loaded[key] = load(folder)
        return loaded[key]

    return load_source
