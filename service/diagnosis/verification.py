"""The proof of a repair: what must be shown, what has been, and whether the equipment goes back.

Each check that the complaint, the repairs and the rule set ask for must have a reading from after
the last repair that a healthy part gives. Beyond that nothing may stand against the release: no
reading, of any time, which says that something is wrong and which no repair has touched; no
precaution that forbids use; no rule that stops; and no dangerous fault more probable than
`released_risk`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from service.diagnosis.again import MOST_READINGS
from service.diagnosis.arrays import Vector
from service.diagnosis.case import Case
from service.diagnosis.chaining import Conclusions
from service.diagnosis.confirmations import worked_inside
from service.diagnosis.danger import dangers, given, if_good, telling, tells
from service.diagnosis.decision import Decision
from service.diagnosis.findings import INCONCLUSIVE, Finding
from service.diagnosis.information import information_about_again
from service.diagnosis.planning import Candidate, may_be_offered, plan, unmet
from service.diagnosis.plates import plate_to_read
from service.diagnosis.readings import span
from service.diagnosis.reasons import Reason, read_for, slips, stopped_by
from service.diagnosis.states import BeliefModel
from service.diagnosis.verdict import SEEN_RATIO, accepted_in_proof
from service.ruleset.model import Rule, RuleSet
from service.ruleset.repairs import cured_by, touched_by

RELEASED = "released"
NOT_RELEASED = "not-released"

# Of a check that has to be shown.
PASSED, FAILED, MISSING = "passed", "failed", "missing"
INVALID, UNDECIDED, UNAVAILABLE = "invalid", "undecided", "unavailable"
TO_DO = frozenset({MISSING, INVALID, UNDECIDED})

# So many good readings, taken after it, outweigh one that says that something is wrong.
OUTWEIGHS = 2
# A fault accounts for an outcome that it gives at least so often, and more often than no fault: how
# the whole behaves may come of many, but what is wrong with a part stays when another is mended.
ACCOUNTS = {"function": 0.1, "component": 0.5}

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
    rule_set: RuleSet,
    model: BeliefModel,
    case: Case,
    findings: Sequence[Finding],
    conclusions: Conclusions,
    remedies: Iterable[str],
    left: Vector,
) -> tuple[str, ...]:
    """What proves these repairs: the complaint gone, each repair good, and what is always shown.

    `left`: the probabilities of the states once they are made, (states,). What was found wrong and
    no repair has touched, or still forbids use, is shown anew, and so is what tells of a dangerous
    fault that may well be left though all that is shown is good. In the order of the work: behind
    the cover while it is off, then from outside, then energised. A dead check that rules bar on
    this equipment, such as one of a part that it lacks, is left out, and where nothing was opened
    nothing is shown for good measure. What cannot be carried out is shown by another check that
    tells the same, if there is one.
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
    wrong = set(untouched(rule_set, model, case, findings, made))
    wrong |= _still_forbidding(rule_set, findings, conclusions)
    wanted += [name for name in rule_set.checks if name in wrong]
    wanted += _watched(rule_set, model, case, conclusions, left, wanted)
    shown = dict.fromkeys(
        next(filter(possible, rule_set.checks[name].instead), name)
        if name in case.unavailable
        else name
        for name in wanted
        if turn(name)[0] or name not in conclusions.barred or name in wrong
    )
    position = {name: number for number, name in enumerate(rule_set.after_every_repair)}
    return tuple(sorted(shown, key=lambda name: (*turn(name), position.get(name, -1))))


def _still_forbidding(
    rule_set: RuleSet, findings: Sequence[Finding], conclusions: Conclusions
) -> set[str]:
    """The checks read before a repair for which a rule forbids use until they are read anew."""
    old = {one.check for one in findings if one.reading.unmended}
    forbids = [name for name, one in rule_set.precautions.items() if one.forbids_use]
    rules = {
        one.rule.id for one in conclusions.fired for name in forbids if _requires(one.rule, name)
    }
    return old.intersection(read_for(conclusions, rules))


