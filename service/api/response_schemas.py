"""What an assessment looks like. These schemas document; the core writes the answers.

The tests hold every answer against the OpenAPI document that is made from them.
"""

from __future__ import annotations

from marshmallow import fields

from service.api.answer_fields import (
    each,
    flag,
    fraction,
    number,
    one,
    one_of,
    string,
    strings,
    titles,
)
from service.api.fields import AnswerSchema
from service.api.request_schemas import described
from service.api.step_schemas import (
    NextCheckSchema,
    OutcomeSpanSchema,
    PlanSchema,
    PrecautionSchema,
)

STATUSES = (
    "check-next",
    "fault-found",
    "no-fault-found",
    "unresolved",
    "stop-work",
    "released",
    "not-released",
)


class RemedySchema(AnswerSchema):
    """The repair action."""

    id = string("Id of the remedy, to send in `repairs` once it is made.")
    action = string("What to do.")
    minutes = number("How long it takes, in minutes.")
    source = string("Document and clause, common practice, or estimate.")


class FaultProbabilitySchema(AnswerSchema):
    """A fault and its probability."""

    fault = string("Id of the fault.")
    probability = fraction("That it is the fault, given all readings.")


class SecondFaultSchema(AnswerSchema):
    """A second fault beside the first."""

    fault = string("Id of the fault.")
    title = string("The fault in words.")
    component = string("Id of the component that is at fault.")
    confidence = fraction("Probability that it is there.")
    remedy = one(RemedySchema, "What mends it.")
    parts = strings("Ids of the parts that its remedy needs.")
    part_titles = titles("What each of `parts` is called.")


class VerdictSchema(AnswerSchema):
    """The fault found, and what to do about it."""

    fault = string("Id of the fault.")
    title = string("The fault in words.")
    component = string("Id of the component that is at fault.")
    confidence = fraction(
        "Probability that this remedy is the right one: that of all faults which it mends."
    )
    remedy = one(RemedySchema, "What mends it.")
    parts = strings("Ids of the parts that the remedy needs.")
    also_replace = strings("Ids of parts to replace along with them.")
    part_titles = titles("What each of `parts` and `also_replace` is called.")
    also_found = each(SecondFaultSchema, "Faults proven beside this one, to be mended with it.")
    also_suspected = each(
        SecondFaultSchema, "Faults that may be there beside it, and that no check tells now."
    )
    checks_after_repair = strings(
        "Ids of the checks that prove the repair, asked for in phase `verify-repair`."
    )
    ambiguity_group = each(
        FaultProbabilitySchema, "Faults of the same remedy that are not told apart."
    )


class HypothesisSchema(AnswerSchema):
    """A fault that may be present."""

    fault = string("Id of the fault; `unlisted-fault` is any that the rule set does not know.")
    title = string("The fault in words.")
    component = string("null for `unlisted-fault`.", null=True)
    probability = fraction("All hypotheses together have 1.")


class PairSchema(AnswerSchema):
    """Two faults at once."""

    faults = strings("The one that causes the other first, if one does.")
    probability = fraction("That both are there, given all readings.")


class ProofSchema(AnswerSchema):
    """A check that the proof of a repair asks for."""

    check = string("Id of the check.")
    title = string("What to do, in a few words.")
    result = one_of(
        "passed",
        "failed",
        "missing",
        "invalid",
        "undecided",
        "unavailable",
        description="What it has shown since the repair.",
    )
    outcome = string("null unless read since the repair.", null=True)
    reading = fields.Integer(
        required=True, allow_none=True, metadata=described("Index in `readings`.")
    )
    why = string("Why the proof asks for it.")


class ReleaseSchema(AnswerSchema):
    """Whether the equipment may be used again."""

    released = fields.Boolean(
        required=True, allow_none=True, metadata=described("null while checks are due.")
    )
    proof = each(ProofSchema, "In the order of the work.")


class ToolSchema(AnswerSchema):
    """A tool to bring."""

    id = string("Id of the tool.")
    title = string("The tool in words.")
    used_for = strings("Checks and preparations that may need it.")


class PartSchema(AnswerSchema):
    """A part to bring."""

    id = string("Id of the part.")
    title = string("The part in words.")
    probability = fraction("That it is needed.")
    price_class = string("What it costs, as a class of the rule set.")
    faults = strings("The most probable faults that want it.")


class BringSchema(AnswerSchema):
    """What to bring to the visit, or to fetch from the van."""

    tools = each(ToolSchema, "For the checks and preparations that may still be asked for.")
    parts = each(PartSchema, "The most probable first.")


class ExpectedCostSchema(AnswerSchema):
    """Replacing now against going on, in expected minutes of work."""

    remedy = string("The cheapest remedy to act on now; `unlisted-fault` is to give up.")
    replace_now = number("Minutes, with its part and the chance of a second visit.")
    check = string("The check that would be best to do first; null if there is none.", null=True)
    go_on = number("Minutes, with that check first; null if there is none.", null=True)


