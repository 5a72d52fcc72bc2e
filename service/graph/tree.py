"""The tree of what the service asks for and where that ends."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Warned:
    """A precaution, as an assessment words it."""

    id: str
    signal_word: str
    text: str


@dataclass(frozen=True, slots=True)
class Ask:
    """A check that is asked for. `chance`: that a visit comes here."""

    check: str
    title: str
    again: bool  # it has been read, and the reading is taken again
    first: tuple[str, ...]  # precautions to confirm before it, in this order
    precautions: tuple[Warned, ...]
    chance: float
    ways: tuple[Way, ...]


@dataclass(frozen=True, slots=True)
class Found:
    """A fault that is found, and what to do about it."""

    fault: str
    title: str
    confidence: float
    action: str


@dataclass(frozen=True, slots=True)
class End:
    """Where a visit ends."""

    status: str
    chance: float
    verdict: Found | None
    also_found: tuple[Found, ...]  # a second fault, as sure as the first
    because: str  # the first of the reasons that are given, if any


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Outcomes that are too unlikely to be followed."""

    chance: float


Node = Ask | End | LeftOut


@dataclass(frozen=True, slots=True)
class Way:
    """One outcome and what it leads to; or all that are left out after a check.

    `probability`: of the outcomes together, given everything read before.
    """

    outcomes: tuple[str, ...]
    probability: float
    to: Node


@dataclass(frozen=True, slots=True)
class Tree:
    """The order of checks for one complaint of which nothing more is known."""

    rule_set: str
    version: str
    content_hash: str
    symptom: str
    title: str
    least_probability: float  # a way that is less likely is left out, unless it ends at once
    whole: bool  # false: likelier ways were left out too, since there were too many
    always: tuple[str, ...]  # precautions that stand in every answer
    root: Node


@dataclass(frozen=True, slots=True)
class Place:
    """A node, its number in the order of the drawing, and the way that leads to it."""

    number: int
    node: Node
    parent: int | None
    way: Way | None
    down: bool  # it is the likeliest of the outcomes that go on with another check


def walk(tree: Tree) -> Iterator[Place]:
    """All nodes, each before what follows it; after a check what ends first, what goes on last."""
    waiting: list[tuple[Node, int | None, Way | None, bool]] = [(tree.root, None, None, False)]
    number = 0
    while waiting:
        node, parent, way, down = waiting.pop()
        yield Place(number, node, parent, way, down)
        if isinstance(node, Ask):
            ways = sorted(node.ways, key=_order)
            goes_on = isinstance(ways[-1].to, Ask)
            for one in reversed(ways):
                waiting.append((one.to, number, one, goes_on and one is ways[-1]))
        number += 1


def _order(way: Way) -> tuple[int, float]:
    kinds = {End: 0, LeftOut: 1, Ask: 2}
    sign = 1 if isinstance(way.to, Ask) else -1
    return kinds[type(way.to)], sign * way.probability
