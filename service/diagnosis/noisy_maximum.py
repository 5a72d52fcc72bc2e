"""What a check gives where two faults are there at once."""

from __future__ import annotations

import numpy as np

from service.diagnosis.arrays import Vector
from service.ruleset.model import Check

# Under this no outcome of a pair is put: a slip of the hand must stay possible.
LEAST_CHANCE = 1e-5


def dominance(check: Check) -> list[int]:
    """Outcomes from the weakest to the one that wins where two faults meet.

    The expected ones come first, then the others by their distance from an expected one, in the
    order in which the check lists them: no power wins over low power, silent over loud.
    """
    healthy = [check.outcomes.index(name) for name in check.expected]
    return sorted(range(len(check.outcomes)), key=lambda i: min(abs(i - one) for one in healthy))


def combined(one: Vector, other: Vector, healthy: Vector, order: list[int]) -> Vector:
    """Rows of two faults together, (rows, outcomes) each: a noisy maximum with a leak.

    An outcome stays as weak as it is only if neither fault makes it stronger, and what a healthy
    part does by itself is counted once: P(X <= x) is the product of both faults' over the healthy
    one's (Diez 1993, Parameter adjustment in Bayes networks: the generalized noisy OR-gate; from
    memory).
    """
    base = np.cumsum(healthy[:, order], axis=1)
    product = np.cumsum(one[:, order], axis=1) * np.cumsum(other[:, order], axis=1) / base
    product[:, -1] = 1.0
    rising = np.maximum.accumulate(np.minimum(product, 1.0), axis=1)
    chances = np.maximum(np.diff(rising, axis=1, prepend=0.0), LEAST_CHANCE)
    out = np.empty_like(chances)
    out[:, order] = chances / chances.sum(axis=1, keepdims=True)
    return out
