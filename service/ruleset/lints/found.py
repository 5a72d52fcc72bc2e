"""What a lint says, before it is known where in which file it stands."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from service.ruleset.compose import Path_
from service.ruleset.model import RuleSet


@dataclass(frozen=True, slots=True)
class Found:
    """A mistake in an item of a table (`checks`, `rules`, `nameplate` ...).

    `field` is the way from the item to what is wrong. `message` says what is wrong, `advice` what
    would be right.
    """

    table: str
    about: str
    message: str
    advice: str
    field: Path_ = ()


MOST_CYCLES = 20

Lint = Callable[[RuleSet], Iterator[Found]]


def cycles(leads_to: Mapping[str, Sequence[str]]) -> list[tuple[str, ...]]:
    """Ways round, a few of them if there are many; the first node of each stands last again."""
    found: list[tuple[str, ...]] = []
    done: set[str] = set()
    for start in leads_to:
        if len(found) >= MOST_CYCLES:
            break
        way: list[str] = [start]
        ahead = [iter(leads_to[start])] if start not in done else []
        while ahead:
            one = next(ahead[-1], None)
            if one is None:
                ahead.pop()
                done.add(way.pop())
            elif one in way:
                if len(found) < MOST_CYCLES:
                    found.append((*way[way.index(one) :], one))
            elif one in leads_to and one not in done:
                way.append(one)
                ahead.append(iter(leads_to[one]))
    return found
