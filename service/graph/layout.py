"""Where the nodes of a tree stand: a trunk downwards, and what branches off it to the right.

A check leads down to the check that follows its likeliest outcome, and right to all others. So a
long course of checks makes the drawing longer and not wider, as a page is. All in px.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from service.graph.tree import Place

BESIDE = 10.0  # between two nodes one above the other
BELOW = 34.0  # between a check and the one that it leads down to; the outcome stands there


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a node stands: its column, and its upper edge."""

    column: int
    top: float


def arrange(places: Sequence[Place], heights: Sequence[float]) -> list[Spot]:
    """A spot for each node, none on another and none on the line between two others.

    Nodes are placed in the order of `walk`, each as high up as what stands in its column lets it,
    and a check below all that stands in the next column, where its own branches begin.
    """
    branching = {place.parent for place in places if not place.down}
    free: dict[int, float] = defaultdict(float)
    spots: list[Spot] = []
    for place, height in zip(places, heights, strict=True):
        column, top = 0, 0.0
        if place.parent is not None:
            above = spots[place.parent]
            column = above.column + (not place.down)
            top = above.top + (heights[place.parent] + BELOW if place.down else 0.0)
        top = max(top, free[column])
        if place.number in branching:
            top = max(top, free[column + 1])
        spots.append(Spot(column, top))
        free[column] = top + height + BESIDE
    return spots
