"""What a candidate answers otherwise than the installed rule set, above all what it leaves out."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.diagnosis.precautions import at_hand
from service.ruleset.model import SIGNAL_WORDS, Precaution, Rule, RuleSet

Assessment = Mapping[str, Any]

LEAST_CONFIDENCE = 0.001  # confidences that are closer are taken for the same
_NAMED = 3  # places of a loss that its message names
_ANYWHERE = "rule set"


@dataclass(frozen=True, slots=True)
class Loss:
    """Something that protects people and that the candidate has not kept, and one place of it.

    kind: precaution-lost, precaution-weakened or stop-lost. lost: the precaution, the rule that
    stopped work, or `stop-work`. place: checks, cases, ... and which one of these.
    """

    kind: str
    lost: str
    place: str
    where: str


@dataclass(frozen=True, slots=True)
class Losses:
    """All places of one loss."""

    kind: str
    lost: str
    where: Mapping[str, list[str]]
    message: str


def gathered(losses: Iterable[Loss]) -> list[Losses]:
    """One entry for each thing lost, with all its places: one mistake is often felt in many."""
    by_thing: dict[tuple[str, str], dict[str, list[str]]] = {}
    for one in losses:
        places = by_thing.setdefault((one.kind, one.lost), {})
        places.setdefault(one.place, []).append(one.where)
    return [
        Losses(kind, lost, where, _message(kind, lost, where))
        for (kind, lost), where in by_thing.items()
    ]


def _message(kind: str, lost: str, where: Mapping[str, list[str]]) -> str:
    places = "; ".join(f"{place}: {_some(names)}" for place, names in where.items())
    return f"{kind.replace('-', ' ').upper()}: {lost} ({places})"


def _some(names: list[str]) -> str:
    more = len(names) - _NAMED
    return ", ".join(names[:_NAMED]) + (f" and {more} more" if more > 0 else "")


def difference(rule_set: RuleSet, installed: Assessment, candidate: Assessment) -> dict[str, Any]:
    """How a candidate's assessment of a case differs from the installed one; empty if it does not.

    rule_set: the installed one. `status`, `verdict` (fault), `confidence` and `next_check` as they
    were and are; `findings` that have another outcome or probability; then precautions as ids:
    `precautions_lost` are those that the installed rule set gives for what the candidate says comes
    next, `precautions_dropped` those for another step only.
    """
    before, after = _decided(installed), _decided(candidate)
    out: dict[str, Any] = {
        key: {"installed": before[key], "candidate": after[key]}
        for key in before
        if _differs(before[key], after[key])
    }
    if findings := list(_findings(installed, candidate)):
        out["findings"] = findings
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
        aim = rule_set.checks.get(check) or rule_set.plates.get(check)
        if aim is not None:
            out |= at_hand(rule_set, aim)
        preparation = rule_set.preparations.get(step["id"])
        if preparation is not None:
            out.update((preparation.confirms, *preparation.precautions))
    if verdict is not None and verdict["remedy"]["id"] in rule_set.remedies:
        out |= at_hand(rule_set, rule_set.remedies[verdict["remedy"]["id"]])
    return out


def _differs(before: Any, after: Any) -> bool:
    """Whether one is not the other; of two confidences, whether it could matter to anybody."""
    if isinstance(before, float) and isinstance(after, float):
        return abs(before - after) >= LEAST_CONFIDENCE
    return bool(before != after)


def _decided(assessment: Assessment) -> dict[str, Any]:
    verdict, following = assessment["verdict"], assessment["next_check"]
    return {
        "status": assessment["status"],
        "verdict": verdict and verdict["fault"],
        "confidence": verdict and verdict["confidence"],
        "next_check": following and following["id"],
    }


def _findings(installed: Assessment, candidate: Assessment) -> Iterator[dict[str, Any]]:
    """The readings that are found to mean something else, or with another probability.

    A decision that was written down has no findings of this form: of that nothing is said.
    """
    both = zip(installed.get("findings", ()), candidate.get("findings", ()), strict=False)
    for before, after in both:
        found = {
            key: {"installed": before[key], "candidate": after[key]}
            for key in ("outcome", "probability")
        }
        if any(_differs(*one.values()) for one in found.values()):
            yield {"reading": before["reading"], "check": before["check"], **found}


def _precautions(assessment: Assessment) -> list[str]:
    return [one["id"] for one in assessment["precautions"]]


def losses_of_case(case: str, found: Mapping[str, Any]) -> Iterator[Loss]:
    """What a case's difference means for safety: precautions that are lost, and a stop that is."""
    status = found.get("status", {})
    if status.get("installed") == "stop-work":
        yield Loss("stop-lost", "stop-work", "cases", case)
    if status == {"installed": "not-released", "candidate": "released"}:
        yield Loss("stop-lost", "not-released", "cases", case)
    for one in found.get("precautions_lost", ()):
        yield Loss("precaution-lost", one, "cases", case)


