"""The tree is what a client would live through, whatever it answers; and nothing is hidden."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from service.diagnosis.assessment import Reasoner
from service.diagnosis.case import CaseError
from service.graph import follow as follow_module
from service.graph.follow import GLANCE, LEAST_PROBABILITY, chances, follow
from service.graph.tree import Ask, End, LeftOut, walk
from service.ruleset.catalogue import Catalogue
from tests.graph.visits import Drawn, drawn_from, read


def test_every_check_is_the_one_that_is_asked_for(drawn: Drawn) -> None:
    asked = [one for one in drawn.visits if isinstance(one.place.node, Ask)]
    assert len(asked) > 10
    assert any(one.confirmed for one in asked)
    for visit in asked:
        ask, step = visit.place.node, visit.answer["next_check"]
        assert isinstance(ask, Ask)
        assert (ask.check, ask.title, ask.again) == (step["id"], step["title"], step["recheck"])
        assert ask.first == visit.confirmed
        assert {one.id for one in ask.precautions} == visit.warned
        words = {one["id"]: one["signal_word"] for one in step["precautions"]}
        assert words.items() <= {one.id: one.signal_word for one in ask.precautions}.items()
        assert all(finding["outcome"] != "invalid" for finding in visit.answer["findings"])


def test_every_end_is_what_is_decided_there(drawn: Drawn) -> None:
    ends = [one for one in drawn.visits if isinstance(one.place.node, End)]
    found = {one.answer["status"] for one in ends}
    # The likeliest ways of an oven that does not heat all end in a verdict.
    alone = (drawn.reasoner.rule_set.id, drawn.tree.symptom) == ("microwave-oven", "no-heat")
    assert found == {"fault-found"} if alone else found > {"fault-found"}
    for visit in ends:
        end, answer = visit.place.node, visit.answer
        assert isinstance(end, End)
        # Use ends at a stop, though dead checks may go on to name the part.
        assert answer["next_check"] is None or answer["status"] == "stop-work"
        assert end.status == answer["status"]
        assert (end.verdict is None) == (answer["verdict"] is None)
        if end.verdict is not None:
            assert end.verdict.fault == answer["verdict"]["fault"]
            assert end.verdict.title == answer["verdict"]["title"]
            assert end.verdict.confidence == answer["verdict"]["confidence"]
            assert end.verdict.action == answer["verdict"]["remedy"]["action"]
            assert [one.fault for one in end.also_found] == [
                one["fault"] for one in answer["verdict"]["also_found"]
            ]
        assert end.because == (answer["reasons"][0]["text"] if answer["reasons"] else "")


def test_every_outcome_goes_somewhere_and_all_sum_to_one(drawn: Drawn) -> None:
    for place in walk(drawn.tree):
        if not isinstance(place.node, Ask):
            continue
        outcomes = [one for way in place.node.ways for one in way.outcomes]
        known = drawn.reasoner.rule_set.checks[place.node.check].outcomes
        assert sorted(outcomes) == sorted(known)
        assert math.fsum(way.probability for way in place.node.ways) == pytest.approx(1.0)
        for way in place.node.ways:
            assert way.to.chance == pytest.approx(place.node.chance * way.probability)
            assert isinstance(way.to, LeftOut) or len(way.outcomes) == 1
    ends = [place.node.chance for place in walk(drawn.tree) if not isinstance(place.node, Ask)]
    assert math.fsum(ends) == pytest.approx(1.0)


def evidence(reasoner: Reasoner, case: dict[str, Any]) -> float:
    """P(all that was read | complaint), from the prior and the likelihoods of the belief."""
    belief = reasoner.reason(case).belief
    prior = np.exp(belief.log_prior)
    likelihood = np.prod([one.row for one in belief.likelihoods], axis=0)
    return float((prior * likelihood).sum() / prior.sum())


@pytest.mark.parametrize(("symptom", "again"), [("no-heat", False), ("keypad-dead", True)])
def test_probabilities_are_those_of_the_belief(
    catalogue: Catalogue, symptom: str, again: bool
) -> None:
    """P(outcome | read before) = P(read before, and outcome) / P(read before)."""
    drawn = drawn_from(catalogue, "microwave-oven", symptom)
    compared = 0
    for visit in drawn.visits:
        if not isinstance(visit.place.node, Ask) or visit.place.node.again != again:
            continue
        check = visit.place.node.check
        before = drawn.reasoner.reason(visit.ready)
        seen = [one.outcome for one in before.findings if one.check == check]
        expected = chances(drawn.reasoner, before, check)
        assert expected.sum() == pytest.approx(1.0)
        assert (expected > 0.0).all()
        names = drawn.reasoner.rule_set.checks[check].outcomes
        for outcome, chance in zip(names, expected, strict=True):
            if seen and seen != [outcome]:
                continue  # that would set aside what was read before
            later = read(visit.ready, check, outcome)
            ruled = drawn.reasoner.reason(later).conclusions
            if (ruled.excluded, ruled.weights) == (
                before.conclusions.excluded,
                before.conclusions.weights,
            ):
                both = evidence(drawn.reasoner, later)
                assert chance == pytest.approx(both / evidence(drawn.reasoner, visit.ready))
                compared += 1
        if compared > 20:
            break
    assert compared >= (1 if again else 20)


def test_what_is_left_out_is_unlikely_and_does_not_end_at_once(drawn: Drawn) -> None:
    assert drawn.tree.whole
    assert drawn.tree.least_probability == LEAST_PROBABILITY
    glanced = 0
    for visit in drawn.visits:
        place = visit.place
        if isinstance(place.node, Ask):
            assert place.node.chance >= LEAST_PROBABILITY
        if not isinstance(place.node, LeftOut) or place.parent is None or place.way is None:
            continue
        above = drawn.visits[place.parent]
        assert isinstance(above.place.node, Ask)
        check = above.place.node.check
        expected = chances(drawn.reasoner, drawn.reasoner.reason(above.ready), check)
        names = drawn.reasoner.rule_set.checks[check].outcomes
        for outcome in place.way.outcomes:
            chance = above.place.node.chance * expected[names.index(outcome)]
            assert chance < LEAST_PROBABILITY
            if chance > GLANCE * LEAST_PROBABILITY and glanced < 15:
                then = drawn.reasoner.assess(read(above.ready, check, outcome))
                assert then["next_check"] is not None
                glanced += 1
    assert glanced


def test_a_smaller_threshold_shows_more(reasoner: Reasoner) -> None:
    counts = []
    for least in (0.5, 0.1, 0.04):
        tree = follow(reasoner, "lamp-out", least)
        asked = [place.node for place in walk(tree) if isinstance(place.node, Ask)]
        assert all(ask.chance >= least for ask in asked)
        counts.append(len(asked))
    assert counts == sorted(counts)
    assert counts[0] < counts[-1]


def test_there_is_an_end_to_it(reasoner: Reasoner, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(follow_module, "MOST_ASSESSMENTS", 30)
    counted: list[Any] = []
    reason = reasoner.reason
    monkeypatch.setattr(reasoner, "reason", lambda case: (counted.append(case), reason(case))[1])
    tree = follow(reasoner, "no-heat", 0.001)
    assert not tree.whole
    assert 30 <= len(counted) <= 30 + len(reasoner.rule_set.preparations)
    places = list(walk(tree))
    ends = [place.node.chance for place in places if not isinstance(place.node, Ask)]
    assert math.fsum(ends) == pytest.approx(1.0)
    # What there was no room for is the least likely.
    least = min(place.node.chance for place in places if isinstance(place.node, Ask))
    for place in places:
        if isinstance(place.node, LeftOut) and place.way and len(place.way.outcomes) == 1:
            assert place.node.chance <= least


def test_preparations_that_undo_one_another_are_not_followed_for_ever(reasoner: Reasoner) -> None:
    known = reasoner.rule_set.precautions
    first, second = known["supply-disconnected"], known["capacitor-discharged"]
    undoing = {
        **known,
        first.id: replace(first, withdrawn_by=(second.id,)),
        second.id: replace(second, withdrawn_by=(first.id,)),
    }
    tree = follow(Reasoner(replace(reasoner.rule_set, precautions=undoing)), "no-heat", 0.1)
    assert not tree.whole
    assert any(isinstance(place.node, Ask) for place in walk(tree))


def test_the_same_rule_set_gives_the_same_tree(reasoner: Reasoner) -> None:
    assert follow(reasoner, "lamp-out") == follow(Reasoner(reasoner.rule_set), "lamp-out")


def test_a_complaint_must_be_known(reasoner: Reasoner) -> None:
    with pytest.raises(CaseError, match="no-hope"):
        follow(reasoner, "no-hope")
