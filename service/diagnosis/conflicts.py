"""Readings that do not fit together, and which of them to take again."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from service.diagnosis.arrays import Mask
from service.diagnosis.belief import Belief, Likelihood, normalised, repeated
from service.diagnosis.chaining import Contradiction
from service.diagnosis.findings import Finding
from service.diagnosis.states import BeliefModel
from service.ruleset.header import Tuning
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
    belief: Belief,
    contradictions: Iterable[Contradiction],
    tuning: Tuning,
) -> tuple[Conflict, ...]:
    """Contradictions that rules declared, then those that the tables show.

    By the tables: no fault that is still plausible, alone or with one that it causes, explains
    every finding, that is, gives each at least `conflict_ratio` times the likelihood which its
    best explanation gives it. A finding that the leading fault explains badly, and the one that
    speaks most against the best explanation of the first, are then in conflict. Two faults that
    meet by chance explain it only once the readings have been taken again. Readings with a repair
    between them cannot be in conflict.
    """
    standing = {finding.check: finding for finding, *_ in belief.likelihoods if finding.stands}
    found: dict[frozenset[str], Conflict] = {}
    for one in contradictions:
        both = tuple(standing[check] for check in one.checks if check in standing)
        if len(both) >= 2:
            found[frozenset(f.check for f in both)] = Conflict(both, one.text)
    first = belief.past.first
    listed = (model.has_fault[:, model.index(UNLISTED_FAULT)] == 0.0)[first]
    by_chance = model.by_chance[first]
    badly = [_badly(model, one, listed, tuning) for one in belief.likelihoods]
    if not _explained(belief, badly, listed & ~by_chance):
        by_two = _explained(belief, badly, listed & by_chance)
        for pair, text in _by_tables(model, belief, badly, listed & ~by_chance):
            conflict = Conflict(pair, text)
            if any(finding.reading.past for finding in pair):
                continue  # a repair lies between them
            if by_two and not conflict.to_repeat():
                continue
            key = frozenset(finding.check for finding in pair)
            if not any(key <= other or other <= key for other in found):
                found[key] = conflict
    return tuple(found.values())


def _badly(model: BeliefModel, one: Likelihood, listed: Mask, tuning: Tuning) -> Mask:
    """Which courses explain a finding badly, (courses,).

    A reading taken again is more likely still under what explains it; the bar rises with it.
    """
    finding, persists = one.finding, model.persists[one.finding.check]
    bar = repeated(np.array(tuning.conflict_ratio), finding.repeats, persists)
    out: Mask = one.row <= float(bar) * one.row[listed].max()
    return out


def _explained(belief: Belief, badly: Sequence[Mask], by: Mask) -> bool:
    """Whether one plausible course among `by` explains every finding."""
    if not badly:
        return True
    return bool((by & (belief.courses >= PLAUSIBLE) & ~np.any(badly, axis=0)).any())


def _by_tables(
    model: BeliefModel, belief: Belief, badly: Sequence[Mask], listed: Mask
) -> list[tuple[tuple[Finding, Finding], str]]:
    leading = int(np.argmax(np.where(listed, belief.courses, -1.0)))
    out = []
    for (finding, _, log), bad in zip(belief.likelihoods, badly, strict=True):
        if not bad[leading]:
            continue
        alone = normalised(belief.log_prior + log)
        best = int(np.argmax(np.where(listed, alone, -1.0)))
        against = [
            (float(other.log[leading] - other.log[best]), other.finding)
            for other in belief.likelihoods
            if other.finding is not finding
        ]
        strength, partner = max(against, key=lambda pair: pair[0], default=(0.0, None))
        if partner is None or strength <= 0.0:
            continue
        text = (
            f"{finding.check} reads {finding.outcome}, which points to "
            f"{_named(model, belief, best)}; {partner.check} reads {partner.outcome}, which points "
            f"to {_named(model, belief, leading)}: one fault does not explain both"
        )
        out.append(((finding, partner), text))
    return out


def _named(model: BeliefModel, belief: Belief, course: int) -> str:
    return " with ".join(model.states[belief.past.first[course]].faults)
