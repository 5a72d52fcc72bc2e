"""What a candidate answers otherwise than the installed rule set, above all what it leaves out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.ruleset.model import Rule, RuleSet

Assessment = Mapping[str, Any]

_WORDS = ("DANGER", "WARNING", "CAUTION", "NOTICE")  # ISO 3864-2:2016 and ANSI Z535.4 (from memory)


@dataclass(frozen=True, slots=True)
class Loss:
    """Something that protects people and that the candidate has not kept.

    where: the case, check, remedy, precaution or rule. lost: what is not there any more.
    """

    kind: str
    where: str
    lost: str
    message: str


def difference(installed: Assessment, candidate: Assessment) -> dict[str, Any]:
    """How two assessments of a case differ; empty if they do not.

    `status`, `verdict` (fault), `confidence` and `next_check` as they were and are;
    `precautions_lost` and `precautions_gained` as ids.
    """
    before, after = _decided(installed), _decided(candidate)
    out: dict[str, Any] = {
        key: {"installed": before[key], "candidate": after[key]}
        for key in before
        if before[key] != after[key]
    }
    had, has = _precautions(installed), _precautions(candidate)
    if lost := [one for one in had if one not in has]:
        out["precautions_lost"] = lost
    if gained := [one for one in has if one not in had]:
        out["precautions_gained"] = gained
    return out


def _decided(assessment: Assessment) -> dict[str, Any]:
    verdict, following = assessment["verdict"], assessment["next_check"]
    return {
        "status": assessment["status"],
        "verdict": verdict and verdict["fault"],
        "confidence": verdict and verdict["confidence"],
        "next_check": following and following["id"],
    }


def _precautions(assessment: Assessment) -> list[str]:
    return [one["id"] for one in assessment["precautions"]]


def losses_of_case(case: str, found: Mapping[str, Any]) -> Iterator[Loss]:
    """What a case's difference means for safety: each precaution that its answer had and has not.

    A stop that is no stop any more is lost as well.
    """
    status = found.get("status", {})
    if status.get("installed") == "stop-work":
        yield Loss(
            "stop-lost",
            case,
            "stop-work",
            f"STOP LOST: case {case} ended in stop-work and now is {status['candidate']}",
        )
    moved = [key for key in ("status", "verdict", "next_check") if key in found]
    why = f"; what comes next is another ({', '.join(moved)})" if moved else ""
    for one in found.get("precautions_lost", ()):
        message = f"PRECAUTION LOST: case {case} no longer gives {one}{why}"
        yield Loss("precaution-lost", case, one, message)


def weakened(installed: RuleSet, candidate: RuleSet) -> Iterator[Loss]:
    """What the candidate asks for less than the installed rule set, whether or not a case shows it.

    Only things that both have are held against each other; and rules that stop work.
    """
    yield from _lost("rule set", "always", installed.always, candidate.always)
    yield from _lost(
        "rule set", "when-not-released", installed.when_not_released, candidate.when_not_released
    )
    for name in sorted(installed.checks.keys() & candidate.checks.keys()):
        yield from _lost("check", name, _check(installed, name), _check(candidate, name))
    for name in sorted(installed.remedies.keys() & candidate.remedies.keys()):
        yield from _lost("remedy", name, _remedy(installed, name), _remedy(candidate, name))
    yield from _weaker_precautions(installed, candidate)
    stops = {rule.id for rule in candidate.rules if _stops(rule)}
    for rule in installed.rules:
        if _stops(rule) and rule.id not in stops:
            message = f"STOP LOST: no rule {rule.id} stops work any more"
            yield Loss("stop-lost", rule.id, "stop-work", message)


def _lost(what: str, name: str, had: Any, has: Any) -> Iterator[Loss]:
    for one in sorted(set(had) - set(has)):
        message = f"PRECAUTION LOST: {what} {name} no longer asks for {one}"
        yield Loss("precaution-lost", name, one, message)


def _check(rule_set: RuleSet, name: str) -> tuple[str, ...]:
    check = rule_set.checks[name]
    access = rule_set.access[check.access]
    return (*access.requires, *access.precautions, *access.closes_with, *check.precautions)


def _remedy(rule_set: RuleSet, name: str) -> tuple[str, ...]:
    remedy = rule_set.remedies[name]
    access = rule_set.access[remedy.access]
    return (*access.requires, *access.precautions, *remedy.precautions)


def _weaker_precautions(installed: RuleSet, candidate: RuleSet) -> Iterator[Loss]:
    for name in sorted(installed.precautions.keys() & candidate.precautions.keys()):
        before, after = installed.precautions[name], candidate.precautions[name]
        if before.confirm and not after.confirm:
            message = f"PRECAUTION LOST: {name} need not be confirmed any more"
            yield Loss("precaution-lost", name, "confirmation", message)
        if _WORDS.index(after.signal_word) > _WORDS.index(before.signal_word):
            message = f"PRECAUTION LOST: {name} is {after.signal_word}, no longer"
            yield Loss(
                "precaution-lost", name, before.signal_word, f"{message} {before.signal_word}"
            )
        for field in ("withdrawn_by", "stale_after"):
            for one in sorted(set(getattr(before, field)) - set(getattr(after, field))):
                message = f"PRECAUTION LOST: {name} outlives {one}, which took it back ({field})"
                yield Loss("precaution-lost", name, one, message)


def _stops(rule: Rule) -> bool:
    return any(one.kind == "stop" for one in rule.consequences)
