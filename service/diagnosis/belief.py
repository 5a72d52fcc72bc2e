"""Exact belief over root causes, alone or two at a time, and their effects.

Checks are independent given the state (`service.diagnosis.states`), so the posterior over states
is prior times likelihoods, and a fault's probability is the sum over its states. An uncertain
finding enters as virtual evidence (Pearl 1988, section 2.2.2), the mixture of its outcomes'
likelihoods. A repair that did not cure moves each state to what it leaves behind; readings taken
before it speak of the state then, later ones of the state now. All in natural logs.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from service.diagnosis.chaining import Weight
from service.diagnosis.findings import Finding
from service.diagnosis.states import BeliefModel, Index, Vector, after_repair
from service.ruleset.model import UNLISTED_FAULT, RuleSet

# Kept apart from zero so that an excluded fault can still be shown, with probability 0.
EXCLUDED = -math.inf


@dataclass(frozen=True, slots=True)
class Belief:
    """The posterior, and how each reading moved it."""

    states: Vector  # (states,) of the equipment as it is now, sums to 1
    posterior: Vector  # (hypotheses,) what is wrong with it now, sums to 1
    likelihoods: tuple[tuple[Finding, Vector], ...]
    # standing findings and P(finding | state at first), (states,)
    steps: tuple[Vector, ...]  # by hypothesis, before the first reading, then after each
    at_first: Vector  # (states,) of the equipment before any repair, sums to 1


@dataclass(frozen=True, slots=True)
class History:
    """The repairs made so far, none of which cured: how they moved each state.

    `stages[n]` is the state after `n` repairs, (states,) each; `log_stays` the log of the chance
    that the complaint stayed through all of them, (states,).
    """

    stages: tuple[Index, ...]
    log_stays: Vector


def history(rule_set: RuleSet, model: BeliefModel, remedies: Sequence[str]) -> History:
    """The history of a case with these repairs, in their order."""
    stages = [np.arange(len(model.states), dtype=np.intp)]
    log_stays = np.zeros(len(model.states))
    for remedy in remedies:
        goes_to, stays = after_repair(rule_set, model, remedy)
        log_stays = log_stays + np.log(stays[stages[-1]])
        stages.append(goes_to[stages[-1]])
    return History(tuple(stages), log_stays)


def normalised(log_weights: Vector) -> Vector:
    """exp(log_weights) scaled to sum to 1 (log-sum-exp)."""
    shifted = np.exp(log_weights - np.max(log_weights))
    out: Vector = shifted / shifted.sum()
    return out


def likelihood(model: BeliefModel, finding: Finding, persists: float) -> Vector:
    """P(finding | state at its time), (states,): the outcomes' rows mixed by the evidence.

    A reading taken again with the same outcome weighs more, but not as much as another check
    would: a share `persists` of what can make it wrong makes it wrong each time.
    """
    once: Vector = model.tables[finding.check] @ np.array(finding.evidence)
    if not finding.repeats:
        return once
    return persists * once + (1.0 - persists) * once ** (1 + finding.repeats)


def believe(
    model: BeliefModel,
    symptom: str,
    findings: Iterable[Finding],
    past: History,
    *,
    persists: float,
    excluded: frozenset[str] = frozenset(),
    weights: Iterable[Weight] = (),
) -> Belief:
    """The exact posterior given the standing findings.

    Excluded faults get probability 0; `unlisted-fault` cannot be excluded, so the rest is never
    empty. A rule's weight multiplies the odds of its fault.
    """
    prior = model.log_prior[symptom] + past.log_stays
    for fault in sorted(excluded - {UNLISTED_FAULT}):
        prior = np.where(model.has_fault[:, model.index(fault)] > 0.0, EXCLUDED, prior)
    for weight in weights:
        prior = prior + math.log(weight.ratio) * model.has_fault[:, model.index(weight.fault)]
    now = past.stages[-1]

    def shown(log_weights: Vector) -> Vector:
        return by_fault(model, moved(normalised(log_weights), now))

    log_weights = prior
    steps = [shown(log_weights)]
    likelihoods: list[tuple[Finding, Vector]] = []
    for finding in findings:
        if finding.superseded or finding.invalid:
            continue
        row = likelihood(model, finding, persists)[past.stages[finding.stage]]
        likelihoods.append((finding, row))
        log_weights = log_weights + np.log(row)
        steps.append(shown(log_weights))
    if likelihoods:
        # Summed in one fixed order at the end, so that the order of readings changes no digit.
        ordered = sorted(likelihoods, key=lambda pair: (pair[0].stage, pair[0].check))
        log_weights = prior + np.sum([np.log(row) for _, row in ordered], axis=0)
    at_first = normalised(log_weights)
    states = moved(at_first, now)
    steps[-1] = by_fault(model, states)
    return Belief(states, steps[-1], tuple(likelihoods), tuple(steps), at_first)


def moved(states: Vector, goes_to: Index) -> Vector:
    """The probabilities of the states that the given ones have gone to, (states,)."""
    out = np.zeros_like(states)
    np.add.at(out, goes_to, states)
    return out


def by_fault(model: BeliefModel, states: Vector) -> Vector:
    """Probability of each hypothesis: (states,) → (hypotheses,), sums to 1.

    Two faults at once count for the one that caused the other, or half for each.
    """
    out: Vector = states @ model.to_fault
    return out


def by_remedy(model: BeliefModel, states: Vector) -> Vector:
    """Probability that each remedy is needed: (states,) → (remedies,); two may be at once."""
    out: Vector = states @ model.needs_remedy
    return out


def pair_probabilities(model: BeliefModel, states: Vector) -> Mapping[tuple[str, str], float]:
    """Probability of each two faults at once."""
    out: dict[tuple[str, str], float] = {}
    for row in np.flatnonzero(states > 0.0):
        faults = model.states[row].faults
        if len(faults) == 2:
            key = (faults[0], faults[1])
            out[key] = out.get(key, 0.0) + float(states[row])
    return out


def plogp(probabilities: Vector) -> Vector:
    """p·log2 p elementwise; 0·log 0 = 0."""
    out: Vector = probabilities * np.log2(np.where(probabilities > 0.0, probabilities, 1.0))
    return out


def expected_information(model: BeliefModel, states: Vector) -> dict[str, float]:
    """Expected drop, in bits, of the entropy over sets of remedies, by check to be carried out.

    de Kleer & Williams 1987, Artificial Intelligence 32: the next measurement of least expected
    entropy.
    """
    joint = np.add.reduceat(states[:, None] * model.outcomes, model.set_starts, axis=0)
    sets = np.add.reduceat(states, model.set_starts)
    # H(set) - H(set | outcome), over (sets, outcomes of all checks)
    by_outcome = plogp(joint).sum(axis=0) - plogp(joint.sum(axis=0))
    gains = np.add.reduceat(by_outcome, model.outcome_starts) - plogp(sets).sum()
    return dict(zip(model.tables, np.maximum(gains, 0.0).tolist(), strict=True))


def information_about(model: BeliefModel, states: Vector, fault: str, check: str) -> float:
    """Expected drop, in bits, of the entropy of whether a fault is there, if `check` is made."""
    there = model.has_fault[:, model.index(fault)]
    with_it = np.stack([there, 1.0 - there]) * states  # (2, states)
    joint = with_it @ model.tables[check]  # (2, outcomes)
    gain = plogp(joint).sum() - plogp(joint.sum(axis=0)).sum() - plogp(joint.sum(axis=1)).sum()
    return max(float(gain), 0.0)


def decibans(before: float, after: float) -> float:
    """Weight of evidence: 10·log10 of the change in odds (Good 1985). Clipped to ±200."""
    tiny = 1e-20
    odds_before = max(before, tiny) / max(1.0 - before, tiny)
    odds_after = max(after, tiny) / max(1.0 - after, tiny)
    return min(max(10.0 * math.log10(odds_after / odds_before), -200.0), 200.0)
