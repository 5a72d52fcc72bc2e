"""Rules as joins of tokens, for the chainer."""

from __future__ import annotations

from collections.abc import Iterable

from service.inference.rules import TokenRule
from service.ruleset.model import Consequence, Rule


def derived_tokens(rule: Rule, consequence: Consequence, position: int) -> tuple[str, ...]:
    """The tokens that a consequence adds to the facts."""
    match consequence.kind:
        case "derive":
            return tuple(f"state/{target}" for target in consequence.targets)
        case "weigh" | "contradiction" | "stop":
            return (f"{consequence.kind}/{rule.id}/{position}",)
        case kind:
            return tuple(f"{kind}/{target}" for target in consequence.targets)


def token_rules(rules: Iterable[Rule]) -> tuple[TokenRule, ...]:
    """Every branch of every rule as one join; `RULE#N` is branch N of RULE."""
    return tuple(
        TokenRule(
            id=f"{rule.id}#{number}",
            all_of=branch.all_of,
            none_of=branch.none_of,
            derives=tuple(
                token
                for position, consequence in enumerate(rule.consequences)
                for token in derived_tokens(rule, consequence, position)
            ),
        )
        for rule in rules
        for number, branch in enumerate(rule.branches)
    )
