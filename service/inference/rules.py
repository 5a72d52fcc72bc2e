"""Rules as joins of tokens: their shape, what an author may write, and the order of negation.

A token is a short name of something that holds (`finding/main-fuse-resistance/open`). A rule fires
once if all of its `all_of` hold and none of its `none_of` do, and then its `derives` hold too.
Nothing is ever withdrawn, so what a rule list makes of a set of tokens is a pure function of the
set: its stratified model (Apt, Blair and Walker 1988, "Towards a theory of declarative knowledge";
from memory).
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

TOKEN = re.compile(r"[a-z][a-z0-9-]*(/[A-Za-z0-9][A-Za-z0-9._-]*)+")
MAX_TOKEN_LENGTH = 200
RESERVED_KINDS = frozenset({"absent", "sentinel"})

# What the engine stands, with room to spare: tests/inference/test_hazards.py shows each edge.
MAX_RULES = 400
MAX_PREMISES = 16  # a frame of the engine holds 16 facts; the 17th is refused while it runs
MAX_TESTS = 500  # per stratum; the engine's one table of tests has 512 places and must not fill
MAX_SHARING = 250  # per stratum; the 256th rule on one premise makes the engine misfire


@dataclass(frozen=True, slots=True)
class TokenRule:
    """A rule: `id` is unique within its list."""

    id: str
    all_of: tuple[str, ...]
    none_of: tuple[str, ...]
    derives: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Firing:
    """A rule that fired, the tokens it found present and absent, and what it derives."""

    rule: str
    matched: tuple[str, ...]
    absent: tuple[str, ...]
    derived: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Chaining:
    """All tokens that hold in the end, and the rules that fired in causal order."""

    tokens: frozenset[str]
    firings: tuple[Firing, ...]


class RuleListError(ValueError):
    """An author's mistake in a rule list; `rule` is None if it lies in the list as a whole."""

    def __init__(self, rule: str | None, message: str) -> None:
        super().__init__(rule, message)
        self.rule = rule
        self.message = message

    def __str__(self) -> str:
        return self.message if self.rule is None else f"rule {self.rule}: {self.message}"


class EngineError(RuntimeError):
    """The engine misbehaved: never the fault of whoever asked."""


def token_fault(token: str) -> str | None:
    """Why a string is no token, or None if it is one."""
    if len(token) > MAX_TOKEN_LENGTH:
        return f"token {token[:40]}... is longer than {MAX_TOKEN_LENGTH} characters"
    if not TOKEN.fullmatch(token):
        return f"{token!r} is not a token of the form kind/name"
    if token.partition("/")[0] in RESERVED_KINDS:
        return f"tokens of kind {token.partition('/')[0]} are reserved"
    return None


def checked_strata(rules: Sequence[TokenRule]) -> tuple[tuple[TokenRule, ...], ...]:
    """The strata of a rule list in which every rule has been checked against the limits.

    Raises:
        RuleListError: a malformed token, an id used twice, a rule that can never fire, a limit
            exceeded, or negation through a cycle.
    """
    if len(rules) > MAX_RULES:
        raise RuleListError(None, f"{len(rules)} rules; the limit is {MAX_RULES}")
    seen: set[str] = set()
    for rule in rules:
        if not rule.id:
            raise RuleListError(None, "a rule has no id")
        if rule.id in seen:
            raise RuleListError(rule.id, "the id is used twice")
        seen.add(rule.id)
        _check(rule)
    strata = stratify(rules)
    for stratum in strata:
        _check_stratum(stratum)
    return strata


def _check(rule: TokenRule) -> None:
    for token in (*rule.all_of, *rule.none_of, *rule.derives):
        fault = token_fault(token)
        if fault is not None:
            raise RuleListError(rule.id, fault)
    both = set(rule.all_of).intersection(rule.none_of)
    if both:
        raise RuleListError(rule.id, f"can never fire: {min(both)} must be present and absent")
    premises = len(set(rule.all_of)) + len(set(rule.none_of))
    if premises > MAX_PREMISES:
        raise RuleListError(rule.id, f"{premises} premises; the limit is {MAX_PREMISES}")


def _check_stratum(stratum: Iterable[TokenRule]) -> None:
    users: Counter[str] = Counter()
    for rule in stratum:
        premises = [*rule.all_of, *(f"not {token}" for token in rule.none_of)]
        premises = sorted(set(premises)) or ["no premise"]
        users.update(premises)
        if len(users) >= MAX_TESTS:  # one is the adapter's own
            raise RuleListError(
                rule.id,
                f"more than {MAX_TESTS - 1} different premises among rules that no negation parts",
            )
        for premise in premises:
            if users[premise] > MAX_SHARING:
                raise RuleListError(
                    rule.id, f"more than {MAX_SHARING} rules have {premise} in common"
                )


def stratify(rules: Sequence[TokenRule]) -> tuple[tuple[TokenRule, ...], ...]:
    """The rules in strata, each as early as it can be; rule-list order is kept within one.

    A rule comes after every rule that derives what it negates, and not before any rule that
    derives what it needs. Rules that need each other's tokens share a stratum.

    Raises:
        RuleListError: if a rule negates what follows from it, by whatever way.
    """
    level = [0] * len(rules)
    cause: list[int | None] = [None] * len(rules)  # the maker that set a rule's level
    made: dict[str, tuple[int, int]] = {}  # token: level and index of its latest maker
    for index, rule in enumerate(rules):
        made.update((token, (0, index)) for token in rule.derives if token not in made)
    changed = True
    while changed:
        changed = False
        for index, rule in enumerate(rules):
            least, maker = max(
                (
                    *(made[token] for token in rule.all_of if token in made),
                    *(
                        (made[token][0] + 1, made[token][1])
                        for token in rule.none_of
                        if token in made
                    ),
                ),
                default=(0, None),
            )
            if least <= level[index]:
                continue
            changed, level[index], cause[index] = True, least, maker
            # The longest way without a cycle has fewer steps than there are rules.
            if least >= len(rules):
                raise _negation_cycle(rules, cause, index)
            for token in rule.derives:
                if made[token][0] < least:
                    made[token] = (least, index)
    strata: list[list[TokenRule]] = [[] for _ in range(max(level, default=-1) + 1)]
    for index, rule in enumerate(rules):
        strata[level[index]].append(rule)
    return tuple(tuple(stratum) for stratum in strata)


def _negation_cycle(
    rules: Sequence[TokenRule], cause: Sequence[int | None], start: int
) -> RuleListError:
    """The error that names a cycle among the causes; each of those cycles has a negation."""
    way: list[int] = []
    at: int | None = start
    while at is not None and at not in way:
        way.append(at)
        at = cause[at]
    if at is None:
        raise AssertionError("levels grew without a cycle")
    cycle = way[way.index(at) :]
    negating = next(
        one
        for one, maker in zip(cycle, [*cycle[1:], cycle[0]], strict=True)
        if set(rules[one].none_of).intersection(rules[maker].derives)
    )
    turn = cycle.index(negating)
    # From the negating rule forward: what it derives, who needs that, and so back to it.
    onward = [negating, *reversed([*cycle[turn + 1 :], *cycle[:turn]]), negating]
    return RuleListError(
        rules[negating].id,
        "negates what follows from it: " + " -> ".join(rules[one].id for one in onward),
    )
