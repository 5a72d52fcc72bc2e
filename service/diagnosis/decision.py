"""From belief and conclusions to a decision: stop, verdict, next check, or "unresolved"."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache

from service.diagnosis.belief import Belief
from service.diagnosis.case import LEAST_CONFIDENCE, Case
from service.diagnosis.chaining import Conclusions
from service.diagnosis.conflicts import Conflict
from service.diagnosis.costs import Weighing, weigh
from service.diagnosis.findings import INCONCLUSIVE, Finding
from service.diagnosis.information import information_about, information_again
from service.diagnosis.planning import (
    Candidate,
    Plan,
    candidates,
    cheapest,
    choose,
    plan,
    unanswered,
)
from service.diagnosis.reasons import (
    Reason,
    assumed,
    best_guess,
    contradicted,
    does_not_pay,
    nothing_found,
    rests,
    slips,
    stopped_by,
    unresolved,
    would_settle,
)
from service.diagnosis.states import BeliefModel
from service.diagnosis.verdict import (
    Verdict,
    leader,
    make_verdict,
    needs,
    second_faults,
    shows,
)
from service.ruleset.model import NO_FAULT, UNLISTED_FAULT, Fault, RuleSet

# A check is asked for a second fault if it promises so many bits about whether that is there.
WORTH_ASKING = 0.05
# What an answer without a verdict says of the remedy; see `reasons.py`.
GUESSES = frozenset({"best-guess", "would-settle"})
# A reading that keeps changing is not taken more often than this.
MOST_READINGS = 3


@dataclass(frozen=True, slots=True)
class Decision:
    """What to tell the technician."""

    status: str
    plan: Plan | None
    verdict: Verdict | None
    reasons: tuple[Reason, ...]
    weighing: Weighing | None = None


def decide(
    rule_set: RuleSet,
    model: BeliefModel,
    case: Case,
    findings: Sequence[Finding],
    conclusions: Conclusions,
    belief: Belief,
    information: Callable[[], Mapping[str, float]],
    conflicts: Sequence[Conflict],
) -> Decision:
    """The decision for a case. Where a rule stops work, dead checks may still name the part.

    information: tells what each check promises, in bits. Not asked where nothing hangs on it.
    """
    standing = {finding.check: finding for finding in findings if finding.stands}
    if conclusions.stops:
        conclusions = replace(conclusions, barred=conclusions.barred | _energising(rule_set))
    found = _decided(
        rule_set, model, case, findings, standing, conclusions, belief, information, conflicts
    )
    if not conclusions.stops:
        return found
    reasons = tuple(Reason(stop.rule, stop.text) for stop in conclusions.stops)
    if found.plan is None and found.verdict is None:
        reasons += slips(rule_set, stopped_by(conclusions), standing)
        reasons += tuple(one for one in found.reasons if one.code in GUESSES)
    return replace(found, status="stop-work", reasons=reasons)


@lru_cache(maxsize=16)
def _energising(rule_set: RuleSet) -> frozenset[str]:
    """The checks for which the equipment is energised."""
    return frozenset(
        check.id
        for check in rule_set.checks.values()
        if check.live or rule_set.access[check.access].powered
    )


def _decided(
    rule_set: RuleSet,
    model: BeliefModel,
    case: Case,
    findings: Sequence[Finding],
    standing: dict[str, Finding],
    conclusions: Conclusions,
    belief: Belief,
    information: Callable[[], Mapping[str, float]],
    conflicts: Sequence[Conflict],
) -> Decision:
    stopped = bool(conclusions.stops)

    def missing_for(fault: str) -> tuple[str, ...]:
        lacking = conclusions.lacking
        return needs(rule_set, model, case, belief, fault, standing, lacking, stopped=stopped)

    def among(names: Iterable[str]) -> list[Candidate]:
        asked = tuple(names)
        return candidates(rule_set, information(), case, conclusions, asked) if asked else []

    leading, confidence = leader(rule_set, model, belief, case.required_confidence)
    convinced = leading != UNLISTED_FAULT and confidence >= case.required_confidence
    sure = convinced and confidence >= rule_set.faults[leading].least_confidence
    missing = missing_for(leading) if convinced else ()
    verdict = None
    beside = second_faults(model, belief, leading) if convinced else {}
    proven = [
        fault
        for fault, chance in beside.items()
        if chance >= case.required_confidence and not missing_for(fault)
    ]
    doubtful = [f.check for one in conflicts for f in one.to_repeat()]
    again = cheapest(among(dict.fromkeys(doubtful)))
    # A contradiction that a further reading may clear up comes first. One that stands is in the
    # belief already, and does not keep back what is sure in spite of it.
    if sure and not missing and again is None:
        verdict = make_verdict(rule_set, model, belief, leading, confidence, beside, proven)

    if leading == NO_FAULT and (stopped or _amiss(rule_set, standing)):
        verdict = None
    if stopped and verdict is not None:
        return Decision("fault-found", None, verdict, ())

    @cache
    def offered() -> list[Candidate]:
        return among(unanswered(rule_set, findings))

    weighing = None
    by_costs = case.costs is not None and case.required_confidence <= LEAST_CONFIDENCE
    if case.costs is not None:
        weighing = weigh(rule_set, model, case.costs, belief.states, offered())
        if by_costs and verdict is not None and weighing.remedy != verdict.fault.remedy:
            # The likeliest remedy is no verdict where another costs less to begin with.
            verdict = None

    def about_second(fault: Fault) -> Plan | None:
        """What tells whether a suspected second fault is there: a check, or a second reading."""
        because = f"It tells whether {fault.title} has come on top of the fault already found."
        telling = _telling(model, belief, offered(), fault.id)
        if telling is not None:
            return plan(rule_set, telling, because)
        again = cheapest(among(_once_only(rule_set, model, standing, fault.id)))
        return None if again is None else plan(rule_set, again, because, recheck=True)

    if verdict is not None:
        rather = None
        if weighing is not None:
            rather = _cheaper_first(rule_set, weighing, offered())
        for fault, _ in verdict.also_suspected:
            if rather is None:
                rather = about_second(fault)
        if rather is not None:
            return _next(rather, weighing)
        if leading == NO_FAULT:
            good = nothing_found(model, belief, confidence)
            return Decision("no-fault-found", None, None, good, weighing)
        return Decision("fault-found", None, verdict, contradicted(conflicts), weighing)

    if again is not None:
        because = f"{conflicts[0].text}. Take the reading again before anything is replaced."
        return _next(plan(rule_set, again, because, recheck=True), weighing)
    promised = _promised_again(rule_set, model, findings, belief)
    found = candidates(rule_set, {**information(), **promised}, case, conclusions, promised)
    again_offered = [replace(one, again=True, preferred=False) for one in found]
    least = rule_set.tuning.least_information
    bad = set(_abnormal(rule_set, standing))
    best = choose([*offered(), *(one for one in again_offered if one.check.id in bad)], least)
    if best is None:  # nothing is left that was not read: what was found good may not be
        best = choose(again_offered, least)
    # Where costs decide, a likely fault's proof waits for what tells more, and nothing is asked
    # for that is not expected to pay, unless the request wants to be surer than costs need.
    pays = weighing is not None and weighing.worth_going_on
    if missing and not (pays and best is not None):
        needed = cheapest(among(missing))
        if needed is not None:
            title = rule_set.faults[leading].title
            because = f"{title} is likely, but it is not a verdict while this is unchecked."
            return _next(plan(rule_set, needed, because), weighing)
    if best is not None and (not by_costs or pays or best.preferred):
        told = standing.get(best.check.id)
        if best.again:
            because = (
                "Much hangs on this reading. Take it again before anything is replaced."
                if best.check.id in bad
                else "Nothing new is left to check, and this was found good once. Take it again."
            )
            return _next(plan(rule_set, best, because, recheck=True), weighing)
        if told is None:
            return _next(plan(rule_set, best, best.check.why), weighing)
        because = f"The reading decided nothing: {'; '.join(told.notes)}. Take it again."
        return _next(plan(rule_set, best, because, recheck=True), weighing)
    if best is not None and weighing is not None:
        reasons: tuple[Reason, ...] = (does_not_pay(weighing),)
    else:
        skipped = tuple(sorted(case.unavailable - standing.keys()))
        reasons = unresolved(model, belief, conflicts, missing, skipped)
    out_of_reach = case.unavailable - standing.keys() - conclusions.barred
    reasons += best_guess(rule_set, model, belief)
    reasons += would_settle(rule_set, information(), out_of_reach)
    reasons += rests(model, belief)
    reasons += assumed(rule_set, case, conclusions, standing)
    return Decision("unresolved", None, None, reasons, weighing)


def _promised_again(
    rule_set: RuleSet, model: BeliefModel, findings: Sequence[Finding], belief: Belief
) -> dict[str, float]:
    """What each reading that may be taken again promises, in bits, by check.

    Not live ones, none a third time with the same outcome, and none that keeps changing.
    """
    times = Counter(finding.check for finding in findings if not finding.reading.past)
    readable = [
        one
        for one in findings
        if one.stands
        and not one.repeats
        and one.outcome != INCONCLUSIVE
        and times[one.check] < MOST_READINGS
        and not rule_set.checks[one.check].live
    ]
    return information_again(model, belief.states, readable, rule_set.tuning.misread_persists)


def _cheaper_first(
    rule_set: RuleSet, weighing: Weighing, offered: Sequence[Candidate]
) -> Plan | None:
    """The check that costs say is worth doing although the verdict is sure enough."""
    if weighing.go_on is None or not weighing.worth_going_on:
        return None
    best = next(one for one in offered if one.check.id == weighing.check)
    saved = weighing.replace_now - weighing.go_on
    because = f"{best.check.why} Done first, it is expected to save {saved:.1f} minutes."
    return plan(rule_set, best, because)


def _telling(
    model: BeliefModel, belief: Belief, offered: Sequence[Candidate], fault: str
) -> Candidate | None:
    """The check that tells most, per minute, whether a second fault is there."""
    worth = {
        one.check.id: information_about(model, belief.states, fault, one.check.id)
        for one in offered
    }
    good = [one for one in offered if worth[one.check.id] >= WORTH_ASKING]
    return min(good, key=lambda one: (-worth[one.check.id] / one.cost, one.check.id), default=None)


def _once_only(
    rule_set: RuleSet,
    model: BeliefModel,
    standing: Mapping[str, Finding],
    fault: str,
) -> list[str]:
    """Checks of the part itself that have shown a fault, and have been read only once."""
    alone = int(model.alone[fault][0])
    return [
        name
        for name, finding in standing.items()
        if rule_set.checks[name].scope == "component"
        and not finding.repeats
        and shows(rule_set, model, finding, alone)
    ]


def _abnormal(rule_set: RuleSet, standing: dict[str, Finding]) -> list[str]:
    """The checks whose standing reading is not what a healthy part gives."""
    return [
        check
        for check, finding in standing.items()
        if finding.outcome != INCONCLUSIVE
        and finding.outcome not in rule_set.checks[check].expected
    ]


def _amiss(rule_set: RuleSet, standing: dict[str, Finding]) -> bool:
    """Whether a standing reading is one that not even a proof would let pass."""
    return any(
        standing[name].outcome not in rule_set.checks[name].passes
        for name in _abnormal(rule_set, standing)
    )


def _next(chosen: Plan, weighing: Weighing | None) -> Decision:
    return Decision("check-next", chosen, None, (), weighing)
