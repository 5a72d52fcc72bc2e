"""What is said of a candidate rule set."""

from __future__ import annotations

from typing import Any

import marshmallow as ma
from marshmallow import fields

from service.api.answer_fields import each, flag, one_of, string
from service.api.batch_schemas import ComparedSchema, EitherAssessment, counts
from service.api.errors import ProblemSchema
from service.api.fields import AnswerSchema
from service.api.request_schemas import described
from service.api.response_schemas import RuleSetReferenceSchema


class OverlaySchema(ma.Schema):
    """Changes to an installed rule set. Described here; read by `service.trials.submission`."""

    base = fields.String(required=True, metadata=described("Id of an installed rule set."))
    changes = fields.Raw(
        metadata={
            "type": ["object", "array"],
            "items": {},
            "description": "A JSON Merge Patch (an object) or JSON Patch operations (a list).",
        }
    )
    cases = fields.List(
        # Whatever is no case gets its problem among the results, so anything may stand here.
        fields.Raw(),
        metadata=described("As in a batch, or as in a rule set's case files."),
    )


class CandidateFindingSchema(AnswerSchema):
    """One thing wrong with a candidate, and what would be right."""

    file = string("What was sent: the name of a file, `body`, or `changes`.")
    line = fields.Integer(required=True, metadata=described("From 1; 0 for the file as a whole."))
    column = fields.Integer(required=True, metadata=described("From 1; 0: not known."))
    message = string("What is wrong.")
    rule = string("Which check of a rule set has found it.")
    about = string("Id of the rule, check, fault or other thing; empty for none.")
    advice = string("What would be right.")


class BeforeAfterSchema(AnswerSchema):
    """What the installed rule set says, and what the candidate does."""

    installed = fields.Raw(required=True, allow_none=True, metadata=described("As things are."))
    candidate = fields.Raw(required=True, allow_none=True, metadata=described("As they would be."))


class AddedSchema(AnswerSchema):
    """A thing, or a value, that the installed rule set has not."""

    pointer = string("JSON Pointer (RFC 6901), as in `changes` that are sent.")
    near = string(
        "The name of an installed thing of its kind that it nearly has: was that meant?", null=True
    )


class ChangedValueSchema(BeforeAfterSchema):
    """A value that is another one."""

    pointer = string("JSON Pointer (RFC 6901), as in `changes` that are sent.")


class RemovedSchema(AnswerSchema):
    """A thing, or a value, that the candidate has not any more."""

    pointer = string("JSON Pointer (RFC 6901), as in `changes` that are sent.")


class NothingToRemoveSchema(AnswerSchema):
    """Something that a merge patch takes away, and that was not there."""

    pointer = string("JSON Pointer (RFC 6901), as in `changes` that are sent.")
    near = string("The name of what was probably meant.", null=True)


class ChangesSchema(AnswerSchema):
    """What the text of a candidate changes in that of the installed rule set."""

    added = each(AddedSchema, "What it adds.")
    changed = each(ChangedValueSchema, "What it changes.")
    removed = each(RemovedSchema, "What it takes away.")
    nothing_to_remove = each(
        NothingToRemoveSchema, "What a merge patch takes away though it is not there: mistyped?"
    )


def _changes() -> fields.Field[Any]:
    return fields.Nested(
        ChangesSchema,
        required=True,
        allow_none=True,
        metadata=described(
            "What its text changes in that of the installed rule set; null if there is none, or if "
            "the candidate cannot be used."
        ),
    )


class CheckedSchema(AnswerSchema):
    """Whether a candidate could be installed."""

    usable = flag("Whether nothing is wrong with it.")
    candidate = fields.Nested(
        RuleSetReferenceSchema,
        required=True,
        allow_none=True,
        metadata=described("What was checked; null where it could not even be read."),
    )
    changes = _changes()
    findings = each(CandidateFindingSchema, "All that is wrong with it.")


def _changed(what: str) -> fields.Field[Any]:
    return fields.Nested(BeforeAfterSchema, metadata=described(what))