class OutcomeProbabilitySchema(AnswerSchema):
    """An outcome and its probability."""

    outcome = string("Id of the outcome.")
    probability = fraction("That the true value belongs to it, given the measured one.")


class MeasuredSchema(AnswerSchema):
    """What was measured, as used."""

    value = number("Lead resistance subtracted.")
    unit = string("UCUM code, as sent.")
    standard_uncertainty = number("One standard deviation, in the same unit.")


class FindingSchema(AnswerSchema):
    """A reading, classified."""

    reading = fields.Integer(required=True, metadata=described("Index in `readings`."))
    check = string("Id of the check.")
    outcome = string("The most probable outcome, or `inconclusive`, or `invalid`.")
    probability = fraction("That the outcome is the right one (JCGM 106:2012).")
    probabilities = each(OutcomeProbabilitySchema, "Of each outcome of the check; together 1.")
    limits = each(
        OutcomeSpanSchema,
        "Between the outcomes, for this nameplate; empty if what was sent is an outcome.",
    )
    measured = one(MeasuredSchema, "null unless a value was sent.", null=True)
    superseded = flag("Whether a later reading of the check, or a repair, has taken its place.")
    notes = strings("What to know of this reading.")


class ConflictSchema(AnswerSchema):
    """Readings that do not go together."""

    checks = strings("Ids of the checks.")
    readings = fields.List(
        fields.Integer(), required=True, metadata=described("Indices in `readings`.")
    )
    message = string("What does not go together.")


class ReasonSchema(AnswerSchema):
    """A reason for the status."""

    code = string("Which kind of reason, for programs.")
    text = string("The reason in words.")
    check = string(
        "The check that it is about, if it is about one. After `may-be-a-slip` send both readings "
        "if the second repeats the first; if not, leave the first out.",
        null=True,
    )


class MoveSchema(AnswerSchema):
    """How a reading moved a fault."""

    fault = string("Id of the fault.")
    before = fraction("Its probability without the reading.")
    after = fraction("Its probability with it.")
    decibans = number("Weight of evidence: 10 log10 of the ratio of the odds.")


class ReadingMovesSchema(AnswerSchema):
    """What a reading moved."""

    reading = fields.Integer(required=True, metadata=described("Index in `readings`."))
    check = string("Id of the check.")
    outcome = string("Id of the outcome that it was taken for.")
    moved = each(MoveSchema, "The faults that it moved most.")


class FiredRuleSchema(AnswerSchema):
    """A rule that fired."""

    rule = string("Id of the rule.")
    because = string("What it rests on, in words.")
    facts = strings("The facts that made it fire.")
    consequences = strings("What follows from it.")


class ExplanationSchema(AnswerSchema):
    """Why: in sentences, by reading, by rule."""

    summary = strings("Sentences to read, in order.")
    readings = each(ReadingMovesSchema, "What each reading that stands has moved.")
    rules = each(FiredRuleSchema, "In the order in which they fired.")


class RuleSetReferenceSchema(AnswerSchema):
    """The rule set that an answer rests on."""

    id = string("Id of the rule set.")
    version = string("Its version by SemVer 2.0.0, as its author counts: 1.4.0+kitchen.1.")
    content_hash = string("The same request against the same hash gives the same bytes.")


class AssessmentSchema(AnswerSchema):
    """What follows from a case."""

    case_id = fields.String(metadata=described("As sent; absent if none was sent."))
    status = one_of(*STATUSES, description="What comes next; each has its own part of the answer.")
    next_check = one(
        NextCheckSchema,
        "null unless the status is `check-next`, or `stop-work` while a dead check may still tell "
        "which part it is.",
        null=True,
    )
    plan = one(PlanSchema, "What goes with the next check; null without one.", null=True)
    verdict = one(VerdictSchema, "null unless reached.", null=True)
    release = one(ReleaseSchema, "null unless a repair is to be verified.", null=True)
    hypotheses = each(HypothesisSchema, "Every fault, the most probable first.")
    pairs = each(PairSchema, "Two faults at once, of one percent or more.")
    findings = each(FindingSchema, "One per reading, in the order sent.")
    precautions = each(PrecautionSchema, "In the order in which to read them.")
    bring = one(BringSchema, "What the rest of the work may need.")
    expected_cost = one(ExpectedCostSchema, "null unless the case has `costs`.", null=True)
    conflicts = each(ConflictSchema, "Readings that do not go together; empty if all do.")
    reasons = each(
        ReasonSchema, "Why the status is what it is, and what the request leaves open about it."
    )
    explanation = one(ExplanationSchema, "Why, in sentences, by reading and by rule.")
    rule_set = one(RuleSetReferenceSchema, "What the answer rests on, besides the case.")
