"""What a batch is answered with."""

from __future__ import annotations

from typing import Any

import marshmallow as ma

from service.api.errors import ProblemSchema
from service.api.fields import AnswerSchema
from service.api.request_schemas import CaseSchema, described
from service.api.response_schemas import AssessmentSchema, RuleSetReferenceSchema


def _alternatives(what: str) -> ma.fields.Field[Any]:
    return ma.fields.Raw(
        metadata={
            "description": f"{what}; null for none. A list says that any of them will do.",
            "type": ["string", "null", "array"],
            "items": {"type": ["string", "null"]},
        },
    )


class ExpectationsSchema(ma.Schema):
    """What a case is expected to give; what is left out does not matter."""

    status = _alternatives("The status")
    fault = _alternatives("The fault of the verdict")
    component = _alternatives("The component of the verdict")
    next_check = _alternatives("The id of the next check")


class BatchCaseSchema(CaseSchema):
    """A case of a batch. Described here; what is expected is read by `service.batch.expected`."""

    expected = ma.fields.Nested(
        ExpectationsSchema,
        metadata=described("What it should give; the answer tells whether it does."),
    )


class ComparedSchema(AnswerSchema):
    """One expectation beside what was found."""

    key = ma.fields.String(required=True, metadata=described("status, fault, component, ..."))
    expected = ma.fields.List(
        ma.fields.String(allow_none=True), required=True, metadata=described("What would do.")
    )
    found = ma.fields.String(
        required=True, allow_none=True, metadata=described("What the assessment gave.")
    )
    agrees = ma.fields.Boolean(
        required=True, metadata=described("Whether that is one of what would do.")
    )


class BriefVerdictSchema(AnswerSchema):
    """What was found, in brief."""

    fault = ma.fields.String(required=True, metadata=described("Id of the fault."))
    component = ma.fields.String(
        required=True, allow_none=True, metadata=described("Id of the component that is at fault.")
    )
    confidence = ma.fields.Float(
        required=True, metadata=described("Probability that its remedy is the right one, 0 to 1.")
    )
    parts = ma.fields.List(
        ma.fields.String(),
        required=True,
        metadata=described("Ids of the parts that the remedy needs."),
    )


class BriefCheckSchema(AnswerSchema):
    """What comes next, in brief."""

    id = ma.fields.String(
        required=True, metadata=described("Id of the check, plate or preparation.")
    )
    kind = ma.fields.String(
        required=True,
        metadata=described("measurement, observation, question, nameplate or preparation."),
    )


class BriefAssessmentSchema(AnswerSchema):
    """Of an assessment what was decided (`detail=brief`)."""

    status = ma.fields.String(required=True, metadata=described("What comes next."))
    verdict = ma.fields.Nested(
        BriefVerdictSchema,
        required=True,
        allow_none=True,
        metadata=described("null unless reached."),
    )
    next_check = ma.fields.Nested(
        BriefCheckSchema,
        required=True,
        allow_none=True,
        metadata=described("null unless the status is `check-next`."),
    )
    rule_set = ma.fields.Nested(
        RuleSetReferenceSchema,
        required=True,
        metadata=described("What the answer rests on, besides the case."),
    )


class EitherAssessment(ma.fields.Field[Any]):
    """An assessment, whole or in brief."""

    schemas: tuple[type[ma.Schema], ...] = (AssessmentSchema, BriefAssessmentSchema)


class ResultSchema(AnswerSchema):
    """What became of one case: an assessment or a problem."""

    index = ma.fields.Integer(required=True, metadata=described("Place of the case, from 0."))
    line = ma.fields.Integer(
        required=True,
        allow_none=True,
        metadata=described("Line on which the case began, from 1; null in a JSON array."),
    )
    case_id = ma.fields.String(
        required=True,
        allow_none=True,
        metadata=described("As sent; null if none was sent, or none could be read."),
    )
    assessment = EitherAssessment(metadata=described("If it could be assessed."))
    agrees = ma.fields.Boolean(metadata=described("If something was expected of it."))
    compared = ma.fields.List(
        ma.fields.Nested(ComparedSchema),
        metadata=described("Each expectation beside what was found."),
    )
    problem = ma.fields.Nested(
        ProblemSchema, metadata=described("If not; its pointers are those of the case alone.")
    )


class AgreementSchema(AnswerSchema):
    """How many cases gave what was expected of them."""

    expected = ma.fields.Integer(
        required=True, metadata=described("Cases of which something was expected.")
    )
    agreed = ma.fields.Integer(required=True, metadata=described("Those of them that gave it."))


class ConfusionSchema(AnswerSchema):
    """One cell of a confusion table: how many cases gave this where that was expected."""

    key = ma.fields.String(
        required=True,
        metadata=described("Which expectation: status, fault, component or next_check."),
    )
    expected = ma.fields.String(
        required=True, allow_none=True, metadata=described("What was expected; null: none.")
    )
    found = ma.fields.String(
        required=True, allow_none=True, metadata=described("What came; null: none.")
    )
    cases = ma.fields.Integer(required=True, metadata=described("How many cases."))


def counts(text: str) -> ma.fields.Dict:
    """How many there are, by name."""
    return ma.fields.Dict(
        keys=ma.fields.String(),
        values=ma.fields.Integer(),
        required=True,
        metadata=described(text),
    )


class SummarySchema(AnswerSchema):
    """The end of a batch: that it is complete, and the counts."""

    complete = ma.fields.Boolean(
        required=True, metadata=described("false: the body broke off; `problem` says how.")
    )
    cases = ma.fields.Integer(required=True, metadata=described("How many cases there were."))
    assessed = ma.fields.Integer(
        required=True, metadata=described("How many of them have an assessment.")
    )
    problems = counts("Cases by kind of problem.")
    statuses = counts("Cases by status.")
    agreement = ma.fields.Nested(
        AgreementSchema,
        required=True,
        metadata=described("How many gave what was expected of them."),
    )
    confusion = ma.fields.List(
        ma.fields.Nested(ConfusionSchema),
        required=True,
        metadata=described("What was expected against what was found."),
    )
    rule_sets = ma.fields.List(
        ma.fields.Nested(RuleSetReferenceSchema),
        required=True,
        metadata=described("All that the results rest on."),
    )
    problem = ma.fields.Nested(ProblemSchema, metadata=described("Why the batch is not complete."))


class BatchSchema(AnswerSchema):
    """The results of a batch in the order of its cases, and their summary."""

    results = ma.fields.List(
        ma.fields.Nested(ResultSchema),
        required=True,
        metadata=described("One per case, in the order of the cases."),
    )
    summary = ma.fields.Nested(
        SummarySchema,
        required=True,
        metadata=described("The counts, and whether the batch is complete."),
    )
