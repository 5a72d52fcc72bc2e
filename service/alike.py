"""Which of some names are spelt most like another. What is compared is bounded: it takes time."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from itertools import islice

LONGEST = 60  # no id is longer; what is typed may be
MOST = 1000  # names


def alike(typed: str, known: Iterable[str], n: int = 1, cutoff: float = 0.6) -> list[str]:
    """The n names most like another, the likest first; cutoff, from 0 to 1, says how much.

    Only the first LONGEST characters of `typed` and the first MOST of the known names count.
    """
    names = [name for name in islice(known, MOST) if len(name) <= 2 * LONGEST]
    return get_close_matches(typed[:LONGEST], names, n=n, cutoff=cutoff)
