"""From belief and conclusions to a decision: stop, verdict, next check, or "unresolved"."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from service.diagnosis.belief import Belief, BeliefModel, by_remedy
from service.diagnosis.case import Case
from service.diagnosis.chaining import Conclusions
from service.diagnosis.conflicts import Conflict
from service.diagnosis.findings import INCONCLUSIVE, Finding
from service.diagnosis.planning import (
    Candidate,
    Plan,
    candidates,
    cheapest,
    choose,
    plan,
    unanswered,
)
from service.ruleset.model import NO_FAULT, UNLISTED_FAULT, Fault, RuleSet

# A fault counts as seen when a reading is at least twice as likely under it as when healthy.
SEEN_RATIO = 2.0
# Faults under this probability are not worth naming in an ambiguity group.
WORTH_NAMING = 0.02


@dataclass(frozen=True, slots=True)
class Verdict:
    """A fault, the probability that its remedy is the right one, and the faults that share it."""

    fault: Fault
    confidence: float
    group: tuple[tuple[str, float], ...]
    also_replace: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Reason:
    """Why the status is what it is: a code and a sentence."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class Decision:
    """What to tell the technician."""

    status: str
    plan: Plan | None
    verdict: Verdict | None
    reasons: tuple[Reason, ...]


def decide(
    rule_set: RuleSet,
    model: BeliefModel,
    case: Case,
    findings: Sequence[Finding],
    conclusions: Conclusions,
    belief: Belief,
    conflicts: Sequence[Conflict],
) -> Decision:
    """The decision for a case."""
    standing = {finding.check: finding for finding in findings if not finding.superseded}
    leading, confidence = leader(model, belief)
    convinced = leading != UNLISTED_FAULT and confidence >= case.required_confidence
    missing = (
        needs(rule_set, model, case, belief, leading, standing, stopped=bool(conclusions.stops))
        if convinced
        else ()
    )
    verdict = None
    if convinced and not missing and not conflicts:
        verdict = _verdict(rule_set, model, belief, leading, confidence)

    if conclusions.stops:
        reasons = tuple(Reason(stop.rule, stop.text) for stop in conclusions.stops)
        return Decision("stop-work", None, verdict, reasons)
    if leading == NO_FAULT and _abnormal(rule_set, standing):
        verdict = None
    if verdict is not None:
        if leading == NO_FAULT:
            text = f"it is {confidence:.0%} sure that no fault is present"
            return Decision("no-fault-found", None, None, (Reason("no-fault-present", text),))
        return Decision("fault-found", None, verdict, ())

    def among(names: Iterable[str]) -> list[Candidate]:
        return candidates(rule_set, model, case, conclusions, belief.states, names)

    doubtful = [f.check for one in conflicts for f in one.to_repeat()]
    again = cheapest(among(dict.fromkeys(doubtful)))
    if again is not None:
        because = f"{conflicts[0].text}. Take the reading again before anything is replaced."
        return _next(plan(rule_set, again, because, recheck=True))
    if missing:
        needed = cheapest(among(missing))
        if needed is not None:
            title = rule_set.faults[leading].title
            because = f"{title} is likely, but it is not a verdict while this is unchecked."
            return _next(plan(rule_set, needed, because))
    open_checks = unanswered(rule_set, findings)
    best = choose(among(open_checks), rule_set.tuning.least_information)
    if best is not None:
        told = standing.get(best.check.id)
        if told is None:
            return _next(plan(rule_set, best, best.check.why))
        because = f"The reading decided nothing: {'; '.join(told.notes)}. Take it again."
        return _next(plan(rule_set, best, because, recheck=True))
    skipped = tuple(sorted(case.unavailable - standing.keys()))
    reasons = (
        *_unresolved(model, belief, conflicts, missing, skipped),
        *_assumed(case, standing),
    )
    return Decision("unresolved", None, None, reasons)


def _assumed(case: Case, standing: dict[str, Finding]) -> tuple[Reason, ...]:
    """What the nameplate was not asked for, although limits of readings rest on it."""
    used = {
        limit.nameplate: check
        for check, finding in standing.items()
        if finding.measure is not None
        for limit in finding.measure.limits
        if limit.nameplate is not None and case.nameplate[limit.nameplate].origin == "assumed"
    }
    return tuple(
        Reason(
            "nameplate-assumed",
            f"{name} is assumed, and the limits of {used[name]} rest on it: read it off the plate "
            "or the part, and send it",
        )
        for name in sorted(used)
    )


def _abnormal(rule_set: RuleSet, standing: dict[str, Finding]) -> list[str]:
    """The checks whose standing reading is not what a healthy part gives."""
    return [
        check
        for check, finding in standing.items()
        if finding.outcome != INCONCLUSIVE
        and finding.outcome not in rule_set.checks[check].expected
    ]


