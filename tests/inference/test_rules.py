"""What an author may write, and the order in which negation is settled."""

from __future__ import annotations

import pickle
import random
import time

import pytest

from service.inference.causal import causal_order
from service.inference.engine import Chainer
from service.inference.rules import (
    MAX_PREMISES,
    MAX_RULES,
    MAX_TOKEN_LENGTH,
    EngineError,
    Firing,
    RuleListError,
    TokenRule,
    stratify,
)


def ids(strata):
    return [[one.id for one in stratum] for stratum in strata]


def test_negation_waits_for_every_maker(rule):
    rules = [
        rule("late", "a/x", "b/y", "c/z"),
        rule("maker", "a/x", "", "b/y"),
        rule("other-maker", "a/w b/q", "", "b/y"),
        rule("feeds-other", "", "a/v", "b/q"),
        rule("early", "a/x", "", "d/z"),
    ]
    assert ids(stratify(rules)) == [["maker", "other-maker", "feeds-other", "early"], ["late"]]


def test_rules_that_need_what_a_late_rule_derives_come_with_it(rule):
    rules = [
        rule("user", "c/z", "", "d/z"),
        rule("negating", "", "b/y", "c/z"),
        rule("maker", "a/x", "", "b/y"),
        rule("last", "", "d/z", "e/z"),
    ]
    assert ids(stratify(rules)) == [["maker"], ["user", "negating"], ["last"]]


def test_a_ladder_of_negations_has_as_many_strata_as_rules(rule):
    ladder = [rule(f"R{n}", "", f"s/{n}", f"s/{n + 1}") for n in range(30)]
    assert ids(stratify(ladder[::-1])) == [[one.id] for one in ladder]
    fired = [one.rule for one in Chainer(ladder).run([]).firings]
    assert fired == [f"R{n}" for n in range(0, 30, 2)]


def test_positive_cycles_share_a_stratum(rule):
    rules = [rule("one", "s/b", "", "s/a"), rule("two", "s/a", "", "s/b")]
    assert ids(stratify(rules)) == [["one", "two"]]
    assert stratify([]) == ()


@pytest.mark.parametrize(
    ("rules", "named"),
    [
        ([("A", "", "s/a", "s/a")], "A -> A"),
        ([("A", "", "s/b", "s/a"), ("B", "s/a", "", "s/b")], "A -> B -> A"),
        (
            [
                ("outside", "s/q", "", "s/z"),
                ("A", "s/b", "", "s/a"),
                ("B", "", "s/a", "s/c"),
                ("C", "s/c", "", "s/b"),
                ("behind", "s/a", "", "s/d"),
            ],
            "B -> C -> A -> B",
        ),
    ],
)
def test_negation_through_a_cycle_names_the_rules(rule, rules, named):
    with pytest.raises(RuleListError, match=named) as caught:
        stratify([rule(*one) for one in rules])
    assert caught.value.rule == named.split()[0]
    assert "outside" not in str(caught.value)
    assert "behind" not in str(caught.value)


def test_random_lists_are_stratified_soundly(generate):
    rng = random.Random(11)
    for _ in range(60):
        drawn = generate(rng, rng.randint(3, 120))
        strata = stratify(drawn.rules)
        assert sorted(one.id for part in strata for one in part) == sorted(
            one.id for one in drawn.rules
        )
        level = {one.id: at for at, part in enumerate(strata) for one in part}
        for one in drawn.rules:
            least = 0
            for maker in drawn.rules:
                if set(maker.derives) & set(one.all_of):
                    least = max(least, level[maker.id])
                if set(maker.derives) & set(one.none_of):
                    least = max(least, level[maker.id] + 1)
            assert level[one.id] >= least
            assert level[one.id] <= drawn.layers[one.id]


def test_the_worst_list_is_stratified_or_refused_quickly(rule):
    """Many makers of one token, behind a long cycle: an author's slip must not hold a worker."""
    ring = [
        rule(f"R{n}", f"s/{n}", "s/0" if n == 200 else "", f"s/{(n + 1) % MAX_RULES} s/all")
        for n in range(MAX_RULES)
    ]
    start = time.perf_counter()
    with pytest.raises(RuleListError, match="negates what follows from it: R200 -> "):
        stratify(ring)
    assert time.perf_counter() - start < 5


