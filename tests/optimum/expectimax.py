"""The least expected minutes of a world: every order of checks, free to stop at any point.

What has been answered and what holds of the preparations is all that counts, so each set of
answered checks is worked out once, for all of its outcomes together, from the whole set down.
Values are not divided by the probability of the answers: an expectation is then a plain sum.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from tests.optimum.joint import Array, Places, World, prepare

Answered = tuple[str, ...]  # checks in the world's order
Holding = frozenset[str]
# What stopping costs with these checks answered: (outcomes of each,) not divided by their
# probability, infinite where one may not stop.
Stopping = Callable[[Answered], Array]


@dataclass(frozen=True)
class Solved:
    """The optimum, by set of answered checks and what holds."""

    value: dict[tuple[Answered, Holding], Array]

    @property
    def least(self) -> float:
        """The least expected minutes, from the start."""
        return float(self.value[(), frozenset()])


def weights(world: World, answered: Answered) -> Array:
    """P(state, outcomes of the answered checks), (states, outcomes of the first, ...)."""
    out = world.prior
    for check in answered:
        table = world.tables[check]
        shape = (len(world.prior), *[1] * (out.ndim - 1), table.shape[1])
        out = out[..., None] * table.reshape(shape)
    return out


def cheapest_remedy(world: World) -> Stopping:
    """To stop is to do the remedy of least expected loss, or to give up if that is less."""

    def cost(answered: Answered) -> Array:
        losses = np.tensordot(world.loss.T, weights(world, answered), axes=1)
        return np.asarray(losses.min(axis=0))

    return cost


def solve(world: World, places: Places, stopping: Stopping) -> Solved:
    """The optimum from every point that can be reached."""
    reachable = {frozenset[str]()}
    grown = True
    while grown:
        more = {
            prepare(places, holding, access)[0]
            for holding in reachable
            for access in set(world.access.values())
        }
        grown = not more <= reachable
        reachable |= more
    value: dict[tuple[Answered, Holding], Array] = {}
    for size in range(len(world.checks), -1, -1):
        for answered in combinations(world.checks, size):
            stop = stopping(answered)
            mass = weights(world, answered).sum(axis=0)
            for holding in reachable:
                best = stop
                for check in world.checks:
                    if check in answered:
                        continue
                    then, spent = prepare(places, holding, world.access[check])
                    after = tuple(one for one in world.checks if one in (*answered, check))
                    # Every outcome of the check, each with its probability inside the value.
                    rest = value[after, then].sum(axis=after.index(check))
                    best = np.minimum(best, (spent + world.minutes[check]) * mass + rest)
                value[answered, holding] = np.asarray(best)
    return Solved(value)


def perfect_information(world: World) -> float:
    """Expected loss if the state were known for nothing: no way of checking gets under it."""
    return float(world.prior @ world.loss.min(axis=1))
