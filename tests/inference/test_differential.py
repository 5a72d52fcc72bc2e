"""The adapter against two chainers that share no code with it."""

from __future__ import annotations

import random
import tempfile
from collections.abc import Iterable

import clips
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.inference.engine import Chainer
from service.inference.rules import TokenRule
from tests.wanted import examples


class Clips:
    """A rule list in CLIPS: tokens as ordered facts, layers as salience, `not` for negation."""

    def __init__(self, rules: Iterable[TokenRule], layers: dict[str, int]) -> None:
        self.environment = clips.Environment()
        for one in rules:
            premises = [
                *(f"(token {token})" for token in one.all_of),
                *(f"(not (token {token}))" for token in one.none_of),
            ]
            effects = [f"(assert (token {token}))" for token in one.derives]
            self.environment.build(
                f"(defrule {one.id} (declare (salience {-layers[one.id]})) {' '.join(premises)}"
                f" => (assert (fired {one.id})) {' '.join(effects)})"
            )

    def chain(self, tokens: Iterable[str]) -> tuple[set[str], set[str]]:
        self.environment.reset()
        # `given` because loading no facts at all counts as a failure.
        facts = ["(given start)", *(f"(token {token})" for token in tokens)]
        self.environment.load_facts(" ".join(facts))
        self.environment.run()
        # By way of a file: fact objects would outlive the environment, which then complains.
        with tempfile.NamedTemporaryFile("r") as saved:
            self.environment.save_facts(saved.name)
            found: dict[str, set[str]] = {"given": set(), "token": set(), "fired": set()}
            for line in saved.read().splitlines():
                template, name = line.strip("()").split(" ")
                found[template].add(name)
        return found["token"], found["fired"]


def chained(chainer: Chainer, tokens: Iterable[str]) -> tuple[set[str], set[str]]:
    result = chainer.run(tokens)
    fired = [one.rule for one in result.firings]
    assert len(fired) == len(set(fired))
    return set(result.tokens), set(fired)


@pytest.mark.parametrize("seed", range(8))
def test_bulk_against_a_plain_chainer_and_clips(generate, naive, seed):
    """In all 8 * 7 lists with 40 sets of tokens each: 2,240 evaluations by three chainers."""
    rng = random.Random(1000 + seed)
    depth = fired = negated = 0
    for size in (9, 20, 40, 60, 90, 120, 150):
        drawn = generate(rng, size)
        chainer, other = Chainer(drawn.rules), Clips(drawn.rules, drawn.layers)
        by_id = {one.id: one for one in drawn.rules}
        for _ in range(40):
            tokens = rng.sample(drawn.starts, rng.randint(0, len(drawn.starts)))
            answer = chained(chainer, tokens)
            assert answer == naive(drawn.rules, tokens)
            assert answer == other.chain(tokens)
            fired += len(answer[1])
            depth += "state/chain-7" in answer[0] and "state/chain-3" not in tokens
            negated += sum(bool(by_id[one].none_of) for one in answer[1])
    # The comparison means nothing if little happened.
    assert fired > 280 * 10
    assert depth > 280 / 10
    assert negated > 280


@st.composite
def small_lists(draw):
    """Lists of up to 12 rules over a few tokens, with every shape a rule can have."""
    layer_count = draw(st.integers(1, 3))
    base = [f"finding/b{n}" for n in range(5)]
    rules, layers = [], {}
    for number in range(draw(st.integers(0, 12))):
        at = draw(st.integers(0, layer_count - 1))
        below = base + [f"state/l{low}.{n}" for low in range(at) for n in range(3)]
        own = [f"state/l{at}.{n}" for n in range(3)]
        none_of = draw(st.lists(st.sampled_from(below), max_size=3))
        pool = [token for token in below + own if token not in none_of]
        all_of = draw(st.lists(st.sampled_from(pool), max_size=6))
        derives = draw(st.lists(st.sampled_from(own), max_size=3))
        rules.append(TokenRule(f"R{number}", tuple(all_of), tuple(none_of), tuple(derives)))
        layers[f"R{number}"] = at
    tokens = draw(st.lists(st.sampled_from([*base, "state/l0.0", "finding/unknown"])))
    return rules, layers, tokens


@settings(max_examples=examples(400), deadline=None, derandomize=True)
@given(small_lists())
def test_small_lists_against_a_plain_chainer_and_clips(naive, case):
    rules, layers, tokens = case
    answer = chained(Chainer(rules), tokens)
    assert answer == naive(rules, tokens)
    assert answer == Clips(rules, layers).chain(tokens)