@pytest.mark.parametrize(
    "token",
    [
        "",
        "plain",
        "Kind/x",
        "1kind/x",
        "kind/",
        "kind//x",
        "kind/x/",
        "kind/-x",
        "kind/x y",
        "kind/x\n",
        "kind/é",
        "kind/\ud800",
        "kind/x\x00",
        "$and/x",
        'kind/"x',
        "absent/x",
        "sentinel/x",
        "kind/" + "x" * MAX_TOKEN_LENGTH,
    ],
)
def test_malformed_tokens_are_refused_everywhere(rule, token):
    for bad in (
        TokenRule("R", (token,), (), ()),
        TokenRule("R", (), (token,), ()),
        TokenRule("R", (), (), (token,)),
    ):
        with pytest.raises(RuleListError, match="token") as caught:
            Chainer([rule("fine", "a/x", "", "b/x"), bad])
        assert caught.value.rule == "R"
    with pytest.raises(ValueError, match="token") as refused:
        Chainer([rule("fine", "a/x", "", "b/x")]).run(["a/x", token])
    assert not isinstance(refused.value, RuleListError)


def test_well_formed_tokens_are_kept():
    longest = "kind/" + "x" * (MAX_TOKEN_LENGTH - 5)
    tokens = {longest, "a-1/B.c_d-e/9", "test/nameplate.x.in.a_b", "id/x", "sid/x", "m/x", "s/x"}
    chainer = Chainer([TokenRule("R", tuple(sorted(tokens)), (), ("state/all",))])
    assert chainer.run(tokens).tokens == tokens | {"state/all"}
    assert chainer.run(tokens - {longest}).firings == ()


def test_mistakes_in_the_list(rule):
    with pytest.raises(RuleListError, match="twice") as caught:
        Chainer([rule("R", "a/x"), rule("R", "a/y")])
    assert caught.value.rule == "R"
    with pytest.raises(RuleListError, match="no id"):
        Chainer([rule("", "a/x")])
    with pytest.raises(RuleListError, match="can never fire: a/x"):
        Chainer([rule("R", "a/x a/y", "a/x")])
    with pytest.raises(RuleListError, match="401 rules") as whole:
        Chainer([rule(f"R{n}", "a/x") for n in range(MAX_RULES + 1)])
    assert whole.value.rule is None
    wide = " ".join(f"a/{n}" for n in range(MAX_PREMISES))
    with pytest.raises(RuleListError, match="17 premises"):
        Chainer([rule("R", wide, "b/x", "c/x")])


def test_an_error_survives_the_way_between_processes():
    error = pickle.loads(pickle.dumps(RuleListError("R", "is wrong")))
    assert (error.rule, error.message, str(error)) == ("R", "is wrong", "rule R: is wrong")


def test_causes_come_before_effects_in_list_order(rule):
    stratum = [
        rule("effect", "s/cause", "", "s/effect"),
        rule("second", "a/x", "", ""),
        rule("cause", "a/x", "", "s/cause"),
        rule("idle", "a/never", "", ""),
    ]
    firings = causal_order(stratum, {"a/x"}, [2, 0, 1])
    assert [one.rule for one in firings] == ["second", "cause", "effect"]
    assert firings[2] == Firing("effect", ("s/cause",), (), ("s/effect",))


@pytest.mark.parametrize(
    ("fired", "complaint"),
    [
        ([], "rule seen did not fire"),
        ([0, 1], "rule unfounded fired without"),
        ([0, 1, 2], "rule unfounded fired without"),
        ([0, 3], "rule negating fired against"),
    ],
)
def test_an_answer_that_does_not_follow_is_refused(rule, fired, complaint):
    stratum = [
        rule("seen", "a/x", "", "s/x"),
        rule("unfounded", "s/loop", "", "s/back"),
        rule("loop", "s/back", "", "s/loop"),
        rule("negating", "", "a/x", ""),
    ]
    with pytest.raises(EngineError, match=complaint):
        causal_order(stratum, {"a/x"}, fired)
    assert [one.rule for one in causal_order(stratum, {"a/x"}, [0])] == ["seen"]
