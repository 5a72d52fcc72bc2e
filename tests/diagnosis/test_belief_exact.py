"""The posterior against an exact Bayesian network library, on the same tables.

The oracle builds its own network (a node of faults, a node of conditions below it, a node per
check below both) and infers by lazy propagation; it shares no code with the service's belief.
"""

from __future__ import annotations

import random

import numpy as np
import pyagrum
import pytest

from service.diagnosis.belief import belief_model, believe, expected_information
from service.diagnosis.case import read_case
from service.diagnosis.findings import Finding, find_all
from service.ruleset.model import UNLISTED_FAULT, RuleSet

NONE = "none"


def network(rule_set: RuleSet, symptom: str, checks: list[str]) -> pyagrum.BayesNet:
    """fault → condition, and both → each check; the tables are taken from the rule set itself."""
    faults = [*rule_set.faults, UNLISTED_FAULT]
    conditions = [NONE, *rule_set.conditions]
    tuning = rule_set.tuning
    weights = [
        fault.rate * fault.symptoms.get(symptom, tuning.symptom_floor)
        for fault in rule_set.faults.values()
    ]
    share = tuning.unlisted_share
    prior = [weight / sum(weights) * (1 - share) for weight in weights] + [share]
    net = pyagrum.BayesNet()
    net.add(pyagrum.LabelizedVariable("fault", "", faults))
    net.cpt("fault").fillWith(prior)
    net.add(pyagrum.LabelizedVariable("condition", "", conditions))
    net.addArc("fault", "condition")
    for position, name in enumerate(faults):
        chances = [0.0]
        for condition in rule_set.conditions.values():
            chance = (
                condition.unlisted
                if name == UNLISTED_FAULT
                else rule_set.faults[name].conditions.get(condition.id, 0.0)
            )
            chances.append(chance)
        chances[0] = 1.0 - sum(chances)
        for index, condition in enumerate(rule_set.conditions.values(), start=1):
            chances[index] *= condition.symptom_weights.get(symptom, 1.0)
        fixed = {
            index: condition.given_symptom[symptom]
            for index, condition in enumerate(rule_set.conditions.values(), start=1)
            if symptom in condition.given_symptom
            and chances[index] > 0.0
            and name != UNLISTED_FAULT
            and not rule_set.faults[name].effect
        }
        total = sum(chance for index, chance in enumerate(chances) if index not in fixed)
        left = 1.0 - sum(fixed.values())
        net.cpt("condition")[{"fault": position}] = [
            fixed.get(index, left * chance / total) for index, chance in enumerate(chances)
        ]
    for name in checks:
        check = rule_set.checks[name]
        net.add(pyagrum.LabelizedVariable(name, "", list(check.outcomes)))
        net.addArc("fault", name)
        net.addArc("condition", name)
        blend = (
            tuning.unlisted_component if check.scope == "component" else tuning.unlisted_function
        )
        flat = [(1 - blend) * p + blend / len(check.outcomes) for p in check.default]
        for position, fault in enumerate(faults):
            healthy = flat if fault == UNLISTED_FAULT else list(check.default)
            own = list(check.rows.get(fault, healthy))
            for index, condition in enumerate(conditions):
                row = check.given.get((fault, condition)) or check.given.get((None, condition))
                net.cpt(name)[{"fault": position, "condition": index}] = list(row or own)
    return net


def random_document(rule_set: RuleSet, rng: random.Random) -> dict[str, object]:
    readings: list[dict[str, object]] = []
    for name in rng.sample(sorted(rule_set.checks), rng.randint(1, 9)):
        check = rule_set.checks[name]
        resistive = [m for m in check.measures if m.quantity == "resistance"]
        draw = rng.random()
        if resistive and draw < 0.4:
            # Near a limit half the time, so that findings are soft.
            limit = rng.choice(resistive[0].limits).factor
            readings.append({"check": name, "value": limit * rng.uniform(0.9, 1.1), "unit": "Ohm"})
        elif resistive and draw < 0.55:
            readings.append({"check": name, "over_range": True})
        else:
            readings.append({"check": name, "observed": rng.choice(check.outcomes)})
    return {"symptom": rng.choice(sorted(rule_set.symptoms)), "readings": readings}


@pytest.mark.parametrize("seed", range(60))
def test_posterior_equals_the_network(oven: RuleSet, seed: int) -> None:
    document = random_document(oven, random.Random(seed))
    case = read_case(oven, document)
    findings = find_all(oven, case)
    model = belief_model(oven)
    ours = believe(model, case.symptom, findings).posterior

    inference = pyagrum.LazyPropagation(
        network(oven, case.symptom, [finding.check for finding in findings])
    )
    for finding in findings:
        inference.addEvidence(finding.check, list(finding.evidence))
    inference.makeInference()
    theirs = inference.posterior("fault").toarray()

    assert np.abs(ours - theirs).max() < 1e-9
    assert ours.sum() == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("seed", range(12))
def test_expected_information_equals_the_networks_mutual_information(
    oven: RuleSet, seed: int
) -> None:
    rng = random.Random(1000 + seed)
    document = random_document(oven, rng)
    case = read_case(oven, document)
    findings = find_all(oven, case)
    model = belief_model(oven)
    states = believe(model, case.symptom, findings).states
    answered = {finding.check for finding in findings}
    target = rng.choice([name for name in oven.checks if name not in answered])

    net = network(oven, case.symptom, [*answered, target])
    # A node of remedies below the faults, so that the library itself sums faults into remedies.
    net.add(pyagrum.LabelizedVariable("remedy", "", list(model.remedies)))
    net.addArc("fault", "remedy")
    for position, remedy in enumerate(model.remedy_of):
        row = [0.0] * len(model.remedies)
        row[remedy] = 1.0
        net.cpt("remedy")[{"fault": position}] = row
    inference = pyagrum.LazyPropagation(net)
    for finding in findings:
        inference.addEvidence(finding.check, list(finding.evidence))
    inference.addJointTarget({"remedy", target})
    inference.makeInference()
    joint = inference.jointPosterior({"remedy", target})
    mutual = joint.sumIn([target]).entropy() + joint.sumIn(["remedy"]).entropy() - joint.entropy()
    assert expected_information(model, states, target) == pytest.approx(mutual, abs=1e-9)


def test_superseded_findings_do_not_count(oven: RuleSet) -> None:
    twice = {
        "symptom": "no-heat",
        "readings": [
            {"check": "display", "observed": "dark"},
            {"check": "display", "observed": "lit"},
        ],
    }
    once = {"symptom": "no-heat", "readings": [{"check": "display", "observed": "lit"}]}
    model = belief_model(oven)

    def posterior(document: dict[str, object]) -> np.ndarray:
        case = read_case(oven, document)
        findings: tuple[Finding, ...] = find_all(oven, case)
        return believe(model, case.symptom, findings).posterior

    assert np.array_equal(posterior(twice), posterior(once))
