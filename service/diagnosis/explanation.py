"""Why: which reading moved which fault by how much, which rule fired from which facts."""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np

from service.diagnosis.arrays import Vector
from service.diagnosis.belief import Belief, decibans, steps
from service.diagnosis.chaining import Conclusions, FiredRule
from service.diagnosis.decision import Decision
from service.diagnosis.findings import Finding
from service.diagnosis.states import BeliefModel
from service.ruleset.model import UNLISTED_FAULT, Consequence, Predicate, RuleSet

MOVED_SHOWN = 5
LEAST_MOVE = 0.005


def explain(
    rule_set: RuleSet,
    model: BeliefModel,
    belief: Belief,
    conclusions: Conclusions,
    decision: Decision,
) -> dict[str, Any]:
    """The `explanation` of a response: a summary, each reading's moves, the rules that fired."""
    moves = zip(belief.likelihoods, pairwise(steps(model, belief)), strict=True)
    readings = [_moves(model, one.finding, *move) for one, move in moves]
    return {
        "summary": _summary(rule_set, readings, conclusions, decision),
        "readings": readings,
        "rules": [_rule(rule_set, fired) for fired in conclusions.fired],
    }


def _moves(model: BeliefModel, finding: Finding, before: Vector, after: Vector) -> dict[str, Any]:
    order = np.argsort(-np.abs(after - before), kind="stable")[:MOVED_SHOWN]
    return {
        "reading": finding.reading.index,
        "check": finding.check,
        "outcome": finding.outcome,
        "moved": [
            {
                "fault": model.hypotheses[i],
                "before": round(float(before[i]), 6),
                "after": round(float(after[i]), 6),
                "decibans": round(decibans(float(before[i]), float(after[i])), 2),
            }
            for i in order
            if abs(after[i] - before[i]) >= LEAST_MOVE
        ],
    }


def _summary(
    rule_set: RuleSet,
    readings: list[dict[str, Any]],
    conclusions: Conclusions,
    decision: Decision,
) -> list[str]:
    out = []
    for one in readings:
        moved = "; ".join(
            f"{title_of(rule_set, entry['fault'])} {entry['before']:.1%} → {entry['after']:.1%}"
            for entry in one["moved"][:3]
        )
        title = rule_set.checks[one["check"]].title
        out.append(f"{title}: {one['outcome']}. {moved or 'This changes little'}.")
    out += [fired.rule.because for fired in conclusions.fired if _speaks(fired)]
    if decision.verdict is not None:
        out.append(
            f"Verdict: {decision.verdict.fault.title}, with a confidence of "
            f"{decision.verdict.confidence:.1%}."
        )
    if decision.plan is not None:
        step = decision.plan.preparation
        title = decision.plan.aim.title
        out.append(f"Next: {step.title}, then {title}." if step else f"Next: {title}.")
    out += [reason.text for reason in decision.reasons]
    return out


def title_of(rule_set: RuleSet, fault: str) -> str:
    """A hypothesis in words."""
    return "Unlisted fault" if fault == UNLISTED_FAULT else rule_set.faults[fault].title


def _speaks(fired: FiredRule) -> bool:
    """Rules that a technician wants to hear of; admissions and precautions speak for themselves."""
    return any(
        one.kind in ("derive", "exclude", "prefer", "follow-up") for one in fired.rule.consequences
    )


@lru_cache(maxsize=4096)
def _rule(rule_set: RuleSet, fired: FiredRule) -> dict[str, Any]:
    """A rule that fired, as shown. Kept, and shared between answers: it is not to be changed."""
    predicates = _predicates(rule_set)
    return {
        "rule": fired.rule.id,
        "because": fired.rule.because,
        "facts": [_fact(token, predicates) for token in fired.facts],
        "consequences": [_consequence(one) for one in fired.rule.consequences],
    }


@lru_cache(maxsize=16)
def _predicates(rule_set: RuleSet) -> dict[str, Predicate]:
    return {predicate.token: predicate for predicate in rule_set.predicates}


def _fact(token: str, predicates: dict[str, Predicate]) -> str:
    if token.startswith("not "):
        return f"not ({_fact(token[4:], predicates)})"
    if token in predicates:
        return predicates[token].text
    kind, rest = token.split("/", 1)
    match kind:
        case "finding":
            return " is ".join(rest.split("/"))
        case "possible":
            return " may be ".join(rest.split("/"))
        case "answered":
            return f"{rest} answered"
        case "admit":
            return f"{rest} admitted"
        case "require":
            return f"{rest} required"
        case _:
            return f"{kind} {rest}"


def _consequence(one: Consequence) -> str:
    match one.kind:
        case "stop":
            return f"stop work: {one.text}"
        case "contradiction":
            return f"contradiction between {' and '.join(one.targets)}: {one.text}"
        case "weigh":
            return f"weigh {', '.join(one.targets)} by {one.ratio:g}"
        case kind:
            return f"{kind} {', '.join(one.targets)}"
