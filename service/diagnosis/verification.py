"""The proof of a repair: what must be shown, what has been, and whether the equipment goes back.

Nothing is weighed here. Each check that the complaint, the repairs and the rule set ask for
must have a reading from after the last repair that a healthy part gives; anything else keeps the
equipment from being released. Rules may stop the release on top of that.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from service.diagnosis.case import Case
from service.diagnosis.chaining import Conclusions
from service.diagnosis.confirmations import worked_inside
from service.diagnosis.decision import Decision
from service.diagnosis.findings import INCONCLUSIVE, Finding
from service.diagnosis.planning import Candidate, plan, unmet
from service.diagnosis.readings import span
from service.diagnosis.reasons import Reason, slips, stopped_by
from service.ruleset.model import RuleSet

RELEASED = "released"
NOT_RELEASED = "not-released"

# Of a check that has to be shown.
PASSED, FAILED, MISSING = "passed", "failed", "missing"
INVALID, UNDECIDED, UNAVAILABLE = "invalid", "undecided", "unavailable"
TO_DO = frozenset({MISSING, INVALID, UNDECIDED})

_NO_REPAIR = Reason(
    "no-repair-named",
    "No repair has been named, which is right if nothing was repaired; otherwise name what was, or "
    "no repaired part is proven, and readings from before the repair count as taken after it",
)


@dataclass(frozen=True, slots=True)
class Proof:
    """One check of the proof: its result, the finding that gave it, and why in words."""

    check: str
    result: str
    finding: Finding | None
    why: str


@dataclass(frozen=True, slots=True)
class Release:
    """Whether the equipment may be used again; `released` is None as long as checks are due."""

    released: bool | None
    proofs: tuple[Proof, ...]


def required_checks(
    rule_set: RuleSet, case: Case, conclusions: Conclusions, remedies: Iterable[str]
) -> tuple[str, ...]:
    """What proves these repairs: the complaint gone, each repair good, and what is always shown.

    In the order of the work: behind the cover while it is off, then from outside, then energised.
    A dead check that rules bar on this equipment, such as one of a part that it lacks, is left
    out, and where nothing was opened nothing is shown for good measure. What cannot be carried
    out is shown by another check that tells the same, if there is one.
    """
    made = tuple(remedies)

    def turn(name: str) -> tuple[bool, bool]:
        access = rule_set.access[rule_set.checks[name].access]
        return access.powered, not access.requires

    def possible(name: str) -> bool:
        return name not in case.unavailable and name not in conclusions.barred

    wanted = [
        *rule_set.symptoms[case.symptom].proven_by,
        *(check for one in made for check in rule_set.remedies[one].checks_after),
        *(check for check in rule_set.checks if check in conclusions.follow_up),
    ]
    # A repair that nobody names may have been anything, and nothing at all proves nothing.
    opened = not made or worked_inside(rule_set, case, made)
    # What was read before, and may have been unsafe, is read anew.
    read = {reading.check for reading in case.readings}
    always = rule_set.after_every_repair
    wanted += [
        name for name in always if opened or name in read or (not wanted and any(turn(name)))
    ]
    shown = dict.fromkeys(
        next(filter(possible, rule_set.checks[name].instead), name)
        if name in case.unavailable
        else name
        for name in wanted
        if turn(name)[0] or name not in conclusions.barred
    )
    position = {name: number for number, name in enumerate(rule_set.after_every_repair)}
    return tuple(sorted(shown, key=lambda name: (*turn(name), position.get(name, -1))))


def prove(rule_set: RuleSet, case: Case, findings: Sequence[Finding], check: str) -> Proof:
    """How far one check of the proof has got."""
    if check in case.unavailable:
        return Proof(check, UNAVAILABLE, None, "it could not be carried out")
    taken = [one for one in findings if one.check == check and not one.reading.past]
    if not taken:
        return Proof(check, MISSING, None, "not read since the repair")
    finding = taken[-1]
    if finding.invalid:
        return Proof(check, INVALID, finding, "; ".join(finding.reading.violated))
    asked_for = rule_set.checks[check]
    complained_of = check in rule_set.symptoms[case.symptom].proven_by
    accepted = asked_for.expected if complained_of else asked_for.passes
    good = sum(
        chance
        for outcome, chance in zip(finding.outcomes, finding.evidence, strict=True)
        if outcome in accepted
    )
    passed = good >= rule_set.tuning.certain
    if finding.outcome == INCONCLUSIVE and not passed:
        times = sum(one.outcome == INCONCLUSIVE for one in taken)
        why = "; ".join(finding.notes) or "the reading is too close to a limit to tell"
        return Proof(check, UNDECIDED if times < 2 else FAILED, finding, why)
    if finding.outcome not in accepted and not passed:
        return Proof(check, FAILED, finding, f"it reads {finding.outcome}")
    if finding.reading.unstated:
        asked = {one.id: span(one) for one in asked_for.conditions}
        lacking = ", ".join(f"{one} ({asked[one]})" for one in finding.reading.unstated)
        return Proof(check, INVALID, finding, f"conditions not stated: {lacking}")
    return Proof(check, PASSED, finding, f"it reads {finding.outcome}")


def verify(
    rule_set: RuleSet,
    case: Case,
    findings: Sequence[Finding],
    conclusions: Conclusions,
    required: Iterable[str],
) -> tuple[Decision, Release]:
    """The decision about a repair: the next of the required checks, released, or not and why.

    A check that failed ends it; a dead one that was read once is named as a possible slip. One that
    cannot be carried out keeps the equipment from being released as well, but what else may be
    wrong is looked at first. Where no repair is named, the reasons say what that means.
    """
    decision, release = _verify(rule_set, case, findings, conclusions, required)
    if not case.repairs:
        decision = replace(decision, reasons=(*decision.reasons, _NO_REPAIR))
    return decision, release


def _verify(
    rule_set: RuleSet,
    case: Case,
    findings: Sequence[Finding],
    conclusions: Conclusions,
    required: Iterable[str],
) -> tuple[Decision, Release]:
    proofs = tuple(prove(rule_set, case, findings, check) for check in required)
    against = [Reason(stop.rule, stop.text) for stop in conclusions.stops]
    failed = [one for one in proofs if one.result == FAILED]
    against += [_against(rule_set, one) for one in failed]
    doubtful = dict.fromkeys([*stopped_by(conclusions), *(one.check for one in failed)])
    against += slips(rule_set, doubtful, {one.check: one for one in findings if one.stands})
    due = [one for one in proofs if one.result in TO_DO]
    if not against and due:
        # What the proof asks for needs no rule to admit it; rules that bar a check still win.
        offered = [one for one in due if one.check not in conclusions.barred]
        if offered:
            return _ask(rule_set, case, offered[0]), Release(None, proofs)
        against = [
            Reason("check-not-admitted", f"{one.check} cannot be offered now; {one.why}", one.check)
            for one in due
        ]
    against += [_against(rule_set, one) for one in proofs if one.result == UNAVAILABLE]
    if against:
        return Decision(NOT_RELEASED, None, None, tuple(against)), Release(False, proofs)
    text = f"all {len(proofs)} checks of the proof passed"
    return Decision(RELEASED, None, None, (Reason(RELEASED, text),)), Release(True, proofs)


def _against(rule_set: RuleSet, proof: Proof) -> Reason:
    code = "check-unavailable" if proof.result == UNAVAILABLE else "check-failed"
    return Reason(code, f"{rule_set.checks[proof.check].title}: {proof.why}", proof.check)


def _ask(rule_set: RuleSet, case: Case, proof: Proof) -> Decision:
    check = rule_set.checks[proof.check]
    candidate = Candidate(
        check=check,
        information=0.0,
        cost=check.minutes,
        unmet=unmet(rule_set, case, check),
        preferred=False,
        work=check.minutes,
    )
    again = proof.finding is not None
    because = f"It proves the repair. {check.why}"
    if again:
        because = f"The reading does not count: {proof.why}. Take it again."
    return Decision("check-next", plan(rule_set, candidate, because, recheck=again), None, ())
