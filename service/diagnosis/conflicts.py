"""Readings that do not fit together, and which of them to take again."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from service.diagnosis.belief import Belief, normalised
from service.diagnosis.chaining import Contradiction
from service.diagnosis.findings import Finding
from service.diagnosis.states import BeliefModel, Mask, State
from service.ruleset.model import UNLISTED_FAULT

# A hypothesis under this probability no longer counts as an explanation of all readings.
PLAUSIBLE = 0.02


@dataclass(frozen=True, slots=True)
class Conflict:
    """Standing findings that no fault explains together, nor a fault and what it causes."""

    findings: tuple[Finding, ...]
    text: str

    @property
    def stands(self) -> bool:
        """Whether every reading in it has been taken at least twice with the same outcome."""
        return all(finding.repeats > 0 for finding in self.findings)

    def to_repeat(self) -> tuple[Finding, ...]:
        """The readings that have not been repeated."""
        return tuple(f for f in self.findings if f.repeats == 0 and f.stands)


def conflicts(
    model: BeliefModel,
    symptom: str,
    belief: Belief,
    contradictions: Iterable[Contradiction],
    ratio: float,
) -> tuple[Conflict, ...]:
    """Contradictions that rules declared, then those that the tables show.

    By the tables: no fault that is still plausible, alone or with one that it causes, explains
    every finding, that is, gives each at least `ratio` times the likelihood which its best
    explanation gives it. A finding that the leading fault explains badly, and the one that
    speaks most against the best explanation of the first, are then in conflict. Two faults that
    meet by chance explain it only once the readings have been taken again. Readings with a repair
    between them cannot be in conflict.
    """
    standing = {finding.check: finding for finding, _ in belief.likelihoods if finding.stands}
    found: dict[frozenset[str], Conflict] = {}
    for one in contradictions:
        both = tuple(standing[check] for check in one.checks if check in standing)
        if len(both) >= 2:
            found[frozenset(f.check for f in both)] = Conflict(both, one.text)
    listed = np.array([state.faults != (UNLISTED_FAULT,) for state in model.states])
    if not _explained(belief, listed & ~model.by_chance, listed, ratio):
        by_two = _explained(belief, listed & model.by_chance, listed, ratio)
        for pair, text in _by_tables(model, symptom, belief, listed & ~model.by_chance, ratio):
            conflict = Conflict(pair, text)
            if any(finding.reading.past for finding in pair):
                continue  # a repair lies between them
            if by_two and not conflict.to_repeat():
                continue
            key = frozenset(finding.check for finding in pair)
            if not any(key <= other or other <= key for other in found):
                found[key] = conflict
    return tuple(found.values())


def _explained(belief: Belief, by: Mask, listed: Mask, ratio: float) -> bool:
    """Whether one plausible state among `by` explains every finding."""
    badly = [row <= ratio * row[listed].max() for _, row in belief.likelihoods]
    if not badly:
        return True
    return bool((by & (belief.at_first >= PLAUSIBLE) & ~np.any(badly, axis=0)).any())


def _by_tables(
    model: BeliefModel, symptom: str, belief: Belief, listed: Mask, ratio: float
) -> list[tuple[tuple[Finding, Finding], str]]:
    leading = int(np.argmax(np.where(listed, belief.at_first, -1.0)))
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
            f"{_named(model.states[best])}; {partner.check} reads {partner.outcome}, which points "
            f"to {_named(model.states[leading])}: one fault does not explain both"
        )
        out.append(((finding, partner), text))
    return out


def _named(state: State) -> str:
    return " with ".join(state.faults)
