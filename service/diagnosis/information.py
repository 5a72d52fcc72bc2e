"""What a check promises to tell: the drop in entropy that is expected of its outcome, in bits."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from service.diagnosis.arrays import Vector
from service.diagnosis.belief import once
from service.diagnosis.findings import Finding
from service.diagnosis.outcomes import plogp
from service.diagnosis.states import BeliefModel


def expected_information(model: BeliefModel, states: Vector) -> dict[str, float]:
    """Expected drop, in bits, of the entropy over sets of remedies, by check to be carried out.

    de Kleer & Williams 1987, Artificial Intelligence 32: the next measurement of least expected
    entropy.
    """
    sets = np.add.reduceat(states, model.set_starts)
    gains = model.outcomes.information(states, sets)
    return dict(zip(model.tables, gains.tolist(), strict=True))


def information_about(model: BeliefModel, states: Vector, fault: str, check: str) -> float:
    """Expected drop, in bits, of the entropy of whether a fault is there, if `check` is made."""
    there = model.has_fault[:, model.index(fault)]
    with_it = np.stack([there, 1.0 - there]) * states  # (2, states)
    joint = with_it @ model.tables[check]  # (2, outcomes)
    gain = plogp(joint).sum() - plogp(joint.sum(axis=0)).sum() - plogp(joint.sum(axis=1)).sum()
    return max(float(gain), 0.0)


def information_again(
    model: BeliefModel, states: Vector, findings: Sequence[Finding], persists: float
) -> dict[str, float]:
    """Expected drop, in bits, of the entropy over sets of remedies, by reading to be taken again.

    A second reading says the same, or something else: P(same | state) is `persists` and the rest
    times the likelihood of the first, as in `likelihood`.
    """
    if not findings:
        return {}
    same = np.stack([once(model, one) for one in findings])  # (readings, states)
    same *= 1.0 - persists
    same += persists
    same *= states
    joint = np.add.reduceat(same, model.set_starts, axis=1)  # (readings, sets of remedies)
    sets = np.add.reduceat(states, model.set_starts)
    other = np.maximum(sets - joint, 0.0)
    gains = -plogp(sets).sum()
    for part in (joint, other):
        gains = gains + plogp(part).sum(axis=1) - plogp(part.sum(axis=1))
    names = [one.check for one in findings]
    return dict(zip(names, np.maximum(gains, 0.0).tolist(), strict=True))
