"""What it means that rules have fired."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache

from service.inference.rules import Chaining
from service.ruleset.model import Rule, RuleSet


@dataclass(frozen=True, slots=True)
class Stop:
    """A reason to stop work, and the rule that gave it."""

    rule: str
    text: str


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Readings that cannot both be right."""

    rule: str
    checks: tuple[str, ...]
    text: str


@dataclass(frozen=True, slots=True)
class Weight:
    """A likelihood ratio that a rule gives to a fault."""

    rule: str
    fault: str
    ratio: float


@dataclass(frozen=True, slots=True)
class FiredRule:
    """A rule that fired, with the facts that fired it (tokens; absent ones begin with `not `)."""

    rule: Rule
    facts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Conclusions:
    """What the rules concluded."""

    states: frozenset[str]
    excluded: frozenset[str]
    weights: tuple[Weight, ...]
    admitted: frozenset[str]
    barred: frozenset[str]
    lacking: frozenset[str]  # barred by the nameplate alone: this equipment has no such part
    preferred: frozenset[str]
    required: frozenset[str]
    follow_up: frozenset[str]
    stops: tuple[Stop, ...]
    contradictions: tuple[Contradiction, ...]
    fired: tuple[FiredRule, ...]


def conclude(rule_set: RuleSet, chaining: Chaining) -> Conclusions:
    """Read the consequences off a finished chaining."""
    by_id = _by_id(rule_set)
    fired: dict[str, FiredRule] = {}
    for firing in chaining.firings:
        rule_id = firing.rule.rsplit("#", 1)[0]
        if rule_id not in fired:  # the first branch to hold is the reason shown
            facts = (*firing.matched, *(f"not {token}" for token in firing.absent))
            fired[rule_id] = FiredRule(by_id[rule_id], facts)
    nameplate = _nameplate_tokens(rule_set)
    lacking: set[str] = set()
    weights: list[Weight] = []
    stops: list[Stop] = []
    contradictions: list[Contradiction] = []
    for rule_id, one in fired.items():
        for consequence in one.rule.consequences:
            match consequence.kind:
                case "weigh":
                    weights += [Weight(rule_id, f, consequence.ratio) for f in consequence.targets]
                case "stop":
                    stops.append(Stop(rule_id, consequence.text))
                case "contradiction":
                    found = Contradiction(rule_id, consequence.targets, consequence.text)
                    contradictions.append(found)
                case "bar" if nameplate.issuperset(one.facts):
                    lacking.update(consequence.targets)
                case _:
                    pass

    ids = _ids(chaining.tokens)
    return Conclusions(
        states=ids("state"),
        excluded=ids("exclude"),
        weights=tuple(weights),
        admitted=ids("admit"),
        barred=ids("bar"),
        lacking=frozenset(lacking),
        preferred=ids("prefer"),
        required=ids("require"),
        follow_up=ids("follow-up"),
        stops=tuple(stops),
        contradictions=tuple(contradictions),
        fired=tuple(fired.values()),
    )


@lru_cache(maxsize=16)
def _by_id(rule_set: RuleSet) -> Mapping[str, Rule]:
    return {rule.id: rule for rule in rule_set.rules}


@lru_cache(maxsize=16)
def _nameplate_tokens(rule_set: RuleSet) -> frozenset[str]:
    return frozenset(one.token for one in rule_set.predicates if one.subject == "nameplate")


def _ids(tokens: Iterable[str]) -> Callable[[str], frozenset[str]]:
    """What stands behind each kind of token: by kind, its ids."""
    by_kind: dict[str, list[str]] = {}
    for token in tokens:
        kind, _, rest = token.partition("/")
        by_kind.setdefault(kind, []).append(rest)
    return lambda kind: frozenset(by_kind.get(kind, ()))
