"""What must hold for every rule list, every thread, every process and any number of runs."""

from __future__ import annotations

import os
import random
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from service.inference import engine as adapter
from service.inference.engine import Chainer
from service.inference.rules import EngineError, Firing, TokenRule


@pytest.fixture(scope="module")
def drawn(generate):
    return generate(random.Random(77), 120)


@pytest.fixture(scope="module")
def token_sets(drawn):
    rng = random.Random(78)
    return [rng.sample(drawn.starts, rng.randint(0, len(drawn.starts))) for _ in range(200)]


def test_the_given_tokens_stay_and_the_firings_explain_the_rest(drawn, token_sets):
    chainer = Chainer(drawn.rules)
    for tokens in token_sets:
        result = chainer.run(tokens)
        have = set(tokens)
        for firing in result.firings:
            assert have.issuperset(firing.matched), "a cause comes before its effect"
            assert have.isdisjoint(firing.absent), "what is negated is settled before"
            have |= set(firing.derived)
        assert have == result.tokens
        for firing in result.firings:
            assert result.tokens.isdisjoint(firing.absent)


def test_idempotent_where_nothing_is_negated(drawn, token_sets):
    positive = [one for one in drawn.rules if not one.none_of]
    chainer = Chainer(positive)
    grew = 0
    for tokens in token_sets:
        once = chainer.run(tokens)
        assert chainer.run(once.tokens).tokens == once.tokens
        grew += once.tokens > set(tokens)
    assert grew > 100


def test_idempotent_with_negation_too(drawn, token_sets):
    """What was derived cannot block what derived it: a rule negates only what comes before it."""
    chainer = Chainer(drawn.rules)
    negated = 0
    for tokens in token_sets:
        once = chainer.run(tokens)
        again = chainer.run(once.tokens)
        assert again.tokens == once.tokens
        assert {one.rule for one in again.firings} == {one.rule for one in once.firings}
        negated += any(one.absent for one in once.firings)
    assert negated > 100


