"""One case in, one assessment out: the whole way, one pure step after another."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from functools import cache
from typing import Any
from weakref import WeakKeyDictionary

from service.diagnosis import next_response, response
from service.diagnosis.arrays import Vector
from service.diagnosis.belief import Belief, Evidence, believe, history
from service.diagnosis.bring import bring
from service.diagnosis.case import VERIFY, Case, CaseError, read_case
from service.diagnosis.chaining import Conclusions, conclude
from service.diagnosis.conflicts import Conflict, conflicts
from service.diagnosis.danger import left_by
from service.diagnosis.decision import Decision, decide
from service.diagnosis.explanation import explain
from service.diagnosis.facts import tokens
from service.diagnosis.findings import Finding, find_all
from service.diagnosis.information import expected_information
from service.diagnosis.opening import along, opening
from service.diagnosis.precautions import at_hand, figures, standing
from service.diagnosis.states import BeliefModel, belief_model
from service.diagnosis.verdict import remedies_of
from service.diagnosis.verification import NOT_RELEASED, Release, required_checks, verify
from service.documents import Written, fragments
from service.inference.engine import Chainer
from service.memo import Memo
from service.ruleset.catalogue import Catalogue
from service.ruleset.describe import reference
from service.ruleset.model import Check, RuleSet
from service.ruleset.near import unknown
from service.ruleset.tokens import token_rules

# Of so many cases that come to the same the answer is kept, some 40 kB each, and of so many what
# was decided, some 10 kB with what it rests on.
ANSWERS_KEPT = 2048
DECISIONS_KEPT = 8192


@dataclass(frozen=True, slots=True)
class Judged:
    """What a case comes to once its readings are judged: all that the answer may rest on.

    What was measured is left out. Cases whose readings mean the same are equal, so what follows
    from one follows from the other, and is worked out once.
    """

    case: Case
    findings: tuple[Finding, ...]
    tokens: frozenset[str]
    _hash: int = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_hash", hash((self.case, self.findings, self.tokens)))

    def __hash__(self) -> int:
        return self._hash


@dataclass(frozen=True, slots=True)
class Read:
    """A case that has been read: its findings with what was measured, and what it comes to."""

    findings: tuple[Finding, ...]
    judged: Judged


@dataclass(frozen=True, slots=True)
class Reasoned:
    """What follows from a case before anything is decided."""

    case: Case
    findings: tuple[Finding, ...]
    conclusions: Conclusions
    belief: Belief


@dataclass(frozen=True, slots=True)
class Decided:
    """What is decided on that, and what else was worked out for it."""

    decision: Decision
    release: Release | None
    conflicts: tuple[Conflict, ...]
    proof: Callable[[], Sequence[str]]  # the checks that prove the repairs so far and the verdict's
    information: Callable[[], Mapping[str, float]]  # bits, by check; worked out when called


class Reasoner:
    """A rule set made ready: its chainer and its tables. Holds no state of any case."""

    def __init__(self, rule_set: RuleSet, *, answers_kept: int = ANSWERS_KEPT) -> None:
        self.rule_set = rule_set
        self.chainer = Chainer(token_rules(rule_set.rules))
        self.model: BeliefModel = belief_model(rule_set)
        self.answers: Memo[Judged, Written] = Memo(answers_kept, self._answers)
        self.decisions: Memo[Judged, dict[str, Any]] = Memo(DECISIONS_KEPT, self._decisions)

    def read(self, document: Mapping[str, Any]) -> Read:
        """A request document whose shape has been checked, in the terms of this rule set.

        Raises:
            CaseError: what this rule set cannot make sense of, by JSON Pointer.
        """
        case = read_case(self.rule_set, document)
        findings = find_all(self.rule_set, case)
        return Read(findings, judge(self.rule_set, case, findings))

    def assess(self, document: Mapping[str, Any]) -> Written:
        """The assessment of such a document; raises CaseError too.

        Parts of it are shared with other assessments: it is not to be changed.
        """
        return self.assess_all([self.read(document)])[0]

    def assess_all(self, cases: Sequence[Read]) -> list[Written]:
        """The assessment of each case, as of one alone."""
        answers = self.answers.of([one.judged for one in cases])
        return [self._with_own(one, answer) for one, answer in zip(cases, answers, strict=True)]

    def decide_all(self, cases: Sequence[Read]) -> list[dict[str, Any]]:
        """Of the assessment of each case what was decided, and the hypotheses."""
        return self.decisions.of([one.judged for one in cases])

    def reason(self, document: Mapping[str, Any]) -> Reasoned:
        """What the rules conclude from a request document, and what is believed. As `read`."""
        return self._reason([self.read(document).judged])[0]

    def _with_own(self, case: Read, answer: Written) -> Written:
        own = {"findings": [response.finding(self.rule_set, one) for one in case.findings]}
        return Written({**answer, **own}, {**answer.written, **own})

    def _answers(self, cases: Sequence[Judged]) -> list[Written]:
        documents = map(self.answer, self._reason(cases))
        return [Written(document, fragments(document)) for document in documents]

    def _decisions(self, cases: Sequence[Judged]) -> list[dict[str, Any]]:
        return list(map(self._in_brief, self._reason(cases)))

    def _in_brief(self, reasoned: Reasoned) -> dict[str, Any]:
        decided = self._decide(reasoned)
        decision = decided.decision
        return {
            "status": decision.status,
            "next_check": decision.plan and next_response.in_brief(decision.plan),
            "verdict": decision.verdict
            and response.verdict(self.rule_set, decision.verdict, decided.proof()),
            "hypotheses": response.hypotheses(self.rule_set, self.model, reasoned.belief.posterior),
            "rule_set": reference(self.rule_set),
        }

    def _reason(self, cases: Sequence[Judged]) -> list[Reasoned]:
        """What follows from each case. One after another the rules, all together the belief."""
        rule_set, model = self.rule_set, self.model
        drawn = [conclude(rule_set, self.chainer.run(one.tokens)) for one in cases]
        pasts = {
            (symptom, remedies): history(rule_set, model, symptom, remedies)
            for symptom, remedies in {(one.case.symptom, failed(one.case)) for one in cases}
        }
        evidence = [
            Evidence(
                one.case.symptom,
                of_the_fault(one),
                pasts[one.case.symptom, failed(one.case)],
                conclusions.excluded,
                conclusions.weights,
            )
            for one, conclusions in zip(cases, drawn, strict=True)
        ]
        beliefs = believe(model, evidence)
        return [
            Reasoned(one.case, one.findings, conclusions, belief)
            for one, conclusions, belief in zip(cases, drawn, beliefs, strict=True)
        ]

    def _decide(self, reasoned: Reasoned) -> Decided:
        rule_set, model = self.rule_set, self.model
        case, findings = reasoned.case, reasoned.findings
        conclusions, belief = reasoned.conclusions, reasoned.belief
        information = cache(lambda: expected_information(model, belief.states))

        def proof_of(repairs: tuple[str, ...], left: Vector) -> tuple[str, ...]:
            return required_checks(rule_set, model, case, findings, conclusions, repairs, left)

        if case.phase == VERIFY:
            left = left_by(rule_set, model, belief.states, case.repairs[len(failed(case)) :])
            shown = proof_of(case.repairs, left)
            decision, release = verify(rule_set, model, case, findings, conclusions, shown, left)
            return Decided(decision, release, (), lambda: shown, information)
        clashes = conflicts(model, belief, conclusions.contradictions, rule_set.tuning)
        decision = decide(
            rule_set, model, case, findings, conclusions, belief, information, clashes
        )
        made = () if decision.verdict is None else remedies_of(decision.verdict)

        @cache
        def proof() -> tuple[str, ...]:
            left = left_by(rule_set, model, belief.states, made)
            return proof_of((*case.repairs, *made), left)

        return Decided(decision, None, clashes, proof, information)

    def answer(self, reasoned: Reasoned) -> dict[str, Any]:
        """The assessment, once everything has been reasoned out; `findings` are put in later."""
        rule_set, model, case = self.rule_set, self.model, reasoned.case
        conclusions, belief = reasoned.conclusions, reasoned.belief
        decided = self._decide(reasoned)
        decision = decided.decision
        worked_out = figures(rule_set, case)
        ahead, noted = None, list[Check]()
        following = decision.plan
        if following is not None and following.plate is None:
            if case.phase != VERIFY:
                ahead = opening(rule_set, model, belief.states, following, decision.offered())
                noted = [*ahead.also]
            elif following.preparation is None:
                noted = along(rule_set, case, conclusions, following.check)
        now = applying_now(rule_set, conclusions, decision)
        listed = [
            response.precaution(one, now=one.precaution.id in now)
            for one in standing(rule_set, case, now | conclusions.required, worked_out)
        ]
        return {
            "status": decision.status,
            "next_check": None
            if decision.plan is None
            else next_response.next_check(
                rule_set,
                decision.plan,
                case,
                [one for one in listed if one["applies_now"]],
                worked_out,
                noted,
            ),
            "plan": ahead and next_response.plan_of(rule_set, ahead),
            "verdict": None
            if decision.verdict is None
            else response.verdict(rule_set, decision.verdict, decided.proof()),
            "release": decided.release and response.release(rule_set, decided.release),
            "hypotheses": response.hypotheses(rule_set, model, belief.posterior),
            "pairs": response.pairs(model, belief.states),
            "findings": [],
            "precautions": listed,
            "bring": response.bring(
                rule_set,
                bring(
                    rule_set,
                    model,
                    case,
                    conclusions,
                    belief.states,
                    decided.information(),
                    decided.proof(),
                ),
            ),
            "expected_cost": None
            if decision.weighing is None
            else response.expected_cost(decision.weighing),
            "conflicts": [response.conflict(one) for one in decided.conflicts],
            "reasons": [asdict(one) for one in decision.reasons],
            "explanation": explain(rule_set, model, belief, conclusions, decision),
            "rule_set": reference(rule_set),
        }


def judge(rule_set: RuleSet, case: Case, findings: tuple[Finding, ...]) -> Judged:
    """What a case with these findings comes to."""
    found = tuple(one.without_value() for one in findings)
    readings = tuple(one.reading for one in found)
    return Judged(case.without_values(readings), found, tokens(rule_set, case, findings))


def failed(case: Case) -> tuple[str, ...]:
    """The repairs that did not cure: in a proof those from before the last readings of the fault.

    What proves a repair does not tell that it has failed, nor does a repair made beside it.
    """
    if case.phase != VERIFY:
        return case.repairs
    between = {reading.stage for reading in case.readings if reading.stage < len(case.repairs)}
    return case.repairs[: max(between, default=0)]


def of_the_fault(judged: Judged) -> Sequence[Finding]:
    """The findings that tell what is wrong. What proves a repair says nothing of what was."""
    case, findings = judged.case, judged.findings
    if case.phase != VERIFY:
        return findings
    return [one for one in findings if one.stage < len(case.repairs)]


def applying_now(rule_set: RuleSet, conclusions: Conclusions, decision: Decision) -> set[str]:
    """The precautions for what comes next: always, for the next check, for the repair.

    Those that rules require for steps that may follow stand in the answer too, as not for now;
    unless no check comes next: then all that rules require applies.
    """
    out = {*rule_set.always, *next_precautions(rule_set, decision)}
    if decision.status == NOT_RELEASED:
        out |= {*conclusions.required, *rule_set.when_not_released}
    if decision.status in ("stop-work", "unresolved"):
        out |= conclusions.required
    # What a rule requires without anything to confirm is a warning that holds at once.
    out |= {one for one in conclusions.required if not rule_set.precautions[one].confirm}
    if decision.verdict is not None:
        out |= at_hand(rule_set, rule_set.remedies[decision.verdict.fault.remedy])
    return out


def next_precautions(rule_set: RuleSet, decision: Decision) -> set[str]:
    """The precautions of the next check and of the preparation that it waits for."""
    if decision.plan is None:
        return set()
    step = decision.plan.preparation
    out = at_hand(rule_set, decision.plan.aim)
    if step is not None:
        out |= {step.confirms, *step.precautions}
    return out


# For as long as the catalogue is there: one that another has replaced is let go with its reasoners.
_reasoners: WeakKeyDictionary[Catalogue, dict[str, Reasoner]] = WeakKeyDictionary()


def reasoner(catalogue: Catalogue, rule_set_id: str) -> Reasoner:
    """The reasoner of an installed rule set, made once per catalogue."""
    made = _reasoners.setdefault(catalogue, {})
    if rule_set_id not in made:
        made[rule_set_id] = Reasoner(catalogue.get(rule_set_id))
    return made[rule_set_id]


def reasoner_for(catalogue: Catalogue, document: Mapping[str, Any]) -> Reasoner:
    """The reasoner of the installed rule set for a request document's equipment.

    Raises:
        CaseError: unknown equipment.
    """
    equipment = document["equipment"]
    rule_set = catalogue.for_equipment(equipment)
    if rule_set is None:
        known = catalogue.equipment()
        raise CaseError([("/equipment", unknown("equipment", equipment, known, "equipment"))])
    return reasoner(catalogue, rule_set.id)
