"""Readings that do not fit together, and which of them to take again."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from service.diagnosis.belief import Belief, BeliefModel, normalised
from service.diagnosis.chaining import Contradiction
from service.diagnosis.findings import Finding
from service.ruleset.model import UNLISTED_FAULT

# A hypothesis under this probability no longer counts as an explanation of all readings.
PLAUSIBLE = 0.02


@dataclass(frozen=True, slots=True)
class Conflict:
    """Standing findings that no single listed fault explains together."""

    findings: tuple[Finding, ...]
    text: str

    @property
    def stands(self) -> bool:
        """Whether every reading in it has been taken at least twice with the same outcome."""
        return all(finding.repeats > 0 for finding in self.findings)

    def to_repeat(self) -> tuple[Finding, ...]:
        """The readings that have not been repeated."""
        return tuple(finding for finding in self.findings if finding.repeats == 0)


def conflicts(
    model: BeliefModel,
    symptom: str,
    belief: Belief,
    contradictions: Iterable[Contradiction],
    ratio: float,
) -> tuple[Conflict, ...]:
    """Contradictions that rules declared, then those that the tables show.

    By the tables: no hypothesis that is still plausible explains every finding, that is, gives
    each at least `ratio` times the likelihood which its best explanation gives it. A finding that
    the leading hypothesis explains badly, and the one that speaks most against the best
    explanation of the first, are then in conflict.
    """
    standing = {finding.check: finding for finding, _ in belief.likelihoods}
    found: dict[frozenset[str], Conflict] = {}
    for one in contradictions:
        both = tuple(standing[check] for check in one.checks if check in standing)
        if len(both) >= 2:
            found[frozenset(f.check for f in both)] = Conflict(both, one.text)
    for pair, text in _by_tables(model, symptom, belief, ratio):
        key = frozenset(finding.check for finding in pair)
        if not any(key <= other or other <= key for other in found):
            found[key] = Conflict(pair, text)
    return tuple(found.values())


def _by_tables(
    model: BeliefModel, symptom: str, belief: Belief, ratio: float
) -> list[tuple[tuple[Finding, Finding], str]]:
    listed = np.array([name != UNLISTED_FAULT for name, _ in model.states])
    plausible = listed & (belief.states >= PLAUSIBLE)
    badly = [row <= ratio * row[listed].max() for _, row in belief.likelihoods]
    if not badly or bool((plausible & ~np.any(badly, axis=0)).any()):
        return []
    leading = int(np.argmax(np.where(listed, belief.states, -1.0)))
    out = []
    for finding, row in belief.likelihoods:
        if row[leading] > ratio * row[listed].max():
            continue
        alone = normalised(model.log_prior[symptom] + np.log(row))
        best = int(np.argmax(np.where(listed, alone, -1.0)))
        against = [
            (float(np.log(other[leading] / other[best])), other_finding)
            for other_finding, other in belief.likelihoods
            if other_finding is not finding
        ]
        strength, partner = max(against, key=lambda pair: pair[0], default=(0.0, None))
        if partner is None or strength <= 0.0:
            continue
        text = (
            f"{finding.check} reads {finding.outcome}, which points to "
            f"{model.states[best][0]}; {partner.check} reads {partner.outcome}, which points to "
            f"{model.states[leading][0]}: one fault does not explain both"
        )
        out.append(((finding, partner), text))
    return out
