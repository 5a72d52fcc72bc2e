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


def entropy(model: BeliefModel, states: Vector) -> float:
    """The entropy over sets of remedies, in bits."""
    return -float(plogp(np.add.reduceat(states, model.set_starts)).sum())


def information_about(model: BeliefModel, states: Vector, fault: str, check: str) -> float:
    """Expected drop, in bits, of the entropy of whether a fault is there, if `check` is made."""
    there = model.has_fault[:, model.index(fault)]
    return _told(np.stack([there, 1.0 - there]) * states @ model.tables[check])


def information_about_again(
    model: BeliefModel, states: Vector, fault: str, finding: Finding
) -> float:
    """Expected drop, in bits, of the entropy of whether a fault is there, if `finding`'s check is
    read once more."""
    there = model.has_fault[:, model.index(fault)]
    same = _again(model, finding)
    table = np.stack([same, 1.0 - same], axis=1)  # (states, 2)
    return _told(np.stack([there, 1.0 - there]) * states @ table)


def _again(model: BeliefModel, finding: Finding) -> Vector:
    """P(a second reading says the same | state), (states,), as in `likelihood`."""
    persists = model.persists[finding.check]
    out: Vector = persists + (1.0 - persists) * once(model, finding)
    return out


def _told(joint: Vector) -> float:
    """The information that columns have of rows, bits: (2, outcomes) of joint probabilities."""
    gain = plogp(joint).sum() - plogp(joint.sum(axis=0)).sum() - plogp(joint.sum(axis=1)).sum()
    return max(float(gain), 0.0)


def information_again(
    model: BeliefModel, states: Vector, findings: Sequence[Finding]
) -> dict[str, float]:
    """Expected drop, in bits, of the entropy over sets of remedies, by reading to be taken again.

    A second reading says the same, or something else: P(same | state) is `model.persists` and the
    rest times the likelihood of the first, as in `likelihood`.
    """
    if not findings:
        return {}
    same = np.stack([_again(model, one) for one in findings]) * states
    joint = np.add.reduceat(same, model.set_starts, axis=1)  # (readings, sets of remedies)
    sets = np.add.reduceat(states, model.set_starts)
    other = np.maximum(sets - joint, 0.0)
    gains = -plogp(sets).sum()
    for part in (joint, other):
        gains = gains + plogp(part).sum(axis=1) - plogp(part.sum(axis=1))
    names = [one.check for one in findings]
    return dict(zip(names, np.maximum(gains, 0.0).tolist(), strict=True))