def test_monotone_where_nothing_is_negated(drawn, token_sets):
    rng = random.Random(79)
    chainer = Chainer([one for one in drawn.rules if not one.none_of])
    for tokens in token_sets:
        less = chainer.run(rng.sample(tokens, len(tokens) // 2))
        more = chainer.run(tokens)
        assert less.tokens <= more.tokens
        assert {one.rule for one in less.firings} <= {one.rule for one in more.firings}


def test_the_order_of_tokens_and_rules_does_not_matter(drawn, token_sets):
    rng = random.Random(80)
    chainer = Chainer(drawn.rules, memo_size=0)
    turned = Chainer(rng.sample(drawn.rules, len(drawn.rules)), memo_size=0)
    for tokens in token_sets:
        result = chainer.run(tokens)
        assert chainer.run(reversed(tokens)) == result
        assert chainer.run(iter(rng.sample(tokens, len(tokens)))) == result
        other = turned.run(tokens)
        assert other.tokens == result.tokens
        assert set(other.firings) == set(result.firings)


def test_firings_do_not_depend_on_the_engines_order(drawn, token_sets, monkeypatch):
    rng = random.Random(81)
    expected = [Chainer(drawn.rules).run(tokens) for tokens in token_sets[:40]]
    run = adapter._StratumEngine.run
    shuffled = []

    def shuffling(self, sid, have):
        fired = run(self, sid, have)
        other = rng.sample(fired, len(fired))
        shuffled.append(other != fired)
        return other

    monkeypatch.setattr(adapter._StratumEngine, "run", shuffling)
    chainer = Chainer(drawn.rules)
    assert [chainer.run(tokens) for tokens in token_sets[:40]] == expected
    assert sum(shuffled) > 40


def test_the_memo_changes_no_answer_and_is_bounded(drawn, token_sets, monkeypatch):
    plain = Chainer(drawn.rules, memo_size=0)
    small = Chainer(drawn.rules, memo_size=7)
    large = Chainer(drawn.rules)
    for tokens in [*token_sets, *token_sets[:50], *reversed(token_sets)]:
        expected = plain.run(tokens)
        assert small.run(tokens) == expected
        assert large.run(tokens) == expected
    assert small._process.firings.cache_info().currsize == 7
    assert small._process._of.cache_info().currsize == 7
    assert plain._process.firings.cache_info().currsize == 0
    assert plain._process._of.cache_info().currsize == 0

    def no_engine(*_):
        raise AssertionError("asked the engine for what is known")

    monkeypatch.setattr(adapter._StratumEngine, "run", no_engine)
    assert large.run(token_sets[0]).firings == large.run([*token_sets[0], "other/t"]).firings
    with pytest.raises(AssertionError):
        plain.run(token_sets[0])


def test_a_stratum_is_run_once_for_what_it_can_tell_apart(rule, monkeypatch):
    rules = [rule("first", "a/x", "", "s/x"), rule("second", "b/y", "s/x", "s/y")]
    expected = {
        tokens: Chainer(rules).run(tokens) for tokens in [("a/x", "b/y"), ("a/x",), ("b/y",), ()]
    }
    chainer, asked = Chainer(rules), []
    run = adapter._StratumEngine.run

    def watched(self, sid, have):
        asked.append((self.rules[0].id, have))
        return run(self, sid, have)

    monkeypatch.setattr(adapter._StratumEngine, "run", watched)
    for tokens, answer in expected.items():
        assert chainer.run(tokens) == answer
    assert asked == [
        ("first", {"a/x"}),
        ("second", {"s/x", "b/y"}),
        ("second", {"s/x"}),
        ("first", set()),
        ("second", {"b/y"}),
        ("second", set()),
    ]


def test_an_answer_cannot_be_changed_by_who_got_it(rule):
    result = Chainer([rule("R", "a/x", "", "s/x")]).run(["a/x"])
    with pytest.raises(AttributeError):
        result.tokens = frozenset()
    with pytest.raises(AttributeError):
        result.firings[0].rule = "other"


@pytest.mark.long
def test_threads(drawn, token_sets, naive):
    """Eight threads with 200 runs each, all at once on one chainer without a memo."""
    expected = [naive(drawn.rules, tokens) for tokens in token_sets]
    chainer = Chainer(drawn.rules, memo_size=0)
    gate = threading.Barrier(8)

    def work(seed):
        order = list(range(200))
        random.Random(seed).shuffle(order)
        gate.wait()
        wrong = 0
        for at in order:
            result = chainer.run(token_sets[at])
            answer = set(result.tokens), {one.rule for one in result.firings}
            wrong += answer != expected[at]
        return wrong

    interval = sys.getswitchinterval()
    sys.setswitchinterval(1e-5)
    try:
        with ThreadPoolExecutor(8) as pool:
            assert list(pool.map(work, range(8))) == [0] * 8
    finally:
        sys.setswitchinterval(interval)


def in_fork(work):
    """Run in a forked child; returns whether it said yes within a while."""
    pid = os.fork()
    if pid == 0:
        try:
            os._exit(0 if work() else 1)
        except BaseException:
            os._exit(2)
    deadline = time.monotonic() + 30
    while time.monotonic() < deadline:
        done, status = os.waitpid(pid, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status) == 0
        time.sleep(0.005)
    os.kill(pid, 9)
    os.waitpid(pid, 0)
    raise AssertionError("the forked child hangs")


def test_fork(drawn, token_sets):
    """As a pre-fork server does it: one run before the fork, many after it on both sides."""
    chainer = Chainer(drawn.rules)
    expected = [chainer.run(tokens) for tokens in token_sets]
    before = chainer._process

    def work():
        answers = [chainer.run(tokens) for tokens in token_sets]
        return answers == expected and chainer._process is not before

    assert in_fork(work)
    assert not in_fork(lambda: chainer.run(token_sets[0]) != expected[0])
    assert [chainer.run(tokens) for tokens in token_sets] == expected
    assert chainer._process is before


def test_fork_while_another_thread_holds_the_engine(drawn, token_sets):
    chainer = Chainer(drawn.rules, memo_size=0)
    expected = chainer.run(token_sets[0])
    with chainer._process._lock:
        assert in_fork(lambda: chainer.run(token_sets[0]) == expected)


def test_same_bytes_whatever_the_hash_seed(child):
    script = """
import random
from service.inference.engine import Chainer
from service.inference.rules import TokenRule
rng = random.Random(5)
base, made = [f"a/b{n}" for n in range(30)], [f"s/d{n}" for n in range(30)]
rules = []
for n in range(80):
    low = rng.randrange(30)
    negated = rng.sample(base[:15] + made[:low], 1)
    others = [one for one in base + made[:low] if one not in negated]
    needed = rng.sample(others, rng.choice((1, 2)))
    rules.append(TokenRule(f"R{n}", tuple(needed), tuple(negated), (made[low],)))
chainer = Chainer(rules)
for _ in range(20):
    result = chainer.run(set(rng.sample(base, 18)))
    print(sorted(result.tokens), result.firings)
try:
    Chainer([TokenRule("A", (), ("s/a", "s/b"), ("s/a", "s/b"))])
except ValueError as error:
    print(error)
try:
    Chainer([TokenRule(f"R{n}", ("a/x", "b/x", "c/x"), ("d/x", "e/x"), ()) for n in range(251)])
except ValueError as error:
    print(error)
"""
    outputs = {child(script, PYTHONHASHSEED=seed).out for seed in ("0", "1", "4242", "random")}
    assert len(outputs) == 1
    text = outputs.pop()
    assert text.count("Firing(") > 100
    assert text.endswith("rule R250: more than 250 rules have a/x in common")


MEMORY = """
from service.inference.engine import Chainer
from service.inference.rules import TokenRule

def resident():
    with open("/proc/self/statm") as statm:
        return int(statm.read().split()[1]) * 4096 / 1e6
"""


@pytest.mark.long
@pytest.mark.skipif(not os.path.exists("/proc/self/statm"), reason="needs /proc")
def test_memory_stays_flat_over_many_runs(child):
    ended = child(
        MEMORY
        + """
names = [f"a/b{n}" for n in range(16)]
rules = [TokenRule(f"R{n}", (names[n], names[(n + 1) % 16]), (names[(n + 5) % 16],), (f"s/{n}",))
         for n in range(16)]
rules += [TokenRule(f"S{n}", (f"s/{n}",), (f"s/{n + 1}",), ()) for n in range(15)]
chainer = Chainer(rules, memo_size=256)
fired = 0
for number in range(12_000):
    if number == 2_000:
        start = resident()
    tokens = [name for at, name in enumerate(names) if number >> at & 1]
    fired += len(chainer.run(tokens).firings)
print(fired > 12_000, resident() - start)
"""
    )
    assert ended.code == 0, ended.err
    enough, growth = ended.out.split()
    assert enough == "True"
    assert float(growth) < 3  # MB; a state left behind each time would be gigabytes


@pytest.mark.skipif(not os.path.exists("/proc/self/statm"), reason="needs /proc")
def test_a_chainer_that_is_dropped_gives_its_memory_back(child):
    """Candidate rule lists are built on request; the engine alone would keep each for ever."""
    ended = child(
        MEMORY
        + """
rules = [TokenRule(f"R{n}", tuple(f"a/b{(n + k) % 60}" for k in range(3)), (), (f"s/{n}",))
         for n in range(100)]
for number in range(600):
    if number == 100:
        start = resident()
    assert Chainer(rules).run(["a/b1", "a/b2", "a/b3"]).firings[0].rule == "R1"
print(resident() - start)
"""
    )
    assert ended.code == 0, ended.err
    assert float(ended.out) < 60  # MB; about 500 if none were freed


def test_known_and_unknown_tokens_are_checked_alike(rule):
    chainer = Chainer([TokenRule("R", ("a/x",), ("a/y",), ("s/x",))])
    assert chainer.run(["a/x"]) == chainer.run(["a/x", "a/x"])
    for bad in (["a/x", "a"], "a/x"):
        with pytest.raises(ValueError, match="not a token"):
            chainer.run(bad)


def test_one_failure_of_the_engine_is_tried_again_and_a_lasting_one_is_told() -> None:
    chainer = Chainer([TokenRule("a", ("x/1",), (), ("y/1",))])
    chainer.run({"x/1"})
    right = chainer._process.firings
    failures = [EngineError("a step of the clock")]

    def flaky(given: frozenset[str]) -> tuple[Firing, ...]:
        if failures:
            raise failures.pop()
        return right(given)

    chainer._process.firings = flaky
    assert "y/1" in chainer.run({"x/1"}).tokens
    failures += [EngineError("broken"), EngineError("broken")]
    with pytest.raises(EngineError, match="broken"):
        chainer.run({"x/1"})
