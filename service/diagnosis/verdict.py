"""Which fault the readings prove, what must be answered first, and what goes with it."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass

import numpy as np

from service.diagnosis.arrays import Vector
from service.diagnosis.belief import Belief, by_remedy, there
from service.diagnosis.case import Case
from service.diagnosis.findings import INCONCLUSIVE, Finding
from service.diagnosis.states import BeliefModel
from service.ruleset.model import NO_FAULT, Fault, RuleSet

# A fault counts as seen when a reading is at least twice as likely under it as when healthy.
SEEN_RATIO = 2.0
# Faults under this probability are not worth naming in an ambiguity group.
WORTH_NAMING = 0.02
# A second fault beside the leading one is looked into from this probability on.
IN_DOUBT = 0.1


@dataclass(frozen=True, slots=True)
class Verdict:
    """A fault, the probability that its remedy is the right one, and the faults that share it."""

    fault: Fault
    confidence: float
    group: tuple[tuple[str, float], ...]
    also_replace: tuple[str, ...]
    also_found: tuple[tuple[Fault, float], ...]  # a second fault, as sure as the first
    also_suspected: tuple[tuple[Fault, float], ...]  # one that may be there, and is not proven


def remedies_of(found: Verdict) -> tuple[str, ...]:
    """The remedies that a verdict asks for, its own first."""
    return (found.fault.remedy, *(fault.remedy for fault, _ in found.also_found))


def leader(
    rule_set: RuleSet, model: BeliefModel, belief: Belief, required: float
) -> tuple[str, float]:
    """The most probable fault of the most probable remedy, and how probably that is needed.

    Where two remedies are sure enough, the one of a fault that causes the other's comes first.
    Where no fault leads, it is how probably nothing is wrong at present: a fault that comes and
    goes may be there all the same, and no check tells.
    """
    remedies = by_remedy(model, belief.states)
    chances = there(model, belief.states)

    sure = [likeliest(model, chances, int(i)) for i in np.flatnonzero(remedies >= required)]
    caused = {
        name for one in sure if one in rule_set.faults for name in rule_set.faults[one].causes
    }
    causes = [one for one in sure if one not in caused]
    leading = likeliest(model, chances, int(np.argmax(remedies)))
    if leading in caused and causes:
        leading = max(causes, key=lambda one: remedies[model.remedy_of[model.index(one)]])
    at_present = float(remedies[model.remedy_of[model.index(leading)]])
    if leading == NO_FAULT:
        at_present += float(belief.states[model.dormant].sum())
    return leading, at_present


def likeliest(model: BeliefModel, chances: Vector, remedy: int) -> str:
    """The most probable fault of a remedy, by the chance of each hypothesis, (hypotheses,)."""
    its = np.where(model.remedy_of == remedy, chances, -1.0)
    return model.hypotheses[int(np.argmax(its))]


def second_faults(model: BeliefModel, belief: Belief, leading: str) -> dict[str, float]:
    """Other faults that may well be there beside the leading one, the most probable first."""
    with_it = model.has_fault[:, model.index(leading)] * belief.states
    chances = there(model, with_it)
    return {
        model.hypotheses[i]: float(chances[i])
        for i in np.argsort(-chances, kind="stable")
        if chances[i] >= IN_DOUBT and model.hypotheses[i] != leading
    }


def shows(rule_set: RuleSet, model: BeliefModel, finding: Finding, position: int) -> bool:
    """Whether a finding speaks for the state at `position` rather than for a healthy part."""
    healthy = float(np.dot(rule_set.checks[finding.check].default, finding.evidence))
    faulty = float(np.dot(model.tables[finding.check][position], finding.evidence))
    return faulty >= SEEN_RATIO * healthy


def needs(
    rule_set: RuleSet,
    model: BeliefModel,
    case: Case,
    belief: Belief,
    fault: str,
    standing: dict[str, Finding],
    lacking: frozenset[str],
    *,
    stopped: bool = False,
) -> tuple[str, ...]:
    """The checks that must be answered before `fault` may be the verdict.

    Those that the rule set asks for, by complaint and by fault; where it asks for none, a check
    of the part itself that shows the fault: a complaint, or how the whole behaves, proves nothing
    about a part. A check that cannot be carried out is waived, but not where it would rule out a
    cause of an effect, or where the complaint asks for it. Checks of parts that this equipment
    has not (`lacking`) are never asked for.
    """
    found = rule_set.faults[fault]
    # Work that stops asks no further questions, so the complaint's own are not waited for.
    strict = () if stopped else rule_set.symptoms[case.symptom].verdict_needs
    asked = [*strict, *found.verdict_needs]
    groups = [left for group in asked if (left := [c for c in group if c not in lacking])]
    never_waived = {check for group in strict for check in group}
    missing = [
        check
        for group in groups
        if not standing.keys() & set(group)
        and (
            found.effect or never_waived.issuperset(group) or not case.unavailable.issuperset(group)
        )
        for check in group
    ]
    if missing or found.verdict_needs:
        return tuple(dict.fromkeys(missing))
    alone = model.alone[fault]
    alone = alone[~model.dormant[alone]]
    position = int(alone[np.argmax(belief.states[alone])])  # the condition it most probably left
    showing = [
        check
        for check in rule_set.checks.values()
        if np.max(model.tables[check.id][position] / check.default) >= SEEN_RATIO
        and check.id not in case.unavailable | lacking
    ]
    pool = [check.id for check in showing if check.scope == "component"] or [
        check.id for check in showing
    ]
    if any(
        finding.check in pool and shows(rule_set, model, finding, position)
        for finding in standing.values()
    ):
        return ()
    return tuple(check for check in pool if check not in standing)


def make_verdict(
    rule_set: RuleSet,
    model: BeliefModel,
    belief: Belief,
    fault: str,
    confidence: float,
    beside: dict[str, float],
    proven: Collection[str],
) -> Verdict:
    remedy = rule_set.faults[fault].remedy
    chances = there(model, belief.states)
    group = sorted(
        (
            (name, float(chances[model.index(name)]))
            for name, other in rule_set.faults.items()
            if other.remedy == remedy
        ),
        key=lambda pair: (-pair[1], pair[0]),
    )
    alike = tuple(pair for pair in group if pair[1] >= WORTH_NAMING)
    return Verdict(
        rule_set.faults[fault],
        confidence,
        alike if len(alike) > 1 else (),
        _also_replace(rule_set, model, belief, remedy, proven),
        tuple((rule_set.faults[name], p) for name, p in beside.items() if name in proven),
        tuple((rule_set.faults[name], p) for name, p in beside.items() if name not in proven),
    )


def _also_replace(
    rule_set: RuleSet, model: BeliefModel, belief: Belief, remedy: str, beside: Iterable[str]
) -> tuple[str, ...]:
    """The remedy's own, the parts that the fault has more likely than not taken with it, and
    those of a second fault."""
    inside = model.needs_remedy[:, model.remedies.index(remedy)] * belief.states
    parts = list(rule_set.remedies[remedy].also_replace)
    for fault in beside:
        other = rule_set.remedies[rule_set.faults[fault].remedy]
        parts += [*other.parts, *other.also_replace]
    for condition in rule_set.conditions.values():
        here = model.condition_of[condition.id]
        if inside[here].sum() > 0.5 * inside.sum():
            parts += condition.parts
    return tuple(one for one in dict.fromkeys(parts) if one not in rule_set.remedies[remedy].parts)


def abnormal(rule_set: RuleSet, standing: dict[str, Finding]) -> list[str]:
    """The checks whose standing reading is not what a healthy part gives."""
    return [
        check
        for check, finding in standing.items()
        if finding.outcome != INCONCLUSIVE
        and finding.outcome not in rule_set.checks[check].expected
    ]


def accepted_in_proof(rule_set: RuleSet, case: Case, check: str) -> tuple[str, ...]:
    """The outcomes of a check that will do in the proof."""
    complained_of = check in rule_set.symptoms[case.symptom].proven_by
    asked_for = rule_set.checks[check]
    return asked_for.expected if complained_of else asked_for.passes


def amiss(rule_set: RuleSet, case: Case, standing: dict[str, Finding]) -> list[str]:
    """The checks whose standing reading a proof of this complaint would not let pass."""
    return [
        name
        for name in abnormal(rule_set, standing)
        if standing[name].outcome not in accepted_in_proof(rule_set, case, name)
    ]