def _watched(
    rule_set: RuleSet,
    model: BeliefModel,
    case: Case,
    conclusions: Conclusions,
    left: Vector,
    shown: Iterable[str],
) -> list[str]:
    """What the proof asks for besides, since a danger would be left if all of `shown` were good."""
    accepted = {name: accepted_in_proof(rule_set, case, name) for name in shown}
    offered = _offered(rule_set, case, conclusions)
    more: list[str] = []
    while True:
        now = if_good(rule_set, model, left, accepted)
        unread = [name for name in offered if name not in accepted]
        found = (
            telling(rule_set, model, now, fault, chance, unread)
            for fault, chance in dangers(rule_set, model, now).items()
        )
        added = next((name for name in found if name is not None), None)
        if added is None:
            return more
        more.append(added)
        accepted[added] = accepted_in_proof(rule_set, case, added)


def _offered(rule_set: RuleSet, case: Case, conclusions: Conclusions) -> list[str]:
    return [
        check.id for check in rule_set.checks.values() if may_be_offered(conclusions, case, check)
    ]


def _good(rule_set: RuleSet, case: Case, finding: Finding) -> float:
    """The probability that a reading is of an outcome that will do."""
    accepted = accepted_in_proof(rule_set, case, finding.check)
    return sum(finding.probability_of(outcome) for outcome in accepted)


def _says_wrong(rule_set: RuleSet, case: Case, finding: Finding) -> bool:
    """Whether a reading says that something is wrong, rather than not."""
    return not finding.invalid and _good(rule_set, case, finding) < 0.5


def untouched(
    rule_set: RuleSet,
    model: BeliefModel,
    case: Case,
    findings: Sequence[Finding],
    remedies: Sequence[str],
) -> Iterator[str]:
    """The checks that were found wrong before these repairs, which none of them accounts for.

    A repair accounts for a reading of a part that it touches, and for one that a fault which it
    takes away may well give. Of the readings of a check before the last repair the last counts.
    """
    last = {one.check: one for one in findings if one.stage < len(remedies) and not one.invalid}
    for finding in last.values():
        since = remedies[finding.stage :]
        if _says_wrong(rule_set, case, finding) and not any(
            _accounts(rule_set, model, one, finding) for one in since
        ):
            yield finding.check


def _accounts(rule_set: RuleSet, model: BeliefModel, remedy: str, finding: Finding) -> bool:
    check = rule_set.checks[finding.check]
    if check.component in touched_by(rule_set, remedy):
        return True
    healthy = sum(p * q for p, q in zip(check.default, finding.evidence, strict=True))
    for fault in cured_by(rule_set, remedy):
        rows = model.tables[check.id][model.alone[fault]]
        likely = float((rows @ finding.evidence).max())
        if likely >= max(ACCOUNTS[check.scope], SEEN_RATIO * healthy):
            return True
    return False


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
    passed = _good(rule_set, case, finding) >= rule_set.tuning.certain
    if finding.outcome == INCONCLUSIVE and not passed:
        times = sum(one.outcome == INCONCLUSIVE for one in taken)
        why = "; ".join(finding.notes) or "the reading is too close to a limit to tell"
        return Proof(check, UNDECIDED if times < 2 else FAILED, finding, why)
    if finding.outcome not in accepted_in_proof(rule_set, case, check) and not passed:
        return Proof(check, FAILED, finding, f"it reads {finding.outcome}")
    if finding.reading.unstated:
        asked = {one.id: span(one) for one in asked_for.conditions}
        lacking = ", ".join(f"{one} ({asked[one]})" for one in finding.reading.unstated)
        return Proof(check, INVALID, finding, f"conditions not stated: {lacking}")
    wrong = [number for number, one in enumerate(taken) if _says_wrong(rule_set, case, one)]
    if wrong and len(taken) - 1 - wrong[-1] < OUTWEIGHS:
        why = f"it read {taken[wrong[-1]].outcome} before: one good reading does not outweigh that"
        return Proof(check, UNDECIDED, finding, why)
    return Proof(check, PASSED, finding, f"it reads {finding.outcome}")


def verify(
    rule_set: RuleSet,
    model: BeliefModel,
    case: Case,
    findings: Sequence[Finding],
    conclusions: Conclusions,
    required: Sequence[str],
    left: Vector,
) -> tuple[Decision, Release]:
    """The decision about a repair: the next of the required checks, released, or not and why.

    `left`: the probabilities of the states after the repairs and before their proof, (states,).
    A check that failed ends it; a dead one that was read once is named as a possible slip. One that
    cannot be carried out keeps the equipment from being released as well, but what else may be
    wrong is looked at first. Where no repair is named, the reasons say what that means.
    """
    decision, release = _verify(rule_set, model, case, findings, conclusions, required, left)
    if not case.repairs:
        decision = replace(decision, reasons=(*decision.reasons, _NO_REPAIR))
    return decision, release


