"""Exact belief over root causes.

One hypothesis is true: a listed fault, no fault present, or a fault that nobody listed. Checks
are independent given the fault, so the posterior is prior times likelihoods; an uncertain
finding enters as virtual evidence (Pearl 1988, section 2.2.2), the mixture of its outcomes'
likelihoods. All in natural logs.
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

# Kept apart from zero so that an excluded fault can still be shown, with probability 0.
EXCLUDED = -math.inf


@dataclass(frozen=True, slots=True)
class BeliefModel:
    """The tables of a rule set as arrays; the same order of hypotheses everywhere."""

    hypotheses: tuple[str, ...]  # every fault, then `unlisted-fault`
    log_prior: Mapping[str, Vector]  # by symptom: (hypotheses,)
    tables: Mapping[str, Vector]  # by check: (hypotheses, outcomes), rows sum to 1
    remedies: tuple[str, ...]
    remedy_of: NDArray[np.intp]  # (hypotheses,) index into `remedies`

    def index(self, hypothesis: str) -> int:
        """The position of a hypothesis."""
        return self.hypotheses.index(hypothesis)


def belief_model(rule_set: RuleSet) -> BeliefModel:
    """Arrays of a rule set: priors P(fault | symptom) and rows P(outcome | fault).

    P(fault | symptom) is proportional to the fault's rate times P(symptom | fault), where a
    symptom that a fault does not name has the rule set's floor. `unlisted-fault` takes a fixed
    share of the whole.
    """
    tuning = rule_set.tuning
    faults = tuple(rule_set.faults)
    hypotheses = (*faults, UNLISTED_FAULT)
    log_prior: dict[str, Vector] = {}
    for symptom in rule_set.symptoms:
        weights = np.array(
            [
                fault.rate * fault.symptoms.get(symptom, tuning.symptom_floor)
                for fault in rule_set.faults.values()
            ]
        )
        listed = (1.0 - tuning.unlisted_share) * weights / weights.sum()
        log_prior[symptom] = np.log(np.append(listed, tuning.unlisted_share))
    tables = {
        check.id: np.array(
            [
                check.row(
                    hypothesis,
                    tuning.unlisted_component
                    if check.scope == "component"
                    else tuning.unlisted_function,
                )
                for hypothesis in hypotheses
            ]
        )
        for check in rule_set.checks.values()
    }
    names = [rule_set.faults[fault].remedy for fault in faults] + [UNLISTED_FAULT]
    remedies = tuple(dict.fromkeys(names))
    return BeliefModel(
        hypotheses=hypotheses,
        log_prior=log_prior,
        tables=tables,
        remedies=remedies,
        remedy_of=np.array([remedies.index(name) for name in names], dtype=np.intp),
    )


@dataclass(frozen=True, slots=True)
class Belief:
    """The posterior, and how each reading moved it."""

    posterior: Vector  # (hypotheses,), sums to 1
    likelihoods: tuple[tuple[Finding, Vector], ...]  # standing findings and P(finding | fault)
    steps: tuple[Vector, ...]  # posterior before the first reading, then after each


def normalised(log_weights: Vector) -> Vector:
    """exp(log_weights) scaled to sum to 1 (log-sum-exp)."""
    shifted = np.exp(log_weights - np.max(log_weights))
    out: Vector = shifted / shifted.sum()
    return out


def likelihood(model: BeliefModel, finding: Finding) -> Vector:
    """P(finding | hypothesis): the outcomes' rows mixed by the finding's evidence."""
    out: Vector = model.tables[finding.check] @ np.array(finding.evidence)
    return out


def believe(
    model: BeliefModel,
    symptom: str,
    findings: Iterable[Finding],
    excluded: frozenset[str] = frozenset(),
    weights: Iterable[Weight] = (),
) -> Belief:
    """The exact posterior over hypotheses given the standing findings.

    Excluded faults get probability 0; `unlisted-fault` cannot be excluded, so the rest is never
    empty. A rule's weight multiplies the odds of its fault.
    """
    log_weights = model.log_prior[symptom].copy()
    for fault in excluded:
        if fault != UNLISTED_FAULT:
            log_weights[model.index(fault)] = EXCLUDED
    for weight in weights:
        log_weights[model.index(weight.fault)] += math.log(weight.ratio)
    steps = [normalised(log_weights)]
    likelihoods: list[tuple[Finding, Vector]] = []
    for finding in findings:
        if finding.superseded:
            continue
        row = likelihood(model, finding)
        likelihoods.append((finding, row))
        log_weights = log_weights + np.log(row)
        steps.append(normalised(log_weights))
    return Belief(steps[-1], tuple(likelihoods), tuple(steps))


def by_remedy(model: BeliefModel, probabilities: Vector) -> Vector:
    """Probability of each remedy being the right one: (..., hypotheses) → (..., remedies)."""
    out: Vector = np.zeros((*probabilities.shape[:-1], len(model.remedies)))
    for position, remedy in enumerate(model.remedy_of):
        out[..., remedy] += probabilities[..., position]
    return out


def entropy(probabilities: Vector) -> Vector:
    """Shannon entropy in bits along the last axis; 0·log 0 = 0."""
    safe = np.where(probabilities > 0.0, probabilities, 1.0)
    out: Vector = -(probabilities * np.log2(safe)).sum(axis=-1)
    return out


def expected_information(model: BeliefModel, posterior: Vector, check: str) -> float:
    """Expected drop, in bits, of the entropy over remedies if `check` is carried out.

    de Kleer & Williams 1987, Artificial Intelligence 32: the next measurement of least expected
    entropy.
    """
    joint = posterior[:, None] * model.tables[check]  # (hypotheses, outcomes)
    outcome = joint.sum(axis=0)
    after = (joint / outcome).T  # (outcomes, hypotheses)
    before = float(entropy(by_remedy(model, posterior)))
    gain = before - float(outcome @ entropy(by_remedy(model, after)))
    return max(gain, 0.0)


def decibans(before: float, after: float) -> float:
    """Weight of evidence: 10·log10 of the change in odds (Good 1985). Clipped to ±200."""
    tiny = 1e-20
    odds_before = max(before, tiny) / max(1.0 - before, tiny)
    odds_after = max(after, tiny) / max(1.0 - after, tiny)
    return min(max(10.0 * math.log10(odds_after / odds_before), -200.0), 200.0)