class FindingDifferenceSchema(AnswerSchema):
    """A reading that the candidate classifies otherwise."""

    reading = fields.Integer(required=True, metadata=described("Index in `readings`."))
    check = string("Id of the check.")
    outcome = fields.Nested(
        BeforeAfterSchema, required=True, metadata=described("The outcome, the same or not.")
    )
    probability = fields.Nested(
        BeforeAfterSchema,
        required=True,
        metadata=described("That the outcome is the right one, the same or not."),
    )


class DifferenceSchema(AnswerSchema):
    """How the candidate's assessment of a case differs; what is the same is left out."""

    status = _changed("The status.")
    verdict = _changed("The fault of the verdict.")
    confidence = _changed("The confidence of the verdict, if it differs by 0.001 or more.")
    next_check = _changed("The id of the next check.")
    problem = _changed("Whether the case has a problem.")
    findings = fields.List(
        fields.Nested(FindingDifferenceSchema),
        metadata=described(
            "Readings with another outcome, or a probability of it that differs by 0.001 or more."
        ),
    )
    precautions_lost = fields.List(fields.String(), metadata=described("Ids; each is an error."))
    precautions_dropped = fields.List(
        fields.String(),
        metadata=described("Ids of those that the step which now comes next does not need."),
    )
    precautions_gained = fields.List(fields.String(), metadata=described("Ids."))


class TriedCaseSchema(AnswerSchema):
    """What the candidate made of one case."""

    index = fields.Integer(required=True, metadata=described("Place of the case, from 0."))
    case_id = string("The id that the case has, if any.", null=True)
    difference = fields.Nested(
        DifferenceSchema,
        allow_none=True,
        metadata=described("null: none. Left out where there is no installed rule set."),
    )
    unmet = fields.List(
        fields.String(), metadata=described("Of an own case: what it expects and did not get.")
    )
    agrees = fields.Boolean(metadata=described("If something was `expected` of the case."))
    compared = fields.List(
        fields.Nested(ComparedSchema),
        metadata=described("Each expectation beside what the candidate gave."),
    )
    assessment = EitherAssessment(metadata=described("By the candidate."))
    problem = fields.Nested(ProblemSchema, metadata=described("If there is no assessment."))


class LossSchema(AnswerSchema):
    """Something that protects people and that the candidate has not kept."""

    kind = one_of(
        "precaution-lost", "precaution-weakened", "stop-lost", description="What of it was lost."
    )
    lost = string("The precaution; or the rule that stopped work, or the status of cases.")
    where = fields.Dict(
        keys=fields.String(),
        values=fields.List(fields.String()),
        required=True,
        metadata=described("Ids by what they are: checks, remedies, access, cases, rule set."),
    )
    message = string("The loss in words.")


class ExpectationsMetSchema(AnswerSchema):
    """How many cases expect something, and how many of these got it."""

    cases = fields.Integer(required=True, metadata=described("Cases that expect something."))
    met = fields.Integer(required=True, metadata=described("Those of them that got it."))


class TrialSummarySchema(AnswerSchema):
    """The counts of a trial."""

    cases = fields.Integer(required=True, metadata=described("How many cases were tried."))
    problems = fields.Integer(required=True, metadata=described("Cases that have no assessment."))
    changed = fields.Integer(required=True, metadata=described("Cases that differ."))
    differences = counts("Cases by what differs.")
    expectations = fields.Nested(
        ExpectationsMetSchema, required=True, metadata=described("Of cases that expect something.")
    )


class TrialSchema(AnswerSchema):
    """What a candidate changes. Errors come first."""

    candidate = fields.Nested(
        RuleSetReferenceSchema, required=True, metadata=described("What was tried.")
    )
    installed = fields.Nested(
        RuleSetReferenceSchema,
        required=True,
        allow_none=True,
        metadata=described("What it was held against; null if there is nothing."),
    )
    errors = each(LossSchema, "Precautions and stops that are lost.")
    summary = fields.Nested(TrialSummarySchema, required=True, metadata=described("The counts."))
    changes = _changes()
    cases = each(TriedCaseSchema, "One per case, in order.")