def _next(chosen: Plan) -> Decision:
    return Decision("check-next", chosen, None, ())


def leader(model: BeliefModel, belief: Belief) -> tuple[str, float]:
    """The most probable fault of the most probable remedy, and that remedy's probability."""
    remedies = by_remedy(model, belief.states)
    top = int(np.argmax(remedies))
    inside = np.where(model.remedy_of == top, belief.posterior, -1.0)
    return model.hypotheses[int(np.argmax(inside))], float(remedies[top])


def needs(
    rule_set: RuleSet,
    model: BeliefModel,
    case: Case,
    belief: Belief,
    fault: str,
    standing: dict[str, Finding],
    *,
    stopped: bool = False,
) -> tuple[str, ...]:
    """The checks that must be answered before `fault` may be the verdict.

    Those that the rule set asks for, by complaint and by fault; where it asks for none, a check
    of the part itself that shows the fault: a complaint, or how the whole behaves, proves nothing
    about a part. A check that cannot be carried out is waived, but not where it would rule out a
    cause of an effect, or where the complaint asks for it.
    """
    found = rule_set.faults[fault]
    # Work that stops asks no further questions, so the complaint's own are not waited for.
    strict = () if stopped else rule_set.symptoms[case.symptom].verdict_needs
    groups = [*strict, *found.verdict_needs]
    missing = [
        check
        for group in groups
        if not standing.keys() & set(group)
        and (found.effect or group in strict or not case.unavailable.issuperset(group))
        for check in group
    ]
    if missing or found.verdict_needs:
        return tuple(dict.fromkeys(missing))
    mine = np.where(model.fault_of == model.index(fault), belief.states, -1.0)
    position = int(np.argmax(mine))  # the condition in which this fault most probably left it
    showing = [
        check
        for check in rule_set.checks.values()
        if np.max(model.tables[check.id][position] / check.default) >= SEEN_RATIO
        and check.id not in case.unavailable
    ]
    pool = [check.id for check in showing if check.scope == "component"] or [
        check.id for check in showing
    ]
    for finding, row in belief.likelihoods:
        healthy = float(np.dot(rule_set.checks[finding.check].default, finding.evidence))
        if finding.check in pool and row[position] >= SEEN_RATIO * healthy:
            return ()
    return tuple(check for check in pool if check not in standing)


def _verdict(
    rule_set: RuleSet, model: BeliefModel, belief: Belief, fault: str, confidence: float
) -> Verdict:
    remedy = rule_set.faults[fault].remedy
    group = sorted(
        (
            (name, float(belief.posterior[model.index(name)]))
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
        _also_replace(rule_set, model, belief, remedy),
    )


def _also_replace(
    rule_set: RuleSet, model: BeliefModel, belief: Belief, remedy: str
) -> tuple[str, ...]:
    """The remedy's own, and the parts that the fault has more likely than not taken with it."""
    inside = model.to_remedy[:, model.remedies.index(remedy)] * belief.states
    parts = list(rule_set.remedies[remedy].also_replace)
    for condition in rule_set.conditions.values():
        here = np.array([name == condition.id for _, name in model.states])
        if inside[here].sum() > 0.5 * inside.sum():
            parts += condition.parts
    return tuple(one for one in dict.fromkeys(parts) if one not in rule_set.remedies[remedy].parts)


def _unresolved(
    model: BeliefModel,
    belief: Belief,
    conflicts: Sequence[Conflict],
    missing: Sequence[str],
    skipped: Sequence[str],
) -> tuple[Reason, ...]:
    reasons = [
        Reason("conflict-stands", f"{one.text}; there may be more than one fault")
        for one in conflicts
    ]
    if missing:
        text = f"needed for a verdict, but cannot be offered now: {', '.join(missing)}"
        reasons.append(Reason("check-not-admitted", text))
    if skipped:
        text = f"could not be carried out: {', '.join(skipped)}"
        reasons.append(Reason("check-unavailable", text))
    order = np.argsort(-belief.posterior, kind="stable")
    named = [
        (model.hypotheses[i], float(belief.posterior[i]))
        for i in order
        if belief.posterior[i] >= WORTH_NAMING
    ]
    if named and named[0][0] == UNLISTED_FAULT:
        text = "the readings fit no listed fault well; look beyond this rule set"
        reasons.append(Reason("unlisted-fault", text))
    if len(named) > 1:
        listed = ", ".join(f"{name} {p:.0%}" for name, p in named[:6])
        text = f"no remaining check tells these apart: {listed}"
        reasons.append(Reason("ambiguity-group", text))
    if not reasons:
        reasons.append(Reason("no-check-left", "no remaining check would tell more"))
    return tuple(reasons)
