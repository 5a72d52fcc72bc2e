"""What a lint says, before it is known where in which file it stands."""

from __future__ import annotations

from collections.abc import Callable, Iterator
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


Lint = Callable[[RuleSet], Iterator[Found]]
