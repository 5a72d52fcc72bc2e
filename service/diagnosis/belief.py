"""Exact belief over root causes, alone or two at a time, and their effects.

Checks are independent given the state (`service.diagnosis.states`), so the posterior over states
is prior times likelihoods, and a fault's probability is the sum over its states. An uncertain
finding enters as virtual evidence (Pearl 1988, section 2.2.2), the mixture of its outcomes'
likelihoods. A repair moves each state to what it leaves behind; readings taken before it speak of
the state then, later ones of the state now. All in natural logs.

Cases are believed many at a time: those after the same repairs are one matrix, (cases, courses),
and what their findings say is worked out once for all who have the same one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple
from weakref import WeakKeyDictionary

import numpy as np

from service.diagnosis.arrays import Index, Vector
from service.diagnosis.chaining import Weight
from service.diagnosis.findings import Finding
from service.diagnosis.states import BeliefModel
from service.ruleset.model import UNLISTED_FAULT, RuleSet

# Kept apart from zero so that an excluded fault can still be shown, with probability 0.
EXCLUDED = -math.inf


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """The courses that equipment can have taken through the repairs made so far.

    A course is a state at first and what each repair has made of it. `stages[n]` is the state
    after `n` repairs, (courses,) each; `log_chance` the log of the chance that the course was
    taken from its first state, and that the complaint seemed to stay all along, (courses,).
    Equal to nothing but itself.
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
class Evidence:
    """What a case is believed on.

    Excluded faults, which this equipment cannot have, get probability 0; `unlisted-fault` keeps
    its share of the rest and cannot be excluded. A rule's weight multiplies the odds of its fault.
    """

    symptom: str
    findings: Sequence[Finding]
    past: History
    excluded: frozenset[str] = frozenset()
    weights: Sequence[Weight] = ()


class Likelihood(NamedTuple):
    """What a standing finding says: P(finding | course) and its log, (courses,) each."""

    finding: Finding
    row: Vector
    log: Vector


@dataclass(frozen=True, slots=True)
class Belief:
    """The posterior, and what has moved it."""

    states: Vector  # (states,) of the equipment as it is now, sums to 1
    posterior: Vector  # (hypotheses,) what is wrong with it now, sums to 1
    likelihoods: tuple[Likelihood, ...]  # of the standing findings, in their order
    past: History
    log_prior: Vector  # (courses,) before any reading, not normalised
    courses: Vector  # (courses,) sums to 1


def history(
    rule_set: RuleSet, model: BeliefModel, symptom: str, remedies: Sequence[str]
) -> History:
    """The history of a case with these repairs, in their order.

    Where a repair takes a fault away, the complaint can seem to stay for three reasons: the new
    part or the work is faulty, and nothing has changed; another fault is left that was complained
    of or brings the same complaint; or it has gone, and that was overlooked.
    """
    tuning = rule_set.tuning
    stages = [np.arange(len(model.states), dtype=np.intp)]
    log_chance = np.zeros(len(model.states))
    first_left, second_left = model.stays[symptom]
    for remedy in remedies:
        repair, now = model.repairs[remedy], stages[-1]
        then = repair.goes_to[now]
        stays = np.where(model.first[then] == model.first[now], first_left[now], second_left[now])
        stays = np.where(repair.cures[now], 0.0, stays)
        stays += (1.0 - stays) * tuning.cure_overlooked
        stayed = log_chance + np.where(repair.takes[now], np.log(stays), 0.0)
        sources, targets, shares = repair.branches
        course, branch = _meeting(now, sources)
        bad_work = np.flatnonzero(repair.takes[now])
        stages = [np.concatenate([one, one[course], one[bad_work]]) for one in stages]
        stages.append(np.concatenate([then, targets[branch], now[bad_work]]))
        failed = log_chance[bad_work] + math.log(tuning.new_part_faulty)
        branched = stayed[course] + shares[branch]
        log_chance = np.concatenate([stayed + repair.log_share[now], branched, failed])
    return History(tuple(stages), log_chance)


def _meeting(now: Index, sources: Index) -> tuple[Index, Index]:
    """Which courses are in a state that branches, and along which branch: (meetings,) each."""
    order = np.argsort(now, kind="stable")
    ordered = now[order]
    begins = np.searchsorted(ordered, sources, side="left")
    many = np.searchsorted(ordered, sources, side="right") - begins
    branch = np.repeat(np.arange(len(sources), dtype=np.intp), many)
    within = np.arange(len(branch)) - np.repeat(np.cumsum(many) - many, many)
    return order[begins[branch] + within], branch