def _verify(
    rule_set: RuleSet,
    model: BeliefModel,
    case: Case,
    findings: Sequence[Finding],
    conclusions: Conclusions,
    required: Sequence[str],
    left: Vector,
) -> tuple[Decision, Release]:
    asked = [*required, *_read_besides(rule_set, case, findings, required)]
    proofs = tuple(prove(rule_set, case, findings, check) for check in asked)
    against = [Reason(stop.rule, stop.text) for stop in conclusions.stops]
    failed = [one for one in proofs if one.result == FAILED]
    doubted = [one.finding for one in proofs if one.finding and one.result in (FAILED, UNDECIDED)]
    plate = None if against else plate_to_read(rule_set, case, doubted)
    if plate is not None:
        return Decision("check-next", plate, None, ()), Release(None, proofs)
    against += [_against(rule_set, one) for one in failed]
    due = [one for one in proofs if one.result in TO_DO]
    anew = _still_forbidding(rule_set, findings, conclusions)
    if anew.isdisjoint(one.check for one in due):
        against += _forbidden(rule_set, conclusions, against)
    doubtful = dict.fromkeys([*stopped_by(conclusions), *(one.check for one in failed)])
    against += slips(rule_set, doubtful, {one.check: one for one in findings if one.stands})
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
    if not against:
        after = [one for one in findings if one.stands and one.stage == len(case.repairs)]
        now = given(model, left, after)
        more, against = _left_in_doubt(rule_set, model, case, findings, conclusions, now)
        if more is not None:
            return _ask(rule_set, case, more), Release(None, (*proofs, more))
    if against:
        return Decision(NOT_RELEASED, None, None, tuple(against)), Release(False, proofs)
    text = f"all {len(proofs)} checks of the proof passed"
    return Decision(RELEASED, None, None, (Reason(RELEASED, text),)), Release(True, proofs)


def _read_besides(
    rule_set: RuleSet, case: Case, findings: Sequence[Finding], required: Sequence[str]
) -> list[str]:
    """The checks beyond the proof that have said, since the repair, that something is wrong."""
    wrong = dict.fromkeys(
        one.check for one in findings if not one.reading.past and _says_wrong(rule_set, case, one)
    )
    return [name for name in wrong if name not in required]


def _forbidden(
    rule_set: RuleSet, conclusions: Conclusions, known: Sequence[Reason]
) -> Iterator[Reason]:
    """What forbids use though nothing else has been said against it."""
    if known:
        return
    for name, precaution in rule_set.precautions.items():
        if precaution.forbids_use and name in conclusions.required:
            rules = [one.rule for one in conclusions.fired if _requires(one.rule, name)]
            yield Reason("use-forbidden", " ".join(rule.because for rule in rules))


def _requires(rule: Rule, precaution: str) -> bool:
    return any(one.kind == "require" and precaution in one.targets for one in rule.consequences)


def _left_in_doubt(
    rule_set: RuleSet,
    model: BeliefModel,
    case: Case,
    findings: Sequence[Finding],
    conclusions: Conclusions,
    now: Vector,
) -> tuple[Proof | None, list[Reason]]:
    """A check that tells of a danger which is left, or what keeps the equipment out of use."""
    taken = Counter(one.check for one in findings if not one.reading.past)
    possible = [name for name in _offered(rule_set, case, conclusions) if name not in taken]
    readable = [
        one
        for one in findings
        if one.stands
        and taken[one.check] < MOST_READINGS
        and one.check not in case.unavailable | conclusions.barred
        and not rule_set.access[rule_set.checks[one.check].access].powered
    ]
    for fault, chance in dangers(rule_set, model, now).items():
        title = rule_set.faults[fault].title
        text = f"{title}: a chance of {chance:.1%} is left"
        check = telling(rule_set, model, now, fault, chance, possible)
        if check is not None:
            return Proof(check, MISSING, None, text), []
        bits = {one.check: information_about_again(model, now, fault, one) for one in readable}
        best = max(readable, key=lambda one: (bits[one.check], one.check), default=None)
        if best is not None and tells(bits[best.check], chance):
            return Proof(best.check, UNDECIDED, best, text), []
        return None, [Reason("danger-not-excluded", f"{text}, and no check is left that tells")]
    return None, []


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
