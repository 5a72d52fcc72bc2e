"""Exact belief over root causes, alone or two at a time, and their effects.

Checks are independent given the state (`service.diagnosis.states`), so the posterior over states
is prior times likelihoods, and a fault's probability is the sum over its states. An uncertain
finding enters as virtual evidence (Pearl 1988, section 2.2.2), the mixture of its outcomes'
likelihoods. A repair moves each state to what it leaves behind; readings taken before it speak of
the state then, later ones of the state now. All in natural logs.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np

from service.diagnosis.arrays import Index, Vector
from service.diagnosis.chaining import Weight
from service.diagnosis.findings import Finding
from service.diagnosis.states import BeliefModel
from service.ruleset.model import UNLISTED_FAULT, RuleSet

# Kept apart from zero so that an excluded fault can still be shown, with probability 0.
EXCLUDED = -math.inf


@dataclass(frozen=True, slots=True)
class History:
    """The courses that equipment can have taken through the repairs made so far.

    A course is a state at first and what each repair has made of it. `stages[n]` is the state
    after `n` repairs, (courses,) each; `log_chance` the log of the chance that the course was
    taken from its first state, and that the complaint seemed to stay all along, (courses,).
    """

    stages: tuple[Index, ...]
    log_chance: Vector

    @property
    def first(self) -> Index:
        """The state before any repair, (courses,)."""
        return self.stages[0]

    @property
    def now(self) -> Index:
        """The state that the equipment is in, (courses,)."""
        return self.stages[-1]


@dataclass(frozen=True, slots=True)
class Belief:
    """The posterior, and what has moved it."""

    states: Vector  # (states,) of the equipment as it is now, sums to 1
    posterior: Vector  # (hypotheses,) what is wrong with it now, sums to 1
    likelihoods: tuple[tuple[Finding, Vector], ...]
    # standing findings and P(finding | course), (courses,)
    past: History
    log_prior: Vector  # (courses,) before any reading, not normalised
    courses: Vector  # (courses,) sums to 1


def history(rule_set: RuleSet, model: BeliefModel, remedies: Sequence[str]) -> History:
    """The history of a case with these repairs, in their order.

    Where a repair cures, the complaint can seem to stay for two reasons: the new part or the work
    is faulty, and nothing has changed; or the cure was overlooked, and nothing is wrong any more.
    """
    tuning = rule_set.tuning
    stages = [np.arange(len(model.states), dtype=np.intp)]
    log_chance = np.zeros(len(model.states))
    for remedy in remedies:
        goes_to, cures = model.repairs[remedy]
        now = stages[-1]
        stayed = np.where(cures[now], math.log(tuning.cure_overlooked), 0.0)
        bad_work = np.flatnonzero(cures[now])
        stages = [np.concatenate([one, one[bad_work]]) for one in stages]
        stages.append(np.concatenate([goes_to[now], now[bad_work]]))
        failed = log_chance[bad_work] + math.log(tuning.new_part_faulty)
        log_chance = np.concatenate([log_chance + stayed, failed])
    return History(tuple(stages), log_chance)


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
    return repeated(once, finding.repeats, persists)


def repeated(once: Vector, repeats: int, persists: float) -> Vector:
    """The likelihood of a reading that was taken `repeats` times more with the same outcome."""
    if not repeats:
        return once
    return persists * once + (1.0 - persists) * once ** (1 + repeats)


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

    Excluded faults, which this equipment cannot have, get probability 0; `unlisted-fault` keeps
    its share of the rest and cannot be excluded. A rule's weight multiplies the odds of its fault.
    """
    by_state = _prior(model, symptom, excluded)
    for weight in weights:
        by_state = by_state + math.log(weight.ratio) * model.has_fault[:, model.index(weight.fault)]
    prior = by_state[past.first] + past.log_chance

    likelihoods: list[tuple[Finding, Vector]] = []
    for finding in findings:
        if finding.superseded or finding.invalid:
            continue
        row = likelihood(model, finding, persists)[past.stages[finding.stage]]
        likelihoods.append((finding, row))
    log_weights = prior
    if likelihoods:
        # Summed in one fixed order at the end, so that the order of readings changes no digit.
        ordered = sorted(likelihoods, key=lambda pair: (pair[0].stage, pair[0].check))
        log_weights = prior + np.sum([np.log(row) for _, row in ordered], axis=0)
    courses = normalised(log_weights)
    states = moved(model, courses, past)
    return Belief(states, by_fault(model, states), tuple(likelihoods), past, prior, courses)


