"""Where the service's way loses against the optimum: each choice against the best one there.

The excess of a way over the optimum is the sum, over all points that it comes to, of their
probability times what the choice made there costs more than the best one would, if the rest were
done as well as can be (Kakade & Langford 2002, the performance difference lemma; from memory).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tests.optimum.expectimax import Answered, Holding, Solved, Stopping, weights
from tests.optimum.joint import Array, Places, World, prepare

# Less than this, in minutes times probability, is rounding.
NOTHING = 1e-9

KINDS = ("went on", "stopped", "other check", "other remedy", "again", "prepared in vain")


@dataclass
class Regret:
    """Expected minutes lost, by kind of choice (`KINDS`), and the dearest choices."""

    world: World
    places: Places
    stopping: Stopping
    solved: Solved
    by_kind: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    worst: list[tuple[float, str, str]] = field(default_factory=list)

    def seen(
        self, document: Mapping[str, Any], answer: Mapping[str, Any], done: str | None
    ) -> None:
        """Take one answer into account. `done`: the remedy done, if this is an end."""
        asked = answer["next_check"]
        if asked is not None and asked["kind"] == "preparation":
            return  # counted with the check that it prepares
        answered, index = point(self.world, document)
        holding = self.holding(document)
        best = float(self.solved.value[answered, holding][index])
        stop = float(self.stopping(answered)[index])
        if asked is None:
            joint = self.states(answered, index)
            given = float(joint @ self.world.loss[:, self.world.remedies.index(str(done))])
            self._lost("other remedy", given - stop, document, answer["status"])
            self._lost("stopped", stop - best, document, answer["status"])
            mass = float(self.states(answered, index).sum())
            self._lost("prepared in vain", self.in_vain(document) * mass, document, "")
            return
        name = asked["id"]
        if name in answered:
            then, spent = prepare(self.places, holding, self.world.access[name])
            mass = float(self.states(answered, index).sum())
            again = (spent + self.world.minutes[name]) * mass
            after = float(self.solved.value[answered, then][index])
            self._lost("again", again + after - best, document, name)
            return
        chosen = self.value_of(answered, index, holding, name)
        others = [
            self.value_of(answered, index, holding, one)
            for one in self.world.checks
            if one not in answered
        ]
        going_on = min(others)
        self._lost("other check", chosen - going_on, document, name)
        self._lost("went on", going_on - best, document, name)

    def value_of(
        self, answered: Answered, index: tuple[int, ...], held: Holding, check: str
    ) -> float:
        """What one check first, and then the best, costs; not divided by the probability."""
        then, spent = prepare(self.places, held, self.world.access[check])
        after = tuple(one for one in self.world.checks if one in (*answered, check))
        place = after.index(check)
        every: tuple[Any, ...] = (*index[:place], slice(None), *index[place:])
        rest = self.solved.value[after, then][every]
        mass = float(self.states(answered, index).sum())
        return (spent + self.world.minutes[check]) * mass + float(np.sum(rest))

    def states(self, answered: Answered, index: tuple[int, ...]) -> Array:
        """P(state, these answers), (states,)."""
        every: tuple[Any, ...] = (slice(None), *index)
        return np.asarray(weights(self.world, answered)[every])

    def holding(self, document: Mapping[str, Any]) -> Holding:
        """What holds after the readings so far, without what is being prepared now."""
        held: Holding = frozenset()
        for reading in document["readings"]:
            held, _ = prepare(self.places, held, self.world.access[reading["check"]])
        return held

    def in_vain(self, document: Mapping[str, Any]) -> float:
        """Minutes of what has been prepared since the last reading."""
        read = len(document["readings"])
        confirmed = [one for one in document["confirmed"] if one["after_reading"] == read]
        return sum(self.places.minutes[one["id"]] for one in confirmed)

    def _lost(self, kind: str, minutes: float, document: Mapping[str, Any], chosen: str) -> None:
        if minutes > NOTHING:
            self.by_kind[kind] += minutes
            told = " ".join(f"{one['check']}={one['observed']}" for one in document["readings"])
            self.worst.append((minutes, kind, f"{told or 'at first'}: {chosen}"))


def point(world: World, document: Mapping[str, Any]) -> tuple[Answered, tuple[int, ...]]:
    """Which checks are answered, and the index of their outcomes."""
    told = {one["check"]: one["observed"] for one in document["readings"]}
    answered = tuple(one for one in world.checks if one in told)
    return answered, tuple(world.outcomes[one].index(told[one]) for one in answered)