def normalised(log_weights: Vector) -> Vector:
    """exp(log_weights) scaled to sum to 1 along the last axis (log-sum-exp)."""
    out: Vector = log_weights - log_weights.max(axis=-1, keepdims=True)
    np.exp(out, out=out)
    out /= out.sum(axis=-1, keepdims=True)
    return out


def once(model: BeliefModel, finding: Finding) -> Vector:
    """P(finding | state at its time), (states,), of one reading: its outcomes' mixed by the
    evidence."""
    table, evidence = model.tables[finding.check], finding.evidence
    # Most readings are clearly one outcome.
    out: Vector = table[:, evidence.index(1.0)] if 1.0 in evidence else table @ np.array(evidence)
    return out


def likelihood(model: BeliefModel, finding: Finding) -> tuple[Vector, Vector]:
    """P(finding | state at its time) and its log, (states,) each.

    A reading taken again with the same outcome weighs more, but not as much as another check
    would: a share `model.persists` of what can make it wrong makes it wrong each time.
    """
    row = once(model, finding)
    if 1.0 in finding.evidence and not finding.repeats:
        return row, model.log_tables[finding.check][finding.evidence.index(1.0)]
    row = repeated(row, finding.repeats, model.persists[finding.check])
    return row, np.log(row)


def repeated(row: Vector, repeats: int, persists: float) -> Vector:
    """The likelihood of a reading that was taken `repeats` times more with the same outcome."""
    if not repeats:
        return row
    return persists * row + (1.0 - persists) * row ** (1 + repeats)


def believe(model: BeliefModel, cases: Sequence[Evidence]) -> list[Belief]:
    """The exact posterior of each case given its standing findings.

    A case comes out the same, to the last digit, whatever other cases are there.
    """
    out: dict[int, Belief] = {}
    by_past: dict[History, list[int]] = {}
    for number, one in enumerate(cases):
        by_past.setdefault(one.past, []).append(number)
    for past, numbers in by_past.items():
        together = _after(model, past, [cases[number] for number in numbers])
        out.update(zip(numbers, together, strict=True))
    return [out[number] for number in range(len(cases))]


def _after(model: BeliefModel, past: History, cases: Sequence[Evidence]) -> list[Belief]:
    """The beliefs of cases that have the same history."""
    said: dict[tuple[object, ...], tuple[Vector, Vector]] = {}

    def says(finding: Finding) -> Likelihood:
        key = (finding.stage, finding.check, finding.evidence, finding.repeats)
        if key not in said:
            row, log = likelihood(model, finding)
            if len(past.stages) > 1:
                then = past.stages[finding.stage]
                row, log = row[then], log[then]
            said[key] = row, log
        return Likelihood(finding, *said[key])

    standing = [
        tuple(
            says(finding) for finding in one.findings if not (finding.superseded or finding.invalid)
        )
        for one in cases
    ]
    log_priors = np.stack([_before(model, one, past) for one in cases])  # (cases, courses)
    log_weights = log_priors.copy()
    for sum_, likelihoods in zip(log_weights, standing, strict=True):
        # The product of two matrices, of which one says who has which finding and is all but
        # empty. Summed in one fixed order, so that the order of readings changes no digit.
        for one in sorted(likelihoods, key=lambda one: (one.finding.stage, one.finding.check)):
            sum_ += one.log
    courses = normalised(log_weights)
    beliefs = []
    for likelihoods, log_prior, course in zip(standing, log_priors, courses, strict=True):
        states = moved(model, course, past)
        posterior = by_fault(model, states)
        beliefs.append(Belief(states, posterior, likelihoods, past, log_prior, course))
    return beliefs


def _before(model: BeliefModel, case: Evidence, past: History) -> Vector:
    """The log of the prior, (courses,), not normalised."""
    by_state = _prior(model, case.symptom, case.excluded)
    for weight in case.weights:
        by_state = by_state + math.log(weight.ratio) * model.has_fault[:, model.index(weight.fault)]
    if len(past.stages) == 1:
        return by_state
    out: Vector = by_state[past.first] + past.log_chance
    return out


def steps(model: BeliefModel, belief: Belief) -> list[Vector]:
    """The probability of each hypothesis before the first reading and after each, (hypotheses,)."""
    past, log_weights = belief.past, belief.log_prior
    out = []
    for one in belief.likelihoods:
        out.append(by_fault(model, moved(model, normalised(log_weights), past)))
        log_weights = log_weights + one.log
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
    out: Vector = np.add.reduceat(states, model.set_starts) @ model.set_needs
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
