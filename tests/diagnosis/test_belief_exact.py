"""The posterior against an exact Bayesian network library, on the same rule set.

The oracle has its own list of faults and pairs, its own priors and rows; the library infers.
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pyagrum
import pytest

from service.diagnosis.belief import (
    Belief,
    Evidence,
    believe,
    history,
    pair_probabilities,
)
from service.diagnosis.case import read_case
from service.diagnosis.chaining import Weight
from service.diagnosis.findings import find_all
from service.diagnosis.information import expected_information
from service.diagnosis.states import BeliefModel, belief_model
from service.ruleset.model import UNLISTED_FAULT, RuleSet
from tests.diagnosis.documents import drawn, seen
from tests.diagnosis.oracle import Group, Oracle, Seen, State


@pytest.fixture(scope="module")
def model(oven: RuleSet) -> BeliefModel:
    return belief_model(oven)


def ours(rule_set: RuleSet, model: BeliefModel, document: dict[str, Any], **more: Any) -> Belief:
    case = read_case(rule_set, document)
    past = history(rule_set, model, case.symptom, case.repairs)
    evidence = Evidence(case.symptom, find_all(rule_set, case), past, **more)
    return believe(model, [evidence])[0]


def add(net: pyagrum.BayesNet, name: str, size: int, parents: Sequence[str], table: Any) -> None:
    """A node below `parents`; its table has an axis for each of them, then its own."""
    net.add(pyagrum.RangeVariable(name, "", 0, size - 1))
    for parent in parents:
        net.addArc(parent, name)
    if parents:
        cpt = net.cpt(name)
        # The library keeps the axes in its own order.
        axes = [[*parents, name].index(axis) for axis in reversed(cpt.names)]
        cpt[:] = np.ascontiguousarray(np.transpose(np.asarray(table), axes))
    else:
        net.cpt(name).fillWith([float(p) for p in table])


class Network:
    """What may be wrong as nodes, each check a node below them, and readings as evidence."""

    def __init__(self, oracle: Oracle, above: Sequence[str]) -> None:
        self.oracle = oracle
        self.net = pyagrum.BayesNet()
        self.above = list(above)
        self.tables: dict[str, np.ndarray] = {}
        self.evidence: dict[str, list[float]] = {}

    def states(self) -> np.ndarray:
        """The states by the nodes above the checks; None where there is none."""
        raise NotImplementedError

    def read(self, one: Seen) -> None:
        """A check with its reading. One that was read before has a node for each time.

        `slip` is whether what makes it wrong makes it wrong each time: then nothing more is
        learnt from the other times, else each is as good as the first.
        """
        outcomes = self.oracle.rule_set.checks[one.check].outcomes
        table = self.table(one.check)
        add(self.net, one.check, len(outcomes), self.above, table)
        self.evidence[one.check] = list(one.evidence)
        if not one.before:
            return
        persists = self.oracle.rule_set.checks[one.check].persists
        slip = f"slip:{one.check}"
        add(self.net, slip, 2, [], [1 - persists, persists])
        for time in range(one.before):
            again, fits = f"again-{time}:{one.check}", f"fits-{time}:{one.check}"
            add(self.net, again, len(outcomes), self.above, table)
            rows = [[[1 - p, p], [0.0, 1.0]] for p in one.evidence]
            add(self.net, fits, 2, [again, slip], rows)
            self.evidence[fits] = [0.0, 1.0]

    def table(self, check: str) -> np.ndarray:
        """P(outcome | the nodes above); where nothing can be, any row does."""
        if check not in self.tables:
            width = len(self.oracle.rule_set.checks[check].outcomes)
            states = self.states()
            out = np.full((*states.shape, width), 1 / width)
            for place in np.ndindex(states.shape):
                state: Any = states[place]
                if state is not None:
                    out[place] = self.oracle.row(check, state)
            self.tables[check] = out
        return self.tables[check]

    def inference(self) -> pyagrum.LazyPropagation:
        out = pyagrum.LazyPropagation(self.net)
        for name, chances in self.evidence.items():
            out.addEvidence(name, chances)
        return out


class ByGroup(Network):
    """A node of faults and pairs, and a node of conditions below it."""

    def __init__(self, oracle: Oracle) -> None:
        super().__init__(oracle, ["faults", "condition"])

    def begin(self, symptom: str) -> None:
        self.net, self.evidence = pyagrum.BayesNet(), {}
        prior = self.oracle.group_prior(symptom)
        groups, conditions = self.oracle.groups, self.oracle.conditions
        add(self.net, "faults", len(groups), [], [prior[group] for group in groups])
        chances = [self.oracle.condition_chances(group, symptom) for group in groups]
        rows = [[one[condition] for condition in conditions] for one in chances]
        add(self.net, "condition", len(conditions), ["faults"], rows)

    def states(self) -> np.ndarray:
        groups, conditions = self.oracle.groups, self.oracle.conditions
        out = np.empty((len(groups), len(conditions)), dtype=object)
        for place in np.ndindex(out.shape):
            out[place] = (groups[place[0]], conditions[place[1]])
        return out

    def posterior(self) -> dict[Group, float]:
        inference = self.inference()
        inference.makeInference()
        found = inference.posterior("faults").toarray()
        return dict(zip(self.oracle.groups, found.tolist(), strict=True))


class BySet(Network):
    """A node of sets of remedies, and below it a node of the states that want such a set."""

    def __init__(self, oracle: Oracle, symptom: str) -> None:
        super().__init__(oracle, ["set", "member"])
        members: dict[frozenset[str], list[State]] = {}
        prior = oracle.prior(symptom)
        for state in prior:
            members.setdefault(oracle.remedies(state[0]), []).append(state)
        self.members = list(members.values())
        self.most = max(len(one) for one in self.members)
        sets = [sum(prior[state] for state in one) for one in self.members]
        rows = np.zeros((len(sets), self.most))
        for place, states in enumerate(self.members):
            rows[place, : len(states)] = [prior[state] / sets[place] for state in states]
        add(self.net, "set", len(sets), [], sets)
        add(self.net, "member", self.most, ["set"], rows)

    def states(self) -> np.ndarray:
        out = np.full((len(self.members), self.most), None, dtype=object)
        for row, states in enumerate(self.members):
            for column, state in enumerate(states):
                out[row, column] = state
        return out


@pytest.fixture(scope="module")
def network(oracle: Oracle) -> ByGroup:
    return ByGroup(oracle)


def agree(oracle: Oracle, model: BeliefModel, found: Belief, groups: Mapping[Group, float]) -> None:
    """The belief and the network say the same of each fault and of each pair."""
    wanted = oracle.by_fault(groups)
    assert list(model.hypotheses) == list(wanted)
    assert np.abs(found.posterior - list(wanted.values())).max() < 1e-9
    pairs = pair_probabilities(model, found.states)
    told = {group: chance for group, chance in groups.items() if len(group) == 2}
    assert pairs.keys() <= told.keys()
    assert max(abs(chance - pairs.get(pair, 0.0)) for pair, chance in told.items()) < 1e-9
    assert found.posterior.sum() == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("seed", range(8))
def test_posterior_equals_the_network(
    oven: RuleSet, oracle: Oracle, model: BeliefModel, network: ByGroup, seed: int
) -> None:
    document = drawn(oven, random.Random(seed))
    network.begin(document["symptom"])
    for one in seen(oven, document):
        network.read(one)
    agree(oracle, model, ours(oven, model, document), network.posterior())


def test_the_drawn_documents_are_soft_and_repeated_and_leave_pairs_in_doubt(
    oven: RuleSet, model: BeliefModel
) -> None:
    documents = [drawn(oven, random.Random(seed)) for seed in range(60)]
    read = [one for document in documents for one in seen(oven, document)]
    assert sum(0.01 < max(one.evidence) < 0.99 for one in read) >= 10
    assert sum(one.before == 1 for one in read) >= 20
    assert sum(one.before >= 2 for one in read) >= 10
    in_pairs = [
        sum(pair_probabilities(model, ours(oven, model, document).states).values())
        for document in documents
    ]
    assert sum(chance > 0.3 for chance in in_pairs) >= 5


@pytest.mark.parametrize("seed", range(8))
def test_what_rules_exclude_and_weigh_equals_evidence_on_the_faults(
    oven: RuleSet, oracle: Oracle, model: BeliefModel, network: ByGroup, seed: int
) -> None:
    rng = random.Random(3000 + seed)
    document = drawn(oven, rng)
    out = frozenset(rng.sample(sorted(oven.faults), 5))
    names = [*rng.sample(sorted(oven.faults.keys() - out), 3), UNLISTED_FAULT]
    weights = [Weight("any-rule", name, rng.uniform(0.1, 10.0)) for name in names]
    network.begin(document["symptom"])
    for one in seen(oven, document):
        network.read(one)
    before = oracle.group_prior(document["symptom"])
    left = oracle.without(before, out)
    evidence = [left.get(group, 0.0) / before[group] for group in oracle.groups]
    for weight in weights:
        for place, group in enumerate(oracle.groups):
            evidence[place] *= weight.ratio if weight.fault in group else 1.0
    network.evidence["faults"] = evidence
    found = ours(oven, model, document, excluded=out, weights=weights)
    agree(oracle, model, found, network.posterior())


@pytest.mark.parametrize("seed", range(12))
def test_expected_information_equals_the_networks_mutual_information(
    oven: RuleSet, oracle: Oracle, model: BeliefModel, seed: int
) -> None:
    rng = random.Random(1000 + seed)
    document = drawn(oven, rng)
    read = seen(oven, document)
    told = expected_information(model, ours(oven, model, document).states)
    assert list(told) == list(oven.checks)
    targets = rng.sample(sorted(oven.checks.keys() - {one.check for one in read}), 2)

    network = BySet(oracle, document["symptom"])
    for one in read:
        network.read(one)
    for target in targets:
        width = len(oven.checks[target].outcomes)
        add(network.net, target, width, network.above, network.table(target))
    inference = network.inference()
    for target in targets:
        inference.addJointTarget({"set", target})
    inference.makeInference()
    for target in targets:
        joint = inference.jointPosterior({"set", target})
        apart = joint.sumIn([target]).entropy() + joint.sumIn(["set"]).entropy()
        assert told[target] == pytest.approx(apart - joint.entropy(), abs=1e-9)


def test_superseded_findings_do_not_count(oven: RuleSet, model: BeliefModel) -> None:
    dark, lit = ({"check": "display", "observed": said} for said in ("dark", "lit"))
    twice = ours(oven, model, {"symptom": "no-heat", "readings": [dark, lit]})
    once = ours(oven, model, {"symptom": "no-heat", "readings": [lit]})
    other = ours(oven, model, {"symptom": "no-heat", "readings": [dark]})
    assert np.array_equal(twice.posterior, once.posterior)
    assert not np.allclose(twice.posterior, other.posterior)
