"""What the tests of chaining share: an oracle, a generator of rule lists, and child processes."""

from __future__ import annotations

import os
import random
import subprocess
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

from service.inference.rules import TokenRule

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Ended:
    """How a child process ended: its exit code (None if it had to be killed) and its output."""

    code: int | None
    out: str
    err: str


@pytest.fixture(scope="session")
def child() -> Callable[..., Ended]:
    """Run Python text in a process of its own, which may crash or hang."""

    def run(script: str, *, seconds: float = 60.0, **environment: str) -> Ended:
        env = {**os.environ, "PYTHONPATH": str(ROOT), **environment}
        try:
            done = subprocess.run(
                [sys.executable, "-c", script],
                capture_output=True,
                text=True,
                timeout=seconds,
                check=False,
                env=env,
            )
        except subprocess.TimeoutExpired:
            return Ended(None, "", "")
        return Ended(done.returncode, done.stdout.strip(), done.stderr)

    return run


@pytest.fixture(scope="session")
def rule() -> Callable[..., TokenRule]:
    """Short form of a rule: tokens as words in one string."""

    def make(name: str, all_of: str = "", none_of: str = "", derives: str = "") -> TokenRule:
        return TokenRule(
            name, tuple(all_of.split()), tuple(none_of.split()), tuple(derives.split())
        )

    return make


def _least(rules: Sequence[TokenRule], given: Iterable[str], doubted: set[str]) -> set[str]:
    """All that follows if exactly the tokens in `doubted` count as present for negation."""
    have = set(given)
    grown = True
    while grown:
        grown = False
        for rule in rules:
            if any(token in doubted for token in rule.none_of):
                continue
            if all(token in have for token in rule.all_of) and not have.issuperset(rule.derives):
                have |= set(rule.derives)
                grown = True
    return have


@pytest.fixture(scope="session")
def naive() -> Callable[[Sequence[TokenRule], Iterable[str]], tuple[set[str], set[str]]]:
    """Oracle: final tokens and fired rules by the alternating fixpoint, without any strata.

    The well-founded model (Van Gelder 1989) of a stratified rule list is its stratified model;
    from memory. That it is total is asserted.
    """

    def chain(rules: Sequence[TokenRule], given: Iterable[str]) -> tuple[set[str], set[str]]:
        start = set(given)
        certain: set[str] = set(start)
        while True:
            possible = _least(rules, start, certain)
            better = _least(rules, start, possible)
            if better == certain:
                break
            certain = better
        assert certain == possible
        fired = {
            rule.id
            for rule in rules
            if all(token in certain for token in rule.all_of)
            and not any(token in certain for token in rule.none_of)
        }
        return certain, fired

    return chain


@dataclass(frozen=True)
class Generated:
    """A random rule list, the layer that each rule was drawn in, and tokens to start from."""

    rules: tuple[TokenRule, ...]
    layers: dict[str, int]
    starts: tuple[str, ...]


@pytest.fixture(scope="session")
def generate() -> Callable[..., Generated]:
    """Draw a rule list in layers: joins of 1 to 6, positive cycles, a long chain, negation.

    A rule negates only what rules of lower layers derive, so the layers are a stratification that
    owes nothing to the code under test.
    """

    def draw(rng: random.Random, size: int, layers: int = 4) -> Generated:
        kinds = ("finding", "possible", "symptom", "confirmed", "answered")
        base = [f"{rng.choice(kinds)}/b{n}/{rng.choice('xyz')}" for n in range(12 + size // 3)]
        derived = [[f"state/l{at}.{n}" for n in range(1 + size // 6)] for at in range(layers)]
        chain = [f"state/chain-{n}" for n in range(8)]
        rules: list[TokenRule] = []
        layer_of: dict[str, int] = {}
        for number in range(max(size - len(chain), 1)):
            at = rng.randrange(layers)
            settled = base + [token for below in derived[:at] for token in below]
            reach = settled + derived[at] + chain
            width = rng.randint(1, 6)
            negated = rng.sample(settled, rng.choice((0, 0, 0, 1, 2)))
            # A small pool makes wide joins come true often enough.
            pool = [t for t in rng.sample(reach, min(len(reach), 14)) if t not in negated]
            premises = rng.sample(pool, min(len(pool), width - min(width - 1, len(negated))))
            if rng.random() < 0.06:
                premises = []
            targets = rng.sample(derived[at], min(len(derived[at]), rng.choice((0, 1, 1, 2))))
            layer_of[f"R{number}"] = at
            rules.append(TokenRule(f"R{number}", tuple(premises), tuple(negated), tuple(targets)))
        for step, token in enumerate(chain):
            before = chain[step - 1] if step else base[0]
            layer_of[f"C{step}"] = 0
            rules.append(TokenRule(f"C{step}", (before,), (), (token,)))
        rng.shuffle(rules)
        return Generated(
            tuple(rules), layer_of, (*base, *derived[0][:2], chain[3], "finding/none/x")
        )

    return draw
