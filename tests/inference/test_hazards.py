"""One test per known hazard of durable-rules 2.0.28: what the bare engine does, what we do.

A test named `test_bare_...` documents the engine in a child process; it fails when a later
release behaves better, and then the guard it justifies can be looked at again. Source of the
behaviour: measured here, and read in the package's own C sources (events.c, rete.c, state.c).
"""

from __future__ import annotations

import threading

import durable.engine
import pytest

from service.inference import engine as adapter
from service.inference.engine import Chainer
from service.inference.rules import (
    MAX_PREMISES,
    MAX_SHARING,
    MAX_TESTS,
    EngineError,
    RuleListError,
    TokenRule,
)
from tests.inference import building
from tests.inference.building import build_within

BARE = """
from durable.engine import Ruleset
fired, errors = [], []
class Host:
    def get_action(self, name):
        return lambda context: fired.append(name)
def rules(**conditions):
    return Ruleset("bare", Host(), {n: {"all": c, "run": n} for n, c in conditions.items()})
def show(ruleset, *facts):
    handle = None
    for number, fact in enumerate(facts):
        try:
            handle = ruleset.assert_fact({"id": str(number), "sid": "1", **fact})
        except Exception as error:
            errors.append(type(error).__name__)
    if handle is not None:
        ruleset.do_actions(handle, lambda error, state: error and errors.append(str(error)))
    print(",".join(fired) or "none", *errors)
"""

COLLISION = ("finding/c379192/open", "finding/c162789/open")


def fired(chainer, tokens):
    return [one.rule for one in chainer.run(tokens).firings]


# -- what ends the process ---------------------------------------------------------------------


@pytest.mark.parametrize(
    "script",
    [
        pytest.param(
            """
ruleset = rules(a=[{"m": {"x": "y"}}, {"n": {"z": "y"}}])
for number in range(50):
    ruleset.assert_fact({"x": "y", "id": "1", "sid": str(number)})
    ruleset.delete_state(str(number))
""",
            id="deleting a state in which nothing fired",
        ),
        pytest.param(
            """
show(rules(a=[{"m": {"$gt": {"x": 1}}},
              {"n": {"$gt": {"y": {"$div": {"$l": {"m": "x"}, "$r": 0}}}}}]), {"x": 5}, {"y": 5})
""",
            id="dividing an integer by zero",
        ),
        pytest.param(
            """
ruleset = rules(a=[{"m": {"x": "y"}}])
for number in range(1100):
    ruleset.assert_fact({"x": "y", "id": "1", "sid": str(number)})
""",
            id="more than 1,024 live states",
        ),
    ],
)
def test_bare_engine_ends_the_process(child, script):
    ended = child(BARE + script)
    assert ended.code not in (None, 0)


def test_states_in_which_nothing_fires(child, rule):
    ended = child("""
from service.inference.engine import Chainer
from service.inference.rules import TokenRule
chainer = Chainer([TokenRule("R", ("a/x", "a/y"), (), ("s/x",)),
                   TokenRule("late", ("a/z",), ("s/x",), ())], memo_size=0)
print(sum(len(chainer.run(["a/x", f"other/t{n}"]).firings) for n in range(3000)))
print([one.rule for one in chainer.run(["a/x", "a/y", "a/z"]).firings])
""")
    assert (ended.code, ended.out) == (0, "0\n['R']")


def test_no_tokens_at_all(rule):
    chainer = Chainer([rule("R", "a/x", "", "s/x"), rule("N", "", "a/x", "s/n")])
    assert chainer.run([]).tokens == {"s/n"}
    assert Chainer([]).run([]) == Chainer([rule("R", "a/x")]).run([])
    assert Chainer([]).run(["a/x"]).tokens == {"a/x"}


def test_thousands_of_states_one_after_another(rule):
    names = [f"a/t{n}" for n in range(12)]
    chainer = Chainer([rule(f"R{n}", name) for n, name in enumerate(names)], memo_size=0)
    for number in range(2500):  # more than 1,024 and all different
        tokens = {name for at, name in enumerate(names) if number >> at & 1}
        assert len(chainer.run(tokens).firings) == len(tokens)