def steps(model: BeliefModel, belief: Belief) -> list[Vector]:
    """The probability of each hypothesis before the first reading and after each, (hypotheses,)."""
    past, log_weights = belief.past, belief.log_prior
    out = []
    for _, row in belief.likelihoods:
        out.append(by_fault(model, moved(model, normalised(log_weights), past)))
        log_weights = log_weights + np.log(row)
    return [*out, belief.posterior]


# For as long as the model is there; of each, so many priors.
_priors: WeakKeyDictionary[BeliefModel, dict[tuple[str, frozenset[str]], Vector]]
_priors = WeakKeyDictionary()
_MOST_PRIORS = 256


def _prior(model: BeliefModel, symptom: str, excluded: frozenset[str]) -> Vector:
    """The log prior, (states,), without faults that this equipment cannot have. Kept: not to be
    changed."""
    known = _priors.setdefault(model, {})
    found = known.get((symptom, excluded))
    if found is None:
        if len(known) >= _MOST_PRIORS:
            known.clear()
        found = known[symptom, excluded] = _excluding(model, model.log_prior[symptom], excluded)
    return found


def _excluding(model: BeliefModel, log_prior: Vector, excluded: frozenset[str]) -> Vector:
    """The log prior, (states,), without faults that this equipment cannot have."""
    if not excluded - {UNLISTED_FAULT}:
        return log_prior
    positions = [model.index(fault) for fault in sorted(excluded - {UNLISTED_FAULT})]
    prior = np.where(model.has_fault[:, positions].any(axis=1), EXCLUDED, log_prior)
    listed = model.has_fault[:, model.index(UNLISTED_FAULT)] == 0.0
    left = np.exp(prior[listed]).sum()
    if left > 0.0:
        prior[listed] += math.log(np.exp(log_prior[listed]).sum() / left)
    return prior


def moved(model: BeliefModel, courses: Vector, past: History) -> Vector:
    """The probabilities of the states that courses have gone to: (courses,) → (states,)."""
    if len(past.stages) == 1:  # nothing has moved them
        return courses
    out = np.bincount(past.now, weights=courses, minlength=len(model.states))
    return out.astype(np.float64)


def by_fault(model: BeliefModel, states: Vector) -> Vector:
    """Probability of each hypothesis: (states,) → (hypotheses,), sums to 1.

    Two faults at once count for the one that caused the other, or half for each.
    """
    caused = np.where(model.by_chance, 0.5 * states, states)
    return _by_fault(model, caused, np.where(model.by_chance, caused, 0.0))


def there(model: BeliefModel, states: Vector) -> Vector:
    """Probability that each hypothesis is there, alone or not: (states,) → (hypotheses,)."""
    return _by_fault(model, states, states)


def _by_fault(model: BeliefModel, first: Vector, second: Vector) -> Vector:
    """What states have for the first of their faults and for the second, (states,) each, summed."""
    many = len(model.hypotheses)
    out = np.bincount(model.first, first, many)
    return (out + np.bincount(model.second, second, many + 1)[:many]).astype(np.float64)


def by_remedy(model: BeliefModel, states: Vector) -> Vector:
    """Probability that each remedy is needed: (states,) → (remedies,); two may be at once."""
    out: Vector = states @ model.needs_remedy
    return out


def pair_probabilities(
    model: BeliefModel, states: Vector, least: float = 0.0
) -> Mapping[tuple[str, str], float]:
    """Probability of each two faults at once, where it is more than `least`."""
    chances = np.add.reduceat(states, model.faults_starts)
    out: dict[tuple[str, str], float] = {}
    for group in np.flatnonzero(chances > least):
        faults = model.states[model.faults_starts[group]].faults
        if len(faults) == 2:
            out[faults[0], faults[1]] = float(chances[group])
    return out


def decibans(before: float, after: float) -> float:
    """Weight of evidence: 10·log10 of the change in odds (Good 1985). Clipped to ±200."""
    tiny = 1e-20
    odds_before = max(before, tiny) / max(1.0 - before, tiny)
    odds_after = max(after, tiny) / max(1.0 - after, tiny)
    return min(max(10.0 * math.log10(odds_after / odds_before), -200.0), 200.0)
