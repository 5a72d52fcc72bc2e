"""What rules bring about: contradictions, repetitions, and what comes to nothing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import permutations

from service.inference.rules import MAX_RULES
from service.ruleset.lints.found import Found, Lint
from service.ruleset.model import UNLISTED_FAULT, Rule, RuleSet

# Those that are the same whether they are concluded once or twice.
_ONCE_IS_ENOUGH = frozenset({"derive", "exclude", "admit", "bar", "prefer", "require", "follow-up"})


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


def _weighs_nothing(rule_set: RuleSet) -> Iterator[Found]:
    for rule in rule_set.rules:
        for index, consequence in enumerate(rule.consequences):
            if consequence.kind == "weigh" and consequence.ratio == 1.0:
                yield Found(
                    "rules",
                    rule.id,
                    "a likelihood ratio of 1 weighs nothing",
                    "Give more than 1 if it speaks for the fault, less if it speaks against.",
                    ("then", index),
                )


def _barred_by_itself(rule_set: RuleSet) -> Iterator[Found]:
    for rule in rule_set.rules:
        by_kind = {kind: _targets(rule, kind) for kind in ("bar", "admit", "prefer", "follow-up")}
        for kind in ("admit", "prefer", "follow-up"):
            both = sorted(by_kind["bar"] & by_kind[kind])
            if both:
                yield Found(
                    "rules",
                    rule.id,
                    f"it bars {both[0]} and would {kind.replace('-', ' ')} it, too",
                    "Drop one of the two: what is barred is not offered.",
                    ("then",),
                )


def _targets(rule: Rule, kind: str) -> set[str]:
    return {one for each in rule.consequences if each.kind == kind for one in each.targets}


def _idle_rule(rule_set: RuleSet) -> Iterator[Found]:
    asked = {
        token
        for rule in rule_set.rules
        for branch in rule.branches
        for token in (*branch.all_of, *branch.none_of)
    }
    for rule in rule_set.rules:
        if all(one.kind == "derive" for one in rule.consequences):
            states = sorted(_targets(rule, "derive"))
            if not any(f"state/{state}" in asked for state in states):
                yield Found(
                    "rules",
                    rule.id,
                    f"it only derives {states[0]!r}, which no rule asks for",
                    "Ask for that state in another rule, or drop this one.",
                    ("then",),
                )


def _rule_twice(rule_set: RuleSet) -> Iterator[Found]:
    seen: dict[object, str] = {}
    for rule in rule_set.rules:
        brings = frozenset(
            (one.kind, one.ratio, one.text, *([] if one.kind == "stop" else one.targets))
            for one in rule.consequences
        )
        other = seen.setdefault((frozenset(rule.branches), brings), rule.id)
        if other != rule.id:
            yield Found(
                "rules",
                rule.id,
                f"{other} says the same",
                "Drop one of the two.",
            )


def _rule_subsumed(rule_set: RuleSet) -> Iterator[Found]:
    """Whenever it fires another one does, and does all the same and more."""
    if sum(len(rule.branches) for rule in rule_set.rules) > MAX_RULES:
        return  # told elsewhere
    brings = {
        rule.id: {(one.kind, target) for one in rule.consequences for target in one.targets}
        for rule in rule_set.rules
    }
    once = {
        rule.id: all(one.kind in _ONCE_IS_ENOUGH for one in rule.consequences)
        for rule in rule_set.rules
    }
    for rule, other in permutations(rule_set.rules, 2):
        if (
            once[rule.id]
            and brings[rule.id] <= brings[other.id]
            and _narrower(rule, other)
            and not (_narrower(other, rule) and brings[rule.id] == brings[other.id])
        ):
            yield Found(
                "rules",
                rule.id,
                f"whenever it fires {other.id} does so, too, and brings about the same",
                "Drop it, or ask for something else.",
            )


def _narrower(rule: Rule, other: Rule) -> bool:
    """Whether another rule fires whenever this one does, by their premises alone."""
    return all(
        any(
            set(wide.all_of).issubset(one.all_of) and set(wide.none_of).issubset(one.none_of)
            for wide in other.branches
        )
        for one in rule.branches
    )


CONSEQUENCES: Mapping[str, Lint] = {
    "unlisted-excluded": _unlisted_excluded,
    "weighs-nothing": _weighs_nothing,
    "barred-by-itself": _barred_by_itself,
    "idle-rule": _idle_rule,
    "rule-twice": _rule_twice,
    "rule-subsumed": _rule_subsumed,
}
