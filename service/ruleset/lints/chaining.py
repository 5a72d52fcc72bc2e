"""Rules: whether the engine can chain them, and whether each can ever fire."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from service.inference.rules import RuleListError, checked_strata
from service.ruleset.lints.found import Found, Lint, cycles
from service.ruleset.lints.possible import answers, clash
from service.ruleset.model import Rule, RuleSet
from service.ruleset.tokens import token_rules

# The kinds of tokens that rules derive and may ask for, and the consequences that bring them.
_DERIVED = {"state": "derive", "admit": "admit", "require": "require"}


def _not_chainable(rule_set: RuleSet) -> Iterator[Found]:
    """No circle through a negation, and none of the engine's limits overstepped."""
    try:
        checked_strata(token_rules(rule_set.rules))
    except RuleListError as error:
        about = (error.rule or "").rsplit("#", 1)[0]
        yield Found(
            "rules",
            about,
            error.message if about else f"{error.message} (each alternative counts as one)",
            "Ask for fewer things at once, or derive a state by rules of its own and ask for that.",
            ("when",) if about else (),
        )


def _makers(rule_set: RuleSet) -> dict[str, list[str]]:
    """The rules that bring about each token that rules can ask for."""
    out: dict[str, list[str]] = {}
    for rule in rule_set.rules:
        for one in rule.consequences:
            for kind, consequence in _DERIVED.items():
                if one.kind == consequence:
                    for target in one.targets:
                        out.setdefault(f"{kind}/{target}", []).append(rule.id)
    return out


def _asked(rule: Rule) -> set[str]:
    """What a rule asks for, present or absent, that other rules have to bring about."""
    tokens = {token for branch in rule.branches for token in (*branch.all_of, *branch.none_of)}
    return {token for token in tokens if token.partition("/")[0] in _DERIVED}


def _nothing_derives(rule_set: RuleSet) -> Iterator[Found]:
    made = _makers(rule_set)
    for rule in rule_set.rules:
        for token in sorted(_asked(rule) - made.keys()):
            kind, _, name = token.partition("/")
            yield Found(
                "rules",
                rule.id,
                f"no rule brings about {kind} {name!r}",
                f"Let a rule {_DERIVED[kind]} it, or ask for something else.",
                ("when",),
            )


def _rule_cycle(rule_set: RuleSet) -> Iterator[Found]:
    for way in cycles(_leads_to(rule_set)):
        yield Found(
            "rules",
            way[0],
            f"it leads back to itself: {' -> '.join(way)}",
            "Derive each state from findings or from states before it.",
            ("then",),
        )


def _leads_to(rule_set: RuleSet) -> dict[str, tuple[str, ...]]:
    """The rules that ask for something present that a rule brings about, by rule."""
    made = _makers(rule_set)
    out: dict[str, dict[str, None]] = {rule.id: {} for rule in rule_set.rules}
    for rule in rule_set.rules:
        for branch in rule.branches:
            for token in branch.all_of:
                for maker in made.get(token, ()):
                    out[maker][rule.id] = None
    return {rule: tuple(found) for rule, found in out.items()}


def _never_fires(rule_set: RuleSet) -> Iterator[Found]:
    """Premises that contradict each other, or that come from such rules alone."""
    predicates = {one.token: one for one in rule_set.predicates}
    made = _makers(rule_set)
    circles = {one for way in cycles(_leads_to(rule_set)) for one in way}
    waiting: list[tuple[Rule, list[tuple[str, ...]]]] = []
    for rule in rule_set.rules:
        found = [clash(rule_set, predicates, branch) for branch in rule.branches]
        why = next((one for one in found if one is not None), None)
        if why is not None:
            part = "" if None not in found else "one of its alternatives "
            yield Found(
                "rules",
                rule.id,
                f"{part}can never hold: {why}".strip(),
                "Drop or mend one of the two.",
                ("when",),
            )
        good = [b.all_of for b, one in zip(rule.branches, found, strict=True) if one is None]
        waiting.append((rule, good))
    # What nothing brings about, or a circle does, is told elsewhere.
    there = {token for rule in rule_set.rules for token in _asked(rule) - made.keys()}
    there |= {token for token, makers in made.items() if circles.intersection(makers)}
    live: set[str] = set()
    changed = True
    while changed:
        changed = False
        for rule, branches in waiting:
            if rule.id in live:
                continue
            if any(there.issuperset(set(all_of) & made.keys()) for all_of in branches):
                live.add(rule.id)
                there |= {token for token, makers in made.items() if rule.id in makers}
                changed = True
    for rule, branches in waiting:
        if rule.id not in live and branches:
            lost = sorted({t for all_of in branches for t in all_of if t in made} - there)
            yield Found(
                "rules",
                rule.id,
                f"can never fire: what brings about {lost[0].replace('/', ' ', 1)!r} never does",
                "Mend the rule that should bring it about.",
                ("when",),
            )


def _decides_nothing(rule_set: RuleSet) -> Iterator[Found]:
    asking: dict[str, dict[str, None]] = {}
    for rule in rule_set.rules:
        for branch in rule.branches:
            for token in (*branch.all_of, *branch.none_of):
                asking.setdefault(token, {})[rule.id] = None
    for predicate in rule_set.predicates:
        found = answers(rule_set, predicate)
        for rule_id in asking.get(predicate.token, ()) if len(found) == 1 else ():
            word = "every" if True in found else "no"
            yield Found(
                "rules",
                rule_id,
                f"{predicate.text!r} is so for {word} value that there may be",
                "Compare with a value between the least and the most, or with fewer words.",
                ("when",),
            )


def _never_admitted(rule_set: RuleSet) -> Iterator[Found]:
    made = _makers(rule_set)
    for check in rule_set.checks.values():
        if check.by_rule and f"admit/{check.id}" not in made:
            yield Found(
                "checks",
                check.id,
                "by_rule, but no rule admits it",
                "Admit it in a rule, or drop `by_rule`.",
                ("by_rule",),
            )


def _admits_nothing(rule_set: RuleSet) -> Iterator[Found]:
    asked = {token for rule in rule_set.rules for token in _asked(rule)}
    for rule in rule_set.rules:
        for index, one in enumerate(rule.consequences):
            for name in one.targets if one.kind == "admit" else ():
                if not rule_set.checks[name].by_rule and f"admit/{name}" not in asked:
                    yield Found(
                        "rules",
                        rule.id,
                        f"it admits {name}, which is offered without that",
                        f"Give {name} `by_rule: true` if it waits for this rule, or drop it here.",
                        ("then", index),
                    )


CHAINING: Mapping[str, Lint] = {
    "not-chainable": _not_chainable,
    "nothing-derives": _nothing_derives,
    "rule-cycle": _rule_cycle,
    "never-fires": _never_fires,
    "decides-nothing": _decides_nothing,
    "never-admitted": _never_admitted,
    "admits-nothing": _admits_nothing,
}
