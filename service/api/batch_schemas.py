"""What a batch is answered with."""

from __future__ import annotations

from typing import Any

import marshmallow as ma

from service.api.errors import ProblemSchema
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

    expected = ma.fields.Nested(ExpectationsSchema)


class ComparedSchema(ma.Schema):
    """One expectation beside what was found."""

    key = ma.fields.String(required=True, metadata=described("status, fault, component, ..."))
    expected = ma.fields.List(ma.fields.String(allow_none=True), required=True)
    found = ma.fields.String(required=True, allow_none=True)
    agrees = ma.fields.Boolean(required=True)


class BriefVerdictSchema(ma.Schema):
    """What was found, in brief."""

    fault = ma.fields.String(required=True)
    component = ma.fields.String(required=True, allow_none=True)
    confidence = ma.fields.Float(required=True)
    parts = ma.fields.List(ma.fields.String(), required=True)


class BriefCheckSchema(ma.Schema):
    """What comes next, in brief."""

    id = ma.fields.String(required=True)
    kind = ma.fields.String(required=True)


class BriefAssessmentSchema(ma.Schema):
    """Of an assessment what was decided (`detail=brief`)."""

    status = ma.fields.String(required=True)
    verdict = ma.fields.Nested(BriefVerdictSchema, required=True, allow_none=True)
    next_check = ma.fields.Nested(BriefCheckSchema, required=True, allow_none=True)
    rule_set = ma.fields.Nested(RuleSetReferenceSchema, required=True)


class EitherAssessment(ma.fields.Field[Any]):
    """An assessment, whole or in brief."""

    schemas: tuple[type[ma.Schema], ...] = (AssessmentSchema, BriefAssessmentSchema)


class ResultSchema(ma.Schema):
    """What became of one case: an assessment or a problem."""

    index = ma.fields.Integer(required=True, metadata=described("Place of the case, from 0."))
    line = ma.fields.Integer(
        required=True,
        allow_none=True,
        metadata=described("Line on which the case began, from 1; null in a JSON array."),
    )
    case_id = ma.fields.String(required=True, allow_none=True)
    assessment = EitherAssessment(metadata=described("If it could be assessed."))
    agrees = ma.fields.Boolean(metadata=described("If something was expected of it."))
    compared = ma.fields.List(ma.fields.Nested(ComparedSchema))
    problem = ma.fields.Nested(
        ProblemSchema, metadata=described("If not; its pointers are those of the case alone.")
    )


class AgreementSchema(ma.Schema):
    """How many cases gave what was expected of them."""

    expected = ma.fields.Integer(required=True)
    agreed = ma.fields.Integer(required=True)


class ConfusionSchema(ma.Schema):
    """One cell of a confusion table: how many cases gave this where that was expected."""

    key = ma.fields.String(required=True)
    expected = ma.fields.String(required=True, allow_none=True)
    found = ma.fields.String(required=True, allow_none=True)
    cases = ma.fields.Integer(required=True)


def counts(text: str) -> ma.fields.Dict:
    """How many there are, by name."""
    return ma.fields.Dict(
        keys=ma.fields.String(),
        values=ma.fields.Integer(),
        required=True,
        metadata=described(text),
    )


class SummarySchema(ma.Schema):
    """The end of a batch: that it is complete, and the counts."""

    complete = ma.fields.Boolean(
        required=True, metadata=described("false: the body broke off; `problem` says how.")
    )
    cases = ma.fields.Integer(required=True)
    assessed = ma.fields.Integer(required=True)
    problems = counts("Cases by kind of problem.")
    statuses = counts("Cases by status.")
    agreement = ma.fields.Nested(AgreementSchema, required=True)
    confusion = ma.fields.List(ma.fields.Nested(ConfusionSchema), required=True)
    rule_sets = ma.fields.List(ma.fields.Nested(RuleSetReferenceSchema), required=True)
    problem = ma.fields.Nested(ProblemSchema)


class BatchSchema(ma.Schema):
    """The results of a batch in the order of its cases, and their summary."""

    results = ma.fields.List(ma.fields.Nested(ResultSchema), required=True)
    summary = ma.fields.Nested(SummarySchema, required=True)
