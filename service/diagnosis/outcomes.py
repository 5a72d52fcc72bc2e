"""The outcomes of all checks side by side, laid out for what each check promises to tell.

Many checks go alike in every state of a set of remedies: whichever of its faults it is, the same
remedy is wanted and the reading is the same. What such a check promises about the set needs no
logarithm of its own, only the entropy of its outcome, which is worked out once per rule set.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from service.diagnosis.arrays import Index, Mask, Vector


class SetsOfSize(NamedTuple):
    """The sets of remedies with the same number of states, and what their states give unlike."""

    states: Index  # (sets, size)
    rows: Vector  # (sets, size, columns) P(outcome | state); 0 where a set has fewer columns
    outcomes: Index  # (sets, columns) which outcome each is, one past the last where it is none

    def joint(self, states: Vector) -> Vector:
        """P(set, outcome), (sets · columns,).

        Sets of one size at a time: one `reduceat` over a table so wide takes ten times as long.
        """
        out: Vector = np.matmul(states[self.states][:, None, :], self.rows).ravel()
        return out


@dataclass(frozen=True, slots=True, eq=False)
class Outcomes:
    """The tables of all checks by set of remedies; the outcomes of each check stand together."""

    check_starts: Index  # (checks,) the first of each among all outcomes
    alike: Vector  # (sets, outcomes) P(outcome | set) where all its states give it alike, else 0
    entropy: Vector  # (sets, checks) of the outcome, bits, where they do, else 0
    differ: Vector  # (sets, checks) 1 where they do not, else 0
    by_size: tuple[SetsOfSize, ...]
    cells: Index  # (cells,) the outcomes of all sizes, one after another

    def information(self, states: Vector, sets: Vector) -> Vector:
        """What each check promises to tell of the set, in bits, (checks,).

        states, sets: their probabilities, (states,) and (sets,). That is H(set) - H(set | outcome),
        the sum of plogp over P(set, outcome) less that over P(outcome) and that over P(set). Where
        a set's states give the outcome alike, the first less the last is -P(set)·H(outcome).
        """
        joint = np.concatenate([one.joint(states) for one in self.by_size])
        marginal = sets @ self.alike + self._by_outcome(joint)
        by_outcome = self._by_outcome(plogp(joint)) - plogp(marginal)
        gains = np.add.reduceat(by_outcome, self.check_starts)
        gains -= plogp(sets) @ self.differ + sets @ self.entropy
        return np.maximum(gains, 0.0)

    def _by_outcome(self, joint: Vector) -> Vector:
        width = self.alike.shape[1]
        summed = np.bincount(self.cells, joint, width + 1)
        return summed[:width].astype(np.float64)


def side_by_side(tables: Sequence[Vector], set_starts: Index) -> Outcomes:
    """The tables of checks, (states, outcomes) each, whose states begin a set at `set_starts`."""
    wide = np.hstack(tables)
    widths = [table.shape[1] for table in tables]
    starts = np.cumsum([0, *widths[:-1]])
    sizes = np.diff([*set_starts, len(wide)])
    first = wide[set_starts]  # (sets, outcomes)
    as_first = wide == np.repeat(first, sizes, axis=0)
    same = np.logical_and.reduceat(np.logical_and.reduceat(as_first, set_starts), starts, axis=1)
    alike = np.repeat(same, widths, axis=1)  # (sets, outcomes)
    by_size = _by_size(sizes, set_starts, wide, ~alike)
    return Outcomes(
        check_starts=starts,
        alike=np.where(alike, first, 0.0),
        entropy=np.where(same, -np.add.reduceat(plogp(first), starts, axis=1), 0.0),
        differ=(~same).astype(np.float64),
        by_size=by_size,
        cells=np.concatenate([one.outcomes.ravel() for one in by_size]),
    )


def _by_size(sizes: Index, set_starts: Index, wide: Vector, unlike: Mask) -> tuple[SetsOfSize, ...]:
    """unlike: (sets, outcomes) which of them the states of each set do not give alike."""
    past = wide.shape[1]
    padded = np.hstack([wide, np.zeros((len(wide), 1))])
    # By set the outcomes that are meant, in their order, then `past` again and again.
    outcomes = np.sort(np.where(unlike, np.arange(past), past), axis=1)
    found = []
    for size in np.unique(sizes):
        sets = np.flatnonzero(sizes == size)
        columns = outcomes[sets][:, : unlike[sets].sum(axis=1).max()]
        states = set_starts[sets][:, None] + np.arange(size)
        found.append(SetsOfSize(states, padded[states[:, :, None], columns[:, None, :]], columns))
    return tuple(found)


def plogp(probabilities: Vector) -> Vector:
    """p·log2 p elementwise; 0·log 0 = 0."""
    out: Vector = np.log2(np.maximum(probabilities, np.finfo(float).tiny))
    out *= probabilities
    return out
