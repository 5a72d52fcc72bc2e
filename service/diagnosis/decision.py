"""From belief and conclusions to a decision: stop, verdict, next check, or "unresolved"."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from service.diagnosis.again import (
    SEEN_ONCE_FOR_ALL,
    danger_found_twice,
    measured_once,
    parts_shown_once,
    promised_again,
    read_once,
    read_twice,
)
from service.diagnosis.belief import Belief
from service.diagnosis.case import LEAST_CONFIDENCE, Case
from service.diagnosis.chaining import Conclusions
from service.diagnosis.conflicts import Conflict
from service.diagnosis.costs import Weighing, weigh
from service.diagnosis.findings import Finding
from service.diagnosis.information import entropy, information_about
from service.diagnosis.planning import (
    Candidate,
    Plan,
    candidates,
    cheapest,
    choose,
    energising,
    plan,
    unanswered,
)
from service.diagnosis.plates import plate_to_read
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
    abnormal,
    amiss,
    leader,
    make_verdict,
    needs,
    second_faults,
)
from service.ruleset.model import NO_FAULT, UNLISTED_FAULT, Fault, RuleSet

# A check is asked for a second fault if it promises so many bits about whether that is there, and
# one that every proof reads anyway is asked before if it promises so many about the remedy.
WORTH_ASKING = 0.05
# What an answer without a verdict says of the remedy; see `reasons.py`.
GUESSES = frozenset({"best-guess", "would-settle"})


@dataclass(frozen=True, slots=True)
class Decision:
    """What to tell the technician."""

    status: str
    plan: Plan | None
    verdict: Verdict | None
    reasons: tuple[Reason, ...]
    weighing: Weighing | None = None
    offered: Callable[[], Sequence[Candidate]] = tuple  # the checks that may be offered now


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
    if conclusions.stops:
        conclusions = replace(conclusions, barred=conclusions.barred | energising(rule_set))
    deciding = _Deciding(
        rule_set, model, case, findings, conclusions, belief, information, conflicts
    )
    found = replace(deciding.decision(), offered=lambda: deciding.offered)
    if not conclusions.stops:
        return found
    reasons = tuple(Reason(stop.rule, stop.text) for stop in conclusions.stops)
    if found.plan is None and found.verdict is None:
        reasons += slips(rule_set, stopped_by(conclusions), deciding.standing)
        reasons += tuple(one for one in found.reasons if one.code in GUESSES)
    return replace(found, status="stop-work", reasons=reasons)


@dataclass
class _Deciding:
    """One case on its way to a decision."""

    rule_set: RuleSet
    model: BeliefModel
    case: Case
    findings: Sequence[Finding]
    conclusions: Conclusions
    belief: Belief
    information: Callable[[], Mapping[str, float]]
    conflicts: Sequence[Conflict]

    @cached_property
    def standing(self) -> dict[str, Finding]:
        """The reading that stands, of each check that has one."""
        return {finding.check: finding for finding in self.findings if finding.stands}

    @cached_property
    def offered(self) -> list[Candidate]:
        """The checks without an answer that may be offered."""
        return self.among(unanswered(self.rule_set, self.findings))

    @cached_property
    def doubt(self) -> float:
        """The entropy over sets of remedies, in bits."""
        return entropy(self.model, self.belief.states)

    @property
    def stopped(self) -> bool:
        return bool(self.conclusions.stops)

    def among(self, names: Iterable[str]) -> list[Candidate]:
        """Those of the checks that may be offered."""
        asked = tuple(names)
        if not asked:
            return []
        return candidates(self.rule_set, self.information(), self.case, self.conclusions, asked)

    def anew(self, names: Iterable[str]) -> list[Candidate]:
        """Those of the checks, read before, that may be read again."""
        asked = tuple(names)
        return self.promising(dict.fromkeys(asked, 0.0)) if asked else []

    def promising(self, promised: Mapping[str, float]) -> list[Candidate]:
        """The same with what each promises, in bits. No rule has to admit what was read before."""
        admitted = replace(self.conclusions, admitted=self.conclusions.admitted | {*promised})
        known = {**self.information(), **promised}
        return candidates(self.rule_set, known, self.case, admitted, tuple(promised))

    def missing_for(self, fault: str) -> tuple[str, ...]:
        """The checks that a verdict of the fault still needs."""
        return needs(
            self.rule_set,
            self.model,
            self.case,
            self.belief,
            fault,
            self.standing,
            self.conclusions.lacking,
            stopped=self.stopped,
        )

    def decision(self) -> Decision:
        """A plate to read, a verdict, the next check, or none of these."""
        rule_set, model, case = self.rule_set, self.model, self.case
        belief, standing, conflicts = self.belief, self.standing, self.conflicts
        weighing = None
        by_costs = case.costs is not None and case.required_confidence <= LEAST_CONFIDENCE
        if case.costs is not None:
            weighing = weigh(rule_set, model, case.costs, belief.states, self.offered)
        plate = plate_to_read(rule_set, case, self.findings)
        if plate is not None:
            return _next(plate, weighing)
        leading, confidence = leader(rule_set, model, belief, case.required_confidence)
        enough = case.required_confidence
        danger = None
        if self.stopped and confidence < enough:
            danger = danger_found_twice(rule_set, model, belief.states, standing)
        if danger is not None:
            leading, confidence = danger
            enough = rule_set.tuning.danger_read_twice
        convinced = leading != UNLISTED_FAULT and confidence >= enough
        sure = convinced and confidence >= rule_set.faults[leading].least_confidence
        missing = self.missing_for(leading) if convinced else ()
        verdict = None
        beside = second_faults(model, belief, leading) if convinced else {}
        proven = [
            fault
            for fault, chance in beside.items()
            if chance >= case.required_confidence and not self.missing_for(fault)
        ]
        doubtful = [
            f.check
            for one in conflicts
            for f in one.to_repeat()
            if model.persists[f.check] < SEEN_ONCE_FOR_ALL
        ]
        again = cheapest(self.among(dict.fromkeys(doubtful)))
        # A contradiction that a further reading may clear up comes first. One that stands is in
        # the belief already, and does not keep back what is sure in spite of it.
        if sure and not missing and again is None:
            verdict = make_verdict(rule_set, model, belief, leading, confidence, beside, proven)

        if leading == NO_FAULT and (self.stopped or amiss(rule_set, case, standing)):
            verdict = None
        if self.stopped and verdict is not None:
            thrice = None
            if danger is not None:
                twice = read_twice(rule_set, model, self.findings, standing, leading)
                thrice = cheapest(self.anew(twice))
            if thrice is not None:
                because = (
                    f"Work stops on {thrice.check.title}, and two readings do not prove it. Take "
                    "it a third time, at other bare points and with other leads."
                )
                return _next(plan(rule_set, thrice, because, recheck=True), weighing)
            return Decision("fault-found", None, verdict, ())
        once = cheapest(self.anew(read_once(model, self.findings, stopped_by(self.conclusions))))
        if once is not None:
            title = once.check.title
            because = (
                f"Work stops on one reading of {title}. Take it again: if it does not repeat, the "
                "first was a slip, and is left out."
            )
            return _next(plan(rule_set, once, because, recheck=True), weighing)

        if by_costs and verdict is not None and weighing is not None:
            # The likeliest remedy is no verdict where another costs less to begin with.
            verdict = verdict if weighing.remedy == verdict.fault.remedy else None

        if verdict is not None:
            rather = None
            if weighing is not None:
                rather = _cheaper_first(rule_set, weighing, self.offered)
            for fault, _ in verdict.also_suspected:
                if rather is None:
                    rather = self.about_second(fault)
            if rather is not None:
                return _next(rather, weighing)
            if leading == NO_FAULT:
                good = nothing_found(model, belief, confidence)
                return Decision("no-fault-found", None, None, good, weighing)
            return Decision("fault-found", None, verdict, contradicted(conflicts), weighing)

        if again is not None:
            because = f"{conflicts[0].text}. Take the reading again before anything is replaced."
            return _next(plan(rule_set, again, because, recheck=True), weighing)
        if convinced and not sure and not missing:
            why = "is likely, and asks for more than one reading."
            once_more = self.once_more(leading, why, at_hand=True)
            if once_more is not None:
                return _next(once_more, weighing)
        return self.next_or_open(leading, missing, weighing, by_costs=by_costs)

    def next_or_open(
        self, leading: str, missing: Sequence[str], weighing: Weighing | None, *, by_costs: bool
    ) -> Decision:
        """The next check where there is no verdict, or why there is none."""
        rule_set, model = self.rule_set, self.model
        found = self.promising(promised_again(rule_set, model, self.findings, self.belief))
        again_offered = [replace(one, again=True, preferred=False) for one in found]
        tuning = rule_set.tuning
        bad = set(abnormal(rule_set, self.standing))
        sooner = [*filter(self.before_the_proof, self.offered)]  # a proof reads the rest anyway
        # A slip of the meter is looked for early; eyes and ears are not asked twice at once.
        measured = [one for one in again_offered if one.check.kind == "measurement"]
        sooner += [one for one in measured if one.check.id in bad]
        turns = (sooner, self.offered, again_offered)
        choices = (choose(among, tuning, self.doubt) for among in turns)
        best = next((one for one in choices if one is not None), None)
        # Where costs decide, a likely fault's proof waits for what tells more, and nothing is
        # asked for that is not expected to pay, unless the request wants to be surer than costs
        # need.
        pays = weighing is not None and weighing.worth_going_on
        if missing and not (pays and best is not None):
            needed = cheapest(self.among(missing))
            if needed is not None:
                title = rule_set.faults[leading].title
                because = f"{title} is likely, but it is not a verdict while this is unchecked."
                return _next(plan(rule_set, needed, because), weighing)
        if best is not None and (not by_costs or pays or best.preferred):
            told = self.standing.get(best.check.id)
            if best.again:
                because = (
                    "Much hangs on this reading. Take it again before anything is replaced."
                    if best.check.id in bad
                    else "Nothing new is left to check, and this was found good once. Take it "
                    "again."
                )
                return _next(plan(rule_set, best, because, recheck=True), weighing)
            if told is None:
                return _next(plan(rule_set, best, best.check.why), weighing)
            because = f"The reading decided nothing: {'; '.join(told.notes)}. Take it again."
            return _next(plan(rule_set, best, because, recheck=True), weighing)
        if best is None:
            # Two readings that agree may prove what one of them does not.
            once_more = self.once_more(leading, "leads on one reading, and nothing else is left.")
            if once_more is not None:
                return _next(once_more, weighing)
        return self.open(missing, weighing, pays_not=best is not None)

    def once_more(self, leading: str, why: str, *, at_hand: bool = False) -> Plan | None:
        """A second reading of what has shown the leading fault once; at_hand: without preparing."""
        rule_set, model, standing = self.rule_set, self.model, self.standing
        if leading not in rule_set.faults:
            return None
        if leading == NO_FAULT:  # what speaks against it instead; nothing live a second time
            against = read_once(model, self.findings, amiss(rule_set, self.case, standing))
            shown = [name for name in against if not rule_set.checks[name].live]
        else:
            shown = measured_once(rule_set, model, standing, leading)
        best = cheapest(self.anew(shown))
        if best is None or (at_hand and best.unmet):
            return None
        because = f"{rule_set.faults[leading].title} {why} Take it again."
        if leading == NO_FAULT:
            because = f"{best.check.title} alone speaks of a fault, by one reading. Take it again."
        return plan(rule_set, best, because, recheck=True)

    def before_the_proof(self, offered: Candidate) -> bool:
        """Whether a check is worth its minutes before others, though every proof may read it."""
        return (
            offered.check.id not in self.rule_set.after_every_repair
            or offered.preferred
            or offered.information >= WORTH_ASKING
        )

    def open(
        self, missing: Sequence[str], weighing: Weighing | None, *, pays_not: bool
    ) -> Decision:
        """No next check: a danger that has been found twice, or why there is no verdict."""
        rule_set, model, case, belief = self.rule_set, self.model, self.case, self.belief
        danger = danger_found_twice(rule_set, model, belief.states, self.standing)
        if danger is not None and not self.missing_for(danger[0]):
            beside = second_faults(model, belief, danger[0])
            verdict = make_verdict(rule_set, model, belief, *danger, beside, ())
            return Decision("fault-found", None, verdict, (), weighing)
        reasons: tuple[Reason, ...]
        if pays_not and weighing is not None:
            reasons = (does_not_pay(weighing),)
        else:
            skipped = tuple(sorted(case.unavailable - self.standing.keys()))
            reasons = unresolved(model, belief, self.conflicts, missing, skipped)
        out_of_reach = {
            one
            for one in case.unavailable - self.standing.keys() - self.conclusions.barred
            if one in rule_set.checks
        }
        reasons += best_guess(rule_set, model, belief)
        reasons += would_settle(rule_set, self.information(), out_of_reach)
        reasons += rests(model, belief)
        reasons += assumed(rule_set, case, self.conclusions, self.standing)
        return Decision("unresolved", None, None, reasons, weighing)

    def about_second(self, fault: Fault) -> Plan | None:
        """What tells whether a suspected second fault is there: a check, or a second reading."""
        rule_set, model = self.rule_set, self.model
        because = f"It tells whether {fault.title} has come on top of the fault already found."
        telling = _telling(model, self.belief, self.offered, fault.id)
        if telling is not None:
            return plan(rule_set, telling, because)
        again = cheapest(self.among(parts_shown_once(rule_set, model, self.standing, fault.id)))
        return None if again is None else plan(rule_set, again, because, recheck=True)


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
    """The check of the equipment that tells most, per minute, whether a second fault is there."""
    checks = [one for one in offered if one.check.asked_of == "technician"]
    worth = {
        one.check.id: information_about(model, belief.states, fault, one.check.id) for one in checks
    }
    good = [one for one in checks if worth[one.check.id] >= WORTH_ASKING]
    return min(good, key=lambda one: (-worth[one.check.id] / one.cost, one.check.id), default=None)


def _next(chosen: Plan, weighing: Weighing | None) -> Decision:
    return Decision("check-next", chosen, None, (), weighing)
