"""YAML texts are parsed once in a process; the parser takes a second for a rule set."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from functools import lru_cache
from typing import TypeVar

Made = TypeVar("Made")


def once(parse: Callable[[str], Made]) -> Callable[[str], Made]:
    """The same function, which parses no text twice. Whoever asks gets a copy of its own."""

    @lru_cache(maxsize=256)
    def pickled(text: str) -> bytes:
        return pickle.dumps(parse(text))

    def parsed(text: str) -> Made:
        made: Made = pickle.loads(pickled(text))
        return made

    return parsed
