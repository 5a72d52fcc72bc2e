"""From the conditions that an author writes to branches of tokens that a chainer can join.

Tokens (`kind/rest`) name all that a rule can see:

    finding/CHECK/OUTCOME    the reading is, with near certainty, this outcome
    possible/CHECK/OUTCOME   it may well be this outcome (safety rules ask for this)
    answered/CHECK           there is a reading
    symptom/ID               the complaint, as long as no repair is to be proven
    phase/PHASE              diagnose or verify-repair
    earlier/CHECK/OUTCOME    a reading from before the repairs may well have been this outcome
    replaced/PART            a repair has replaced it
    confirmed/PRECAUTION
    test/...                 a comparison of a nameplate value or a reading that holds
    state/ID  admit/CHECK  require/PRECAUTION   derived by other rules
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import product
from typing import Any, get_args

from service.physics.units import to_si
from service.ruleset.model import Branch, Comparison, Predicate

MAX_BRANCHES = 64
COMPARISONS: tuple[str, ...] = get_args(Comparison)
SAYS = {"eq": "is", "ne": "is not", "lt": "<", "le": "≤", "gt": ">", "ge": "≥", "in": "in"}

Literals = tuple[frozenset[str], frozenset[str]]  # (present, absent)


class ConditionError(ValueError):
    """A condition that cannot be compiled: why, by which code, and what would be right."""

    def __init__(self, message: str, code: str, advice: str) -> None:
        super().__init__(message)
        self.code = code
        self.advice = advice


def _comparison(message: str, advice: str) -> ConditionError:
    return ConditionError(message, "comparison", advice)


def _too_many() -> ConditionError:
    return ConditionError(
        f"the condition has more than {MAX_BRANCHES} alternatives",
        "too-many-alternatives",
        "Derive a state by rules of their own, and ask for the state.",
    )


def branches(
    condition: Mapping[str, Any],
    quantity_of: Callable[[str, str], str | None],
    predicates: dict[str, Predicate],
) -> tuple[Branch, ...]:
    """The disjunctive form of a condition.

    `quantity_of(subject, name)` gives the quantity of a nameplate field or of a check's reading
    (None for a word). Comparisons met on the way are added to `predicates` by token.

    Raises:
        ConditionError: if the condition has more than 64 branches or compares unlike things.
    """
    found = _literals(condition, quantity_of, predicates, negated=False)
    out: dict[Branch, None] = {}
    for present, absent in found:
        if present & absent:
            continue  # can never hold
        out[Branch(tuple(sorted(present)), tuple(sorted(absent)))] = None
    if not out:
        raise ConditionError(
            "the condition can never hold",
            "never-fires",
            "Drop what is asked for both to hold and not to hold.",
        )
    return tuple(out)


def _literals(
    node: Mapping[str, Any],
    quantity_of: Callable[[str, str], str | None],
    predicates: dict[str, Predicate],
    *,
    negated: bool,
) -> list[Literals]:
    if "not" in node:
        return _literals(node["not"], quantity_of, predicates, negated=not negated)
    if "all" in node or "any" in node:
        parts = [
            _literals(part, quantity_of, predicates, negated=negated)
            for part in node.get("all", node.get("any"))
        ]
        # De Morgan: the negation of an `all` is an `any` of negations.
        if ("all" in node) != negated:
            count = 1
            for part in parts:
                count *= len(part)
            if count > MAX_BRANCHES:
                raise _too_many()
            return [
                (
                    frozenset().union(*(p for p, _ in choice)),
                    frozenset().union(*(a for _, a in choice)),
                )
                for choice in product(*parts)
            ]
        merged = [literal for part in parts for literal in part]
        if len(merged) > MAX_BRANCHES:
            raise _too_many()
        return merged
    alternatives = _tokens(node, quantity_of, predicates)
    if negated:
        return [(frozenset(), frozenset(alternatives))]
    return [(frozenset({token}), frozenset()) for token in alternatives]


def _tokens(
    node: Mapping[str, Any],
    quantity_of: Callable[[str, str], str | None],
    predicates: dict[str, Predicate],
) -> list[str]:
    """The tokens of one plain condition, of which any one satisfies it."""
    if "finding" in node:
        check = node["finding"]
        if "outcome" in node:
            return [f"finding/{check}/{outcome}" for outcome in _many(node["outcome"])]
        if "possible" in node:
            return [f"possible/{check}/{outcome}" for outcome in _many(node["possible"])]
        return [f"answered/{check}"]
    if "symptom" in node:
        return [f"symptom/{symptom}" for symptom in _many(node["symptom"])]
    if "earlier" in node:
        return [f"earlier/{node['earlier']}/{outcome}" for outcome in _many(node["possible"])]
    if "replaced" in node:
        return [f"replaced/{part}" for part in _many(node["replaced"])]
    for key, kind in (
        ("phase", "phase"),
        ("state", "state"),
        ("confirmed", "confirmed"),
        ("admitted", "admit"),
        ("required", "require"),
    ):
        if key in node:
            return [f"{kind}/{node[key]}"]
    subject = "nameplate" if "nameplate" in node else "reading"
    predicate = _predicate(node, subject, quantity_of)
    predicates[predicate.token] = predicate
    return [predicate.token]


def _predicate(
    node: Mapping[str, Any], subject: str, quantity_of: Callable[[str, str], str | None]
) -> Predicate:
    name = node[subject]
    comparison = next(key for key in node if key in COMPARISONS)
    raw = _many(node[comparison])
    quantity = quantity_of(subject, name)
    if comparison != "in" and len(raw) != 1:
        raise _comparison(f"`{comparison}` takes one value", "Use `in` for a list.")
    operands: list[float | str] = []
    for item in raw:
        if isinstance(item, Mapping):
            if quantity is None:
                raise _comparison(f"{name} is a word, not a quantity", "Compare it with a word.")
            operands.append(to_si(item["value"], item["unit"], quantity))
        elif quantity is not None:
            raise _comparison(
                f"{name} is a {quantity}, not a word", "Compare it with a value and unit."
            )
        elif comparison in ("lt", "le", "gt", "ge"):
            raise _comparison(
                f"words cannot be ordered by `{comparison}`", "Use `eq`, `ne` or `in`."
            )
        else:
            operands.append(item)
    shown = " or ".join(
        f"{item['value']} {item['unit']}" if isinstance(item, Mapping) else str(item)
        for item in raw
    )
    stem = "_".join(_written(one) if isinstance(one, float) else one for one in operands)
    stem = stem.replace("+", "").replace("-", "m") if quantity else stem
    return Predicate(
        token=f"test/{subject}.{name}.{comparison}.{stem}",
        subject="nameplate" if subject == "nameplate" else "reading",
        name=name,
        comparison=comparison,  # type: ignore[arg-type]
        operands=tuple(operands),
        text=f"{name} {SAYS[comparison]} {shown}",
    )


def _written(number: float) -> str:
    """A number short where that is exact, else in full: unlike numbers are unlike tokens."""
    short = f"{number:g}"
    return short if float(short) == number else repr(number)


def holds(predicate: Predicate, value: float | str) -> bool:
    """Whether a comparison holds for a value (SI units, or a word)."""
    first = predicate.operands[0]
    match predicate.comparison:
        case "eq":
            return value == first
        case "ne":
            return value != first
        case "in":
            return value in predicate.operands
    if isinstance(value, str) or isinstance(first, str):
        return False
    match predicate.comparison:
        case "lt":
            return value < first
        case "le":
            return value <= first
        case "gt":
            return value > first
    return value >= first


def _many(value: Any) -> Sequence[Any]:
    return value if isinstance(value, list) else [value]
