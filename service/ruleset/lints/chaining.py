"""Rules: whether the engine can chain them, and whether each has a use."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from service.inference.rules import RuleListError, checked_strata
from service.ruleset.lints.found import Found, Lint
from service.ruleset.model import UNLISTED_FAULT, RuleSet
from service.ruleset.tokens import token_rules


def _not_chainable(rule_set: RuleSet) -> Iterator[Found]:
    """No circle through a negation, and none of the engine's limits overstepped."""
    try:
        checked_strata(token_rules(rule_set.rules))
    except RuleListError as error:
        yield Found(
            "rules",
            (error.rule or "").rsplit("#", 1)[0],
            error.message,
            "Split the rule, or derive a state by rules of their own and ask for the state.",
            ("when",),
        )


def _unlisted_excluded(rule_set: RuleSet) -> Iterator[Found]:
    for rule in rule_set.rules:
        for index, consequence in enumerate(rule.consequences):
            if consequence.kind == "exclude" and UNLISTED_FAULT in consequence.targets:
                yield Found(
                    "rules",
                    rule.id,
                    f"{UNLISTED_FAULT} cannot be excluded",
                    "Leave it out: what nobody has listed is always possible.",
                    ("then", index),
                )


def _made(rule_set: RuleSet, kind: str) -> frozenset[str]:
    """What some rule brings about, of one kind of consequence."""
    return frozenset(
        target
        for rule in rule_set.rules
        for one in rule.consequences
        if one.kind == kind
        for target in one.targets
    )


def _state_not_derived(rule_set: RuleSet) -> Iterator[Found]:
    derived = _made(rule_set, "derive")
    for rule in rule_set.rules:
        tokens = {t for branch in rule.branches for t in (*branch.all_of, *branch.none_of)}
        for token in sorted(tokens):
            if token.startswith("state/") and token[6:] not in derived:
                yield Found(
                    "rules",
                    rule.id,
                    f"no rule derives the state {token[6:]!r}",
                    "Derive it by a rule, or ask for a state that there is.",
                    ("when",),
                )


def _unreachable_rule(rule_set: RuleSet) -> Iterator[Found]:
    produced = {f"{kind}/{one}" for kind in ("admit", "require") for one in _made(rule_set, kind)}
    for rule in rule_set.rules:
        tokens = {token for branch in rule.branches for token in branch.all_of}
        for token in sorted(tokens):
            if token.startswith(("admit/", "require/")) and token not in produced:
                yield Found(
                    "rules",
                    rule.id,
                    f"no rule brings about {token!r}",
                    "Ask for what some rule admits or requires.",
                    ("when",),
                )


def _never_admitted(rule_set: RuleSet) -> Iterator[Found]:
    admitted = _made(rule_set, "admit")
    for check in rule_set.checks.values():
        if check.by_rule and check.id not in admitted:
            yield Found(
                "checks",
                check.id,
                "by_rule, but no rule admits it",
                "Admit it in a rule, or drop `by_rule`.",
                ("by_rule",),
            )


CHAINING: Mapping[str, Lint] = {
    "not-chainable": _not_chainable,
    "unlisted-excluded": _unlisted_excluded,
    "state-not-derived": _state_not_derived,
    "unreachable-rule": _unreachable_rule,
    "never-admitted": _never_admitted,
}