def weakened(installed: RuleSet, candidate: RuleSet) -> Iterator[Loss]:
    """What the candidate asks for less than the installed rule set, whether or not a case shows it.

    Only things that both have are held against each other; and rules that stop work.
    """
    for field in ("always", "when_not_released"):
        had, has = getattr(installed, field), getattr(candidate, field)
        yield from _lost(_ANYWHERE, field.replace("_", "-"), had, has)
    for place in ("checks", "remedies"):
        before, after = getattr(installed, place), getattr(candidate, place)
        for name in _both(before, after):
            needed = at_hand(installed, before[name]), at_hand(candidate, after[name])
            yield from _lost(place, name, *needed)
    for name in _both(installed.access, candidate.access):
        had, has = installed.access[name].closes_with, candidate.access[name].closes_with
        yield from _lost("access", name, had, has)
    for name in _both(installed.precautions, candidate.precautions):
        for how in _weaker(installed.precautions[name], candidate.precautions[name]):
            yield Loss("precaution-weakened", name, _ANYWHERE, how)
    stops = {rule.id for rule in candidate.rules if _stops(rule)}
    for rule in installed.rules:
        if _stops(rule) and rule.id not in stops:
            yield Loss("stop-lost", rule.id, _ANYWHERE, "no such rule stops work any more")


def _both(installed: Mapping[str, Any], candidate: Mapping[str, Any]) -> list[str]:
    return [name for name in installed if name in candidate]


def _lost(place: str, name: str, had: Iterable[str], has: Iterable[str]) -> Iterator[Loss]:
    for one in sorted(set(had) - set(has)):
        yield Loss("precaution-lost", one, place, name)


def _weaker(before: Precaution, after: Precaution) -> Iterator[str]:
    """In what a precaution protects less than it did."""
    if before.confirm and not after.confirm:
        yield "need not be confirmed any more"
    if SIGNAL_WORDS.index(after.signal_word) > SIGNAL_WORDS.index(before.signal_word):
        yield f"is {after.signal_word}, no longer {before.signal_word}"
    if before.void_when_energised and not after.void_when_energised:
        yield "still counts after the equipment has been energised"
    for one in sorted(set(before.withdrawn_by) - set(after.withdrawn_by)):
        yield f"is no longer taken back by {one}"


def _stops(rule: Rule) -> bool:
    return any(one.kind == "stop" for one in rule.consequences)


def in_words(change: Any) -> str:
    """One change of a difference as a line: what it was and what it is; findings, precautions."""
    if isinstance(change, list):
        return ", ".join(one if isinstance(one, str) else _finding(one) for one in change)
    before, after = change.values()
    return f"{_shown(before)} -> {_shown(after)}"


def _finding(found: Mapping[str, Any]) -> str:
    shown = (
        f"{found['outcome'][which]} ({found['probability'][which]:.3f})"
        for which in ("installed", "candidate")
    )
    return f"{found['check']} {' -> '.join(shown)}"


def _shown(value: Any) -> str:
    return "none" if value is None else str(value)
