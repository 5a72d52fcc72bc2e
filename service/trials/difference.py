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


def difference(rule_set: RuleSet, installed: Assessment, candidate: Assessment) -> dict[str, Any]:
    """How a candidate's assessment of a case differs from the installed one; empty if it does not.

    rule_set: the installed one. `status`, `verdict` (fault), `confidence` and `next_check` as they
    were and are; then precautions as ids: `precautions_lost` are those that the installed rule set
    gives for what the candidate says comes next, `precautions_dropped` those for another step only.
    """
    before, after = _decided(installed), _decided(candidate)
    out: dict[str, Any] = {
        key: {"installed": before[key], "candidate": after[key]}
        for key in before
        if before[key] != after[key]
    }
    had, has = _precautions(installed), _precautions(candidate)
    same_step = not {"status", "verdict", "next_check"} & out.keys()
    needed = set(had) if same_step else _needed(rule_set, installed, candidate)
    gone = [one for one in (*had, *sorted(needed - set(had))) if one not in has]
    for key, found in (
        ("precautions_lost", [one for one in gone if one in needed]),
        ("precautions_dropped", [one for one in gone if one not in needed]),
        ("precautions_gained", [one for one in has if one not in had]),
    ):
        if found:
            out[key] = found
    return out


def _needed(rule_set: RuleSet, installed: Assessment, candidate: Assessment) -> set[str]:
    """The precautions that a rule set gives for the step which a candidate comes to."""
    out = set(rule_set.always)
    fired = {one["rule"] for one in installed["explanation"]["rules"]}
    for rule in rule_set.rules:
        if rule.id in fired:
            required = (one.targets for one in rule.consequences if one.kind == "require")
            out.update(*required)
    if candidate["status"] == "not-released":
        out.update(rule_set.when_not_released)
    step, verdict = candidate["next_check"], candidate["verdict"]
    if step is not None:
        check = step["for_check"] if step["kind"] == "preparation" else step["id"]
        out.update(_check(rule_set, check) if check in rule_set.checks else ())
        preparation = rule_set.preparations.get(step["id"])
        if preparation is not None:
            out.update((preparation.confirms, *preparation.precautions))
    if verdict is not None and verdict["remedy"]["id"] in rule_set.remedies:
        out.update(_remedy(rule_set, verdict["remedy"]["id"]))
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
    """What a case's difference means for safety: precautions that are lost, and a stop that is."""
    status = found.get("status", {})
    if status.get("installed") == "stop-work":
        yield Loss(
            "stop-lost",
            case,
            "stop-work",
            f"STOP LOST: case {case} ended in stop-work and now is {status['candidate']}",
        )
    for one in found.get("precautions_lost", ()):
        message = f"PRECAUTION LOST: case {case} does not give {one}"
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
    for name in sorted(installed.access.keys() & candidate.access.keys()):
        had, has = installed.access[name].closes_with, candidate.access[name].closes_with
        yield from _lost("access", name, had, has)
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
    return (*access.requires, *access.precautions, *check.precautions)


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
