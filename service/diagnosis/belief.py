"""Exact belief over root causes and their effects.

One hypothesis is true: a listed fault, no fault present, or a fault that nobody listed. A fault
may have left the equipment in one of a few conditions (its main fuse blown, say), which many
checks feel alike; a fault together with its condition is a state. Checks are independent given
the state, so the posterior over states is prior times likelihoods, and a fault's probability is
the sum over its states. An uncertain finding enters as virtual evidence (Pearl 1988, section
2.2.2), the mixture of its outcomes' likelihoods. All in natural logs.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.diagnosis.chaining import Weight
from service.diagnosis.findings import Finding
from service.ruleset.model import UNLISTED_FAULT, RuleSet

Vector = NDArray[np.float64]
Index = NDArray[np.intp]

# Kept apart from zero so that an excluded fault can still be shown, with probability 0.
EXCLUDED = -math.inf


@dataclass(frozen=True, slots=True)
class BeliefModel:
    """The tables of a rule set as arrays; the same order of states everywhere."""

    hypotheses: tuple[str, ...]  # every fault, then `unlisted-fault`
    states: tuple[tuple[str, str | None], ...]  # (hypothesis, condition)
    fault_of: Index  # (states,) index into `hypotheses`
    log_prior: Mapping[str, Vector]  # by symptom: (states,)
    tables: Mapping[str, Vector]  # by check: (states, outcomes), rows sum to 1
    remedies: tuple[str, ...]
    remedy_of: Index  # (hypotheses,) index into `remedies`
    to_fault: Vector  # (states, hypotheses) of 0 and 1
    to_remedy: Vector  # (states, remedies) of 0 and 1

    def index(self, hypothesis: str) -> int:
        """The position of a hypothesis."""
        return self.hypotheses.index(hypothesis)


def belief_model(rule_set: RuleSet) -> BeliefModel:
    """Arrays of a rule set: priors P(fault, condition | symptom) and rows P(outcome | state).

    P(fault | symptom) is proportional to the fault's rate times P(symptom | fault), where a
    symptom that a fault does not name has the rule set's floor. `unlisted-fault` takes a fixed
    share of the whole. P(condition | fault, symptom) is proportional to P(condition | fault) times
    the condition's weight for the symptom, unless the complaint fixes it.
    """
    tuning = rule_set.tuning
    hypotheses = (*rule_set.faults, UNLISTED_FAULT)
    shares = {name: _conditions(rule_set, name) for name in hypotheses}
    states = tuple((name, condition) for name in hypotheses for condition in shares[name])
    log_prior: dict[str, Vector] = {}
    for symptom in rule_set.symptoms:
        weights = {
            fault.id: fault.rate * fault.symptoms.get(symptom, tuning.symptom_floor)
            for fault in rule_set.faults.values()
        }
        listed = (1.0 - tuning.unlisted_share) / math.fsum(weights.values())
        prior = {name: listed * weight for name, weight in weights.items()}
        prior[UNLISTED_FAULT] = tuning.unlisted_share
        chances = {name: _given(rule_set, name, shares[name], symptom) for name in hypotheses}
        log_prior[symptom] = np.log([prior[name] * chances[name][cond] for name, cond in states])
    tables = {
        check.id: np.array(
            [
                check.row(
                    name,
                    condition,
                    tuning.unlisted_component
                    if check.scope == "component"
                    else tuning.unlisted_function,
                )
                for name, condition in states
            ]
        )
        for check in rule_set.checks.values()
    }
    names = [*(fault.remedy for fault in rule_set.faults.values()), UNLISTED_FAULT]
    remedies = tuple(dict.fromkeys(names))
    fault_of = np.array([hypotheses.index(name) for name, _ in states], dtype=np.intp)
    remedy_of = np.array([remedies.index(name) for name in names], dtype=np.intp)
    return BeliefModel(
        hypotheses=hypotheses,
        states=states,
        fault_of=fault_of,
        log_prior=log_prior,
        tables=tables,
        remedies=remedies,
        remedy_of=remedy_of,
        to_fault=np.eye(len(hypotheses))[fault_of],
        to_remedy=np.eye(len(remedies))[remedy_of[fault_of]],
    )


def _conditions(rule_set: RuleSet, name: str) -> dict[str | None, float]:
    """P(condition | fault), the chance of none of them first; those without a chance left out."""
    if name == UNLISTED_FAULT:
        given = {one.id: one.unlisted for one in rule_set.conditions.values()}
    else:
        given = dict(rule_set.faults[name].conditions)
    out: dict[str | None, float] = {None: 1.0 - math.fsum(given.values())}
    out.update(given)
    return {condition: share for condition, share in out.items() if share > 0.0}


def _given(
    rule_set: RuleSet, name: str, shares: Mapping[str | None, float], symptom: str
) -> dict[str | None, float]:
    """P(condition | fault, symptom): the shares weighed, or fixed where the complaint fixes one.

    Nothing is fixed for an effect, which is the condition itself, nor for the unlisted fault.
    """
    fault = rule_set.faults.get(name)
    brings_about = fault is not None and not fault.effect
    fixed: dict[str | None, float] = {}
    weighed: dict[str | None, float] = {}
    for condition, share in shares.items():
        one = rule_set.conditions.get(condition or "")
        if brings_about and one is not None and symptom in one.given_symptom:
            fixed[condition] = one.given_symptom[symptom]
        else:
            weighed[condition] = share * (
                one.symptom_weights.get(symptom, 1.0) if one is not None else 1.0
            )
    rest = (1.0 - math.fsum(fixed.values())) / math.fsum(weighed.values())
    return fixed | {condition: rest * weight for condition, weight in weighed.items()}


@dataclass(frozen=True, slots=True)
class Belief:
    """The posterior, and how each reading moved it."""

    states: Vector  # (states,), sums to 1
    posterior: Vector  # (hypotheses,), sums to 1
    likelihoods: tuple[tuple[Finding, Vector], ...]  # standing findings and P(finding | state)
    steps: tuple[Vector, ...]  # by hypothesis, before the first reading, then after each


def normalised(log_weights: Vector) -> Vector:
    """exp(log_weights) scaled to sum to 1 (log-sum-exp)."""
    shifted = np.exp(log_weights - np.max(log_weights))
    out: Vector = shifted / shifted.sum()
    return out


def likelihood(model: BeliefModel, finding: Finding) -> Vector:
    """P(finding | state): the outcomes' rows mixed by the finding's evidence."""
    out: Vector = model.tables[finding.check] @ np.array(finding.evidence)
    return out


def believe(
    model: BeliefModel,
    symptom: str,
    findings: Iterable[Finding],
    excluded: frozenset[str] = frozenset(),
    weights: Iterable[Weight] = (),
) -> Belief:
    """The exact posterior given the standing findings.

    Excluded faults get probability 0; `unlisted-fault` cannot be excluded, so the rest is never
    empty. A rule's weight multiplies the odds of its fault.
    """
    log_weights = model.log_prior[symptom].copy()
    for fault in excluded:
        if fault != UNLISTED_FAULT:
            log_weights[model.fault_of == model.index(fault)] = EXCLUDED
    for weight in weights:
        log_weights[model.fault_of == model.index(weight.fault)] += math.log(weight.ratio)
    prior = log_weights
    states = normalised(prior)
    steps = [by_fault(model, states)]
    likelihoods: list[tuple[Finding, Vector]] = []
    for finding in findings:
        if finding.superseded:
            continue
        row = likelihood(model, finding)
        likelihoods.append((finding, row))
        log_weights = log_weights + np.log(row)
        states = normalised(log_weights)
        steps.append(by_fault(model, states))
    if likelihoods:
        # Summed in one fixed order at the end, so that the order of readings changes no digit.
        ordered = sorted(likelihoods, key=lambda pair: pair[0].check)
        states = normalised(prior + np.sum([np.log(row) for _, row in ordered], axis=0))
        steps[-1] = by_fault(model, states)
    return Belief(states, steps[-1], tuple(likelihoods), tuple(steps))


def by_fault(model: BeliefModel, states: Vector) -> Vector:
    """Probability of each hypothesis: (..., states) → (..., hypotheses)."""
    out: Vector = states @ model.to_fault
    return out


def by_remedy(model: BeliefModel, states: Vector) -> Vector:
    """Probability of each remedy being the right one: (..., states) → (..., remedies)."""
    out: Vector = states @ model.to_remedy
    return out


def entropy(probabilities: Vector) -> Vector:
    """Shannon entropy in bits along the last axis; 0·log 0 = 0."""
    safe = np.where(probabilities > 0.0, probabilities, 1.0)
    out: Vector = -(probabilities * np.log2(safe)).sum(axis=-1)
    return out


def expected_information(model: BeliefModel, states: Vector, check: str) -> float:
    """Expected drop, in bits, of the entropy over remedies if `check` is carried out.

    de Kleer & Williams 1987, Artificial Intelligence 32: the next measurement of least expected
    entropy.
    """
    joint = states[:, None] * model.tables[check]  # (states, outcomes)
    outcome = joint.sum(axis=0)
    after = (joint / outcome).T  # (outcomes, states)
    before = float(entropy(by_remedy(model, states)))
    gain = before - float(outcome @ entropy(by_remedy(model, after)))
    return max(gain, 0.0)


def decibans(before: float, after: float) -> float:
    """Weight of evidence: 10·log10 of the change in odds (Good 1985). Clipped to ±200."""
    tiny = 1e-20
    odds_before = max(before, tiny) / max(1.0 - before, tiny)
    odds_after = max(after, tiny) / max(1.0 - after, tiny)
    return min(max(10.0 * math.log10(odds_after / odds_before), -200.0), 200.0)