def test_failing_runs_leave_no_state_behind(rule, monkeypatch):
    chainer = Chainer([rule("R", "a/x a/y", "", "s/x"), rule("S", "s/x")], memo_size=0)
    assert fired(chainer, ["a/x", "a/y"]) == ["R", "S"]
    tell = adapter._StratumEngine._tell

    def failing(self, test):
        if test == "t1":
            raise OSError("no")
        return tell(self, test)

    built = chainer._process._engines
    with monkeypatch.context() as patch:
        patch.setattr(adapter._StratumEngine, "_tell", failing)
        for _ in range(1100):
            with pytest.raises(EngineError, match="no"):
                chainer.run(["a/x", "a/y"])
    assert fired(chainer, ["a/x", "a/y"]) == ["R", "S"]
    assert chainer._process._engines is built


def test_an_engine_that_cannot_close_its_state_is_given_up(rule, monkeypatch):
    chainer = Chainer([rule("R", "a/x", "", "s/x")], memo_size=0)
    chainer.run([])
    built = chainer._process._engines

    def failing(self, test):
        raise OSError("no")

    with monkeypatch.context() as patch:
        patch.setattr(adapter._StratumEngine, "_tell", failing)
        with pytest.raises(EngineError, match="no"):
            chainer.run(["a/x"])
    with monkeypatch.context() as patch:
        patch.setattr(durable.engine.Ruleset, "delete_state", failing)
        with pytest.raises(EngineError, match="no"):
            chainer.run(["a/x"])
    assert fired(chainer, ["a/x"]) == ["R"]
    assert chainer._process._engines is not built


def test_names_of_megabytes(rule):
    chainer = Chainer([rule("R", "a/x")])
    with pytest.raises(ValueError, match="longer"):
        chainer.run(["a/" + "x" * 5_000_000])
    with pytest.raises(RuleListError, match="longer") as caught:
        Chainer([rule("R", "a/" + "x" * 5_000_000)])
    assert len(str(caught.value)) < 200
    # A rule's id never reaches the engine, so that its length does no harm.
    assert fired(Chainer([rule("R" * 5_000_000, "a/x")]), ["a/x"]) == ["R" * 5_000_000]


# -- what hangs --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "script",
    [
        pytest.param(
            'rules(**{f"r{n}": [{"m": {"x": f"v{n}"}}] for n in range(600)})',
            id="a full table of tests",
        ),
        pytest.param(
            """
class Host:
    told = 0
    def get_action(self, name):
        def act(context):
            Host.told += 1
            ruleset.assert_fact({"x": "y", "id": str(Host.told), "sid": "1"})
        return act
ruleset = Ruleset("bare", Host(), {"a": {"all": [{"m": {"x": "y"}}], "run": "a"}})
handle = ruleset.assert_fact({"x": "y", "id": "0", "sid": "1"})
ruleset.do_actions(handle, lambda error, state: None)
""",
            id="a rule that always derives a new fact",
        ),
    ],
)
def test_bare_engine_hangs(child, script):
    assert child(BARE + script, seconds=3).code is None


def test_rules_without_premises_always_fire(rule):
    chainer = Chainer([rule("R", "", "", "s/x"), rule("S", "s/x a/y"), rule("T")])
    assert fired(chainer, []) == ["R", "T"]
    assert fired(chainer, ["a/y"]) == ["R", "S", "T"]


