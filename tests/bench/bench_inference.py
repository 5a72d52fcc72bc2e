"""Speed of the adapter beside the bare engine on the same rules (a script, not a test).

Prints evaluations per second; compare the ratios, not the figures. Bare is the engine with none
of the adapter's guards and without its check of the answer, once for each way to put a token to
the engine: all in one field, one field per kind of token, one field per token.
"""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Callable, Sequence
from itertools import count
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from durable.engine import Ruleset

from service.inference.engine import Chainer
from service.inference.rules import TokenRule

Put = Callable[[str], dict[str, str]]


def rule_list(size: int, chain: int = 15) -> list[TokenRule]:
    """Joins of 1 to 4 over 120 tokens of six kinds, and a chain; no negation."""
    rng = random.Random(5)
    kinds = ("finding", "possible", "answered", "symptom", "confirmed", "test")
    base = [f"{rng.choice(kinds)}/check-{n}/outcome" for n in range(120)]
    rules = []
    for number in range(size):
        premises = rng.sample(base, rng.randint(1, 4))
        if number < chain:
            premises = [base[0], f"state/d{number - 1}"] if number else [base[0]]
        rules.append(TokenRule(f"R{number}", tuple(premises), (), (f"state/d{number}",)))
    return rules


def bare(rules: Sequence[TokenRule], put: Put) -> Callable[[Sequence[str]], int]:
    """The engine as its own examples use it; returns a function that counts the firings."""
    wanted = {token for rule in rules for token in rule.all_of}
    sids, fired = count(), []

    class Host:
        def get_action(self, name: str) -> Callable[[object], None]:
            def act(_context: object) -> None:
                fired.append(name)
                for token in rules[int(name)].derives if name != "s" else ():
                    if token in wanted:
                        ruleset.assert_fact({**put(token), "id": token, "sid": sid})

            return act

    definitions = {"s": {"all": [{"m": {"sentinel": "y"}}], "run": "s"}}
    for at, rule in enumerate(rules):
        joined = [{f"m{place}": put(token)} for place, token in enumerate(rule.all_of)]
        definitions[f"r{at}"] = {"all": joined, "run": str(at)}
    ruleset, sid = Ruleset("bare", Host(), definitions), ""

    def run(tokens: Sequence[str]) -> int:
        nonlocal sid
        sid = str(next(sids))
        fired.clear()
        handle = ruleset.assert_fact({"sentinel": "y", "id": "s", "sid": sid})
        for token in tokens:
            if token in wanted:
                ruleset.assert_fact({**put(token), "id": token, "sid": sid})
        ruleset.do_actions(handle, lambda _error, _state: None)
        ruleset.delete_state(sid)
        return len(fired) - 1

    return run


def per_second(run: Callable[[Sequence[str]], int], cases: Sequence[Sequence[str]]) -> float:
    run(cases[0])
    start = time.perf_counter()
    for case in cases:
        run(case)
    return len(cases) / (time.perf_counter() - start)


def main() -> None:
    print("rules  one field  per kind  per token   adapter  with memo   adapter / per token")
    for size in (50, 150, 400):
        rules = rule_list(size)
        rng = random.Random(6)
        base = sorted({t for rule in rules for t in rule.all_of if not t.startswith("state/")})
        first = rules[0].all_of[0]
        others = [token for token in base if token != first]
        cases = [[first, *rng.sample(others, 19)] for _ in range(600)]
        tokens = {t for rule in rules for t in (*rule.all_of, *rule.derives)}
        number = {token: f"t{at}" for at, token in enumerate(sorted(tokens))}
        uncached, memo = Chainer(rules, memo_size=0), Chainer(rules)
        runs: list[Callable[[Sequence[str]], int]] = [
            bare(rules, lambda token: {"token": token}),
            bare(rules, lambda token: dict([token.split("/", 1)])),
            bare(rules, lambda token, number=number: {number[token]: "y"}),  # type: ignore[misc]
            lambda tokens, chainer=uncached: len(chainer.run(tokens).firings),  # type: ignore[misc]
            lambda tokens, chainer=memo: len(chainer.run(tokens).firings),  # type: ignore[misc]
        ]
        if any(len({run(case) for run in runs}) != 1 for case in cases):
            raise SystemExit("the engine and the adapter disagree")
        one, kind, token, adapter, cached = (per_second(run, cases) for run in runs)
        print(
            f"{size:5}  {one:9.0f}  {kind:8.0f}  {token:9.0f}  {adapter:8.0f}"
            f"  {cached:9.0f}   {adapter / token:.2f}"
        )


if __name__ == "__main__":
    main()