def test_as_many_tests_as_are_allowed(child, rule):
    """At the limit the real engine builds and answers; one more is the author's mistake."""

    def lists(number):
        names = [f"a/t{n}" for n in range(number)]
        return [rule(f"R{n}", " ".join(names[n * 5 : n * 5 + 5])) for n in range(number // 5 + 1)]

    full = lists(MAX_TESTS - 1)
    assert len({token for one in full for token in one.all_of}) == MAX_TESTS - 1
    build_within(full, 30)
    tokens = [f"a/t{n}" for n in range(MAX_TESTS - 1)]
    assert len(Chainer(full).run(tokens).firings) == len(full)
    assert fired(Chainer(full), tokens[-5:]) == [full[-1].id]
    with pytest.raises(RuleListError, match=f"more than {MAX_TESTS - 1} different") as caught:
        Chainer([*full, rule("one too many", "a/t0 a/other")])
    assert caught.value.rule == "one too many"


def test_cycles_end(rule):
    ring = [rule(f"R{n}", f"s/{n}", "", f"s/{(n + 1) % 40} s/{n}") for n in range(40)]
    chainer = Chainer(ring)
    assert fired(chainer, ["s/39"]) == ["R39", *(f"R{n}" for n in range(39))]
    assert fired(chainer, []) == []


def test_building_within_a_time(rule, monkeypatch):
    rules = [rule("R", "a/x", "a/y", "s/x"), rule("S", "s/x")]
    build_within(rules, 30)
    with pytest.raises(EngineError, match=r"not built within 0\.001 s"):
        build_within(rules, 0.001)
    with pytest.raises(RuleListError, match="twice"):
        build_within([*rules, *rules], 30)
    monkeypatch.setattr(building, "_CHILD", "import os; os.abort()")
    with pytest.raises(EngineError, match="ended with -6: no message"):
        build_within(rules, 30)
    monkeypatch.setattr(building, "_CHILD", "raise OSError('what went wrong')")
    with pytest.raises(EngineError, match="ended with 1: OSError: what went wrong"):
        build_within(rules, 30)


# -- what is silently wrong --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("script", "shown"),
    [
        pytest.param('show(rules(a=[{"m": {"x": 1}}]), {"x": "1"})', "a", id="text is a number"),
        pytest.param('show(rules(a=[{"m": {"x": 1}}]), {"x": True})', "a", id="true is 1"),
        pytest.param(
            'show(rules(a=[{"m": {"x": 2**63}}]), {"x": 2**63 + 5})', "a", id="saturation"
        ),
        pytest.param(
            'show(rules(a=[{"m": {"x": "a" * 65536 + "b"}}]), {"x": "a" * 65536 + "c"})',
            "a",
            id="length modulo 65,536",
        ),
        pytest.param('show(rules(a=[{"m": {"a.b": "y"}}]), {"a": {"b": "y"}})', "a", id="dots"),
        pytest.param(
            f'show(rules(a=[{{"m": {{"{COLLISION[0]}": "y"}}}}]), {{"{COLLISION[1]}": "y"}})',
            "a",
            id="names by hash",
        ),
        pytest.param('show(rules(a=[{"m": {"x": "y", "z": "y"}}]), {"x": "y"})', "a", id="2 keys"),
        pytest.param(
            'show(rules(a=[{"m$not": {"x": "y"}}, {"n": {"z": "y"}}]), {"z": "y"})',
            "none",
            id="$not first",
        ),
        pytest.param(
            'show(rules(a=[{"m$not": {"x": "y"}}], b=[{"n": {"z": "y"}}]), {"z": "y"})',
            "b",
            id="$not alone",
        ),
        pytest.param(
            'show(rules(a=[{"m": {"x": "y"}}, {"n": {"x": "y"}}]), {"x": "y"})',
            "none",
            id="the same premise twice",
        ),
        pytest.param(
            """
ruleset = rules(**{f"r{n}": [{"m": {"x": "y"}}] for n in range(256)}, z=[{"m": {"w": "y"}}])
show(ruleset, {"x": "y"})
""",
            ",".join([*(f"r{n}" for n in range(256)), "z"]),
            id="256 rules share a premise, and an unrelated rule fires",
        ),
        pytest.param(
            'show(rules(a=[{"m": {"x": "y"}}]), {"x": "y"}, {"x": "y", "id": "0"}, {"q": "y"})',
            "a MessageObservedException MessageNotHandledException",
            id="facts told twice or of no use raise",
        ),
        pytest.param(
            """
Host.get_action = lambda self, name: lambda context: 1 / 0
show(rules(a=[{"m": {"x": "y"}}]), {"x": "y"})
""",
            "none",
            id="an exception in an action vanishes",
        ),
        pytest.param(
            """
import itertools
clock = itertools.count(0, 11)
import durable.engine
durable.engine._unix_now = lambda: next(clock)
show(rules(a=[{"m": {"x": "y"}}], b=[{"m": {"x": "y"}}]), {"x": "y"})
""",
            "a",
            id="a clock that is set forward ends the actions early",
        ),
    ],
)
def test_bare_engine_is_silently_wrong(child, script, shown):
    ended = child(BARE + script, seconds=20)
    assert (ended.code, ended.out) == (0, shown)


LOOKALIKES = (
    "a/1",
    "a/1.0",
    "a/01",
    "a/true",
    "a/True",
    "a/null",
    "a/NaN",
    "a/1e-7",
    "a/9223372036854775807",
    "a/9223372036854775808",
    "a/9223372036854775813",
    "a/b.c",
    "a/b/c",
    "a/b-c",
    "a/B.c",
    "a/x/y.z",
    "a/x.y/z",
    "a/" + "x" * 198,
    "a/" + "x" * 197,
    "id/1",
    "sid/1",
    "m/s",
    "s/y",
    *COLLISION,
)


def test_tokens_that_look_alike_are_kept_apart():
    assert len(set(LOOKALIKES)) == len(LOOKALIKES)
    rules = [TokenRule(f"has {t}", (t,), (), (f"state/{n}",)) for n, t in enumerate(LOOKALIKES)]
    rules += [TokenRule(f"lacks {t}", (), (t,), ()) for t in LOOKALIKES]
    chainer = Chainer(rules)
    for token in LOOKALIKES:
        expected = {f"has {token}"} | {f"lacks {one}" for one in LOOKALIKES if one != token}
        assert set(fired(chainer, [token])) == expected


def fnv(name: str) -> int:
    """32-bit FNV-1a, the hash that the engine compares names by (state.c, fnv1Hash32)."""
    value = 0x811C9DC5
    for byte in name.encode():
        value = (value ^ byte) * 16777619 % 2**32
    return value


def test_the_adapters_own_names_never_collide():
    assert fnv(COLLISION[0]) == fnv(COLLISION[1])
    names = ["s", "id", "sid", "$s", *(f"m{n}" for n in range(MAX_PREMISES))]
    names += [f"{letter}{n}" for letter in "tnr" for n in range(MAX_TESTS)]
    assert len({fnv(name) for name in names}) == len(names)


def test_every_premise_of_a_join_counts(rule):
    for width in (2, 3, MAX_PREMISES):
        names = [f"a/t{n}" for n in range(width)]
        chainer = Chainer([rule("R", " ".join(names), "", "s/x")])
        assert fired(chainer, names) == ["R"]
        for missing in names:
            assert fired(chainer, set(names) - {missing}) == []


def test_as_many_premises_as_are_allowed_present_and_absent(rule):
    half = MAX_PREMISES // 2
    present, absent = [[f"{kind}/t{n}" for n in range(half)] for kind in "pa"]
    chainer = Chainer([rule("R", " ".join(present), " ".join(absent), "s/x")])
    assert fired(chainer, present) == ["R"]
    assert fired(chainer, [*present, absent[-1]]) == []
    assert fired(chainer, present[1:]) == []


def test_negation_alone_first_and_of_derived_tokens(rule):
    chainer = Chainer(
        [
            rule("alone", "", "a/x", "s/alone"),
            rule("first", "a/y", "a/x"),
            rule("hasty", "a/y", "s/late", "s/hasty"),
            rule("late", "a/z", "", "s/late"),
            rule("unless-hasty", "", "s/hasty", ""),
        ]
    )
    assert fired(chainer, []) == ["alone", "unless-hasty"]
    assert fired(chainer, ["a/y"]) == ["alone", "first", "hasty"]
    assert fired(chainer, ["a/y", "a/z"]) == ["alone", "first", "late", "unless-hasty"]
    assert fired(chainer, ["a/x", "a/z"]) == ["late", "unless-hasty"]


def test_the_same_premise_or_token_twice(rule):
    chainer = Chainer([rule("R", "a/x a/x a/y", "a/z a/z", "s/x s/x"), rule("S", "s/x")])
    assert fired(chainer, ["a/x", "a/y", "a/x"]) == ["R", "S"]
    assert fired(chainer, ["a/x"]) == []
    # Two rules derive it, and it was given: still told once.
    both = Chainer([rule("A", "a/x", "", "s/x"), rule("B", "a/x", "", "s/x"), rule("S", "s/x")])
    assert fired(both, ["a/x", "s/x"]) == ["A", "B", "S"]


def test_as_many_rules_as_are_allowed_share_a_premise(rule):
    def sharing(number):
        shared = [rule(f"R{n}", f"a/w{n % 9} a/x") for n in range(number)]
        return [*shared, rule("Z", "a/w1")]

    chainer = Chainer(sharing(MAX_SHARING))
    every = [f"a/w{n}" for n in range(9)]
    assert fired(chainer, ["a/x", *every]) == [*(f"R{n}" for n in range(MAX_SHARING)), "Z"]
    assert fired(chainer, every) == ["Z"]
    with pytest.raises(RuleListError, match="250 rules have a/x in common") as caught:
        Chainer(sharing(MAX_SHARING + 1))
    assert caught.value.rule == f"R{MAX_SHARING}"
    with pytest.raises(RuleListError, match="250 rules have no premise in common"):
        Chainer([rule(f"R{n}") for n in range(MAX_SHARING + 1)])
    always = Chainer([rule(f"R{n}") for n in range(MAX_SHARING)])
    assert len(fired(always, [])) == MAX_SHARING


def test_tokens_that_no_rule_mentions(rule):
    chainer = Chainer([rule("R", "a/x", "", "s/x")])
    tokens = {"a/x", "b/unknown", *(f"c/t{n}" for n in range(400))}
    assert chainer.run(tokens).tokens == tokens | {"s/x"}


# -- failures inside the engine ----------------------------------------------------------------


def test_a_failure_in_an_action_is_raised_afterwards(rule, monkeypatch):
    chainer = Chainer([rule("R", "a/x", "", "s/x"), rule("S", "s/x")])
    tell = adapter._StratumEngine._tell

    def failing(self, test):
        if test == self._present["s/x"]:
            raise MemoryError("while deriving")
        return tell(self, test)

    with monkeypatch.context() as patch:
        patch.setattr(adapter._StratumEngine, "_tell", failing)
        with pytest.raises(EngineError, match="while deriving") as caught:
            chainer.run(["a/x"])
        assert isinstance(caught.value.__cause__, MemoryError)
    assert fired(chainer, ["a/x"]) == ["R", "S"]  # the failure was not memoised


@pytest.mark.parametrize("signal", [KeyboardInterrupt, SystemExit])
def test_an_interrupt_in_an_action_is_not_swallowed(rule, monkeypatch, signal):
    chainer = Chainer([rule("R", "a/x", "", "s/x"), rule("S", "s/x")])
    tell = adapter._StratumEngine._tell

    def interrupted(self, test):
        if test == self._present["s/x"]:
            raise signal
        return tell(self, test)

    with monkeypatch.context() as patch:
        patch.setattr(adapter._StratumEngine, "_tell", interrupted)
        with pytest.raises(signal):
            chainer.run(["a/x"])
    assert fired(chainer, ["a/x"]) == ["R", "S"]


def test_a_clock_that_jumps_is_noticed(rule, monkeypatch):
    chainer = Chainer([rule("R", "a/x"), rule("S", "a/x")])
    clock = iter(range(0, 10_000, 11))
    with monkeypatch.context() as patch:
        patch.setattr(durable.engine, "_unix_now", lambda: next(clock))
        with pytest.raises(EngineError, match="did not finish"):
            chainer.run(["a/x"])
    assert fired(chainer, ["a/x"]) == ["R", "S"]


def test_rules_that_the_engine_refuses_are_its_failure(rule, monkeypatch):
    def refuse(*_):
        raise OSError("error code: 108")

    monkeypatch.setattr(adapter, "Ruleset", refuse)
    with pytest.raises(EngineError, match="refused the rules: error code: 108"):
        Chainer([rule("R", "a/x")]).run([])


@pytest.mark.parametrize(
    ("answer", "complaint"),
    [([], "R did not fire"), ([0, 1], "S fired"), ([1], "S fired"), ([0, 2], "N fired")],
)
def test_a_wrong_answer_is_loud(rule, monkeypatch, answer, complaint):
    chainer = Chainer([rule("R", "a/x"), rule("S", "a/y"), rule("N", "", "a/x")])
    with monkeypatch.context() as patch:
        patch.setattr(adapter._StratumEngine, "run", lambda *_: answer)
        with pytest.raises(EngineError, match=complaint):
            chainer.run(["a/x"])
    assert fired(chainer, ["a/x"]) == ["R"]


def test_a_rule_that_fires_twice_is_loud(rule, monkeypatch):
    chainer = Chainer([rule("R", "a/x"), rule("S", "a/x")])
    get = adapter._StratumEngine.get_action
    monkeypatch.setattr(
        adapter._StratumEngine,
        "get_action",
        lambda self, name: get(self, "0" if name == "1" else name),
    )
    with pytest.raises(EngineError, match="R fired twice"):
        chainer.run(["a/x"])


def test_no_background_threads_and_no_host(rule, child):
    before = threading.active_count()
    chainer = Chainer([rule("R", "a/x")])
    chainer.run(["a/x"])
    assert threading.active_count() == before
    ended = child("""
import sys, threading
import service.inference.engine as adapter
print("durable.lang" in sys.modules, threading.active_count())
""")
    assert (ended.code, ended.out) == (0, "False 1")


def test_rules_know_nothing_of_the_engine(child):
    for module in ("rules", "causal"):
        ended = child(f"""
import sys
import service.inference.{module}
print(any(name.startswith("durable") for name in sys.modules))
""")
        assert (ended.code, ended.out) == (0, "False")
