"""What a calculation takes and answers. These schemas document; the core reads and writes.

The inputs' schemas are made from the declarations, so that both say the same.
"""

from __future__ import annotations

from typing import Any

import marshmallow as ma
from marshmallow import fields

from service.api.answer_fields import each, flag, number, one_of, string, strings
from service.api.fields import AnswerSchema, Choice, Number, StrictSchema
from service.api.request_schemas import QuantitySchema, described
from service.documents import shown
from service.physics.calculations import CALCULATIONS
from service.physics.forms.inputs import ChoiceInput, Input, NumberInput
from service.physics.forms.model import VERDICTS, Calculation


class AnyObjectSchema(ma.Schema):
    """Lets any JSON object through: which inputs there are depends on the calculation."""

    def load(self, data: Any, **kwargs: Any) -> Any:
        """The object as it is. Raises ValidationError for anything else."""
        if not isinstance(data, dict):
            raise ma.ValidationError(f"this must be an object, not {shown(data)}")
        return data


def _field(one: Input) -> fields.Field[Any]:
    text = described(f"{one.description} {one.rule}" if one.rule else one.description)
    match one:
        case NumberInput():
            return Number(least=one.least, most=one.most, metadata=text)
        case ChoiceInput():
            return Choice(*one.choices, metadata=text)
    return fields.Nested(QuantitySchema, required=one.required, metadata=text)


def _inputs_schema(calculation: Calculation) -> type[ma.Schema]:
    name = "".join(part.capitalize() for part in calculation.name.split("-"))
    members: dict[str, Any] = {one.name: _field(one) for one in calculation.inputs}
    # A title and no description: with that, the library leaves out that unknown names are refused.
    title = f"Inputs of {calculation.name}"
    members["Meta"] = type("Meta", (StrictSchema.Meta,), {"title": title})
    return type(f"{name}InputsSchema", (StrictSchema,), members)


INPUT_SCHEMAS = tuple(_inputs_schema(one) for one in CALCULATIONS.values())


def _number_or_text(description: str, *, null: bool = False) -> fields.Raw:
    kinds = ["number", "string", "null"] if null else ["number", "string"]
    return fields.Raw(required=True, metadata={"description": description, "type": kinds})


class DeclaredInputSchema(AnswerSchema):
    """An input of a calculation."""

    name = string("Name of the member to send.")
    kind = one_of(
        "quantity",
        "number",
        "choice",
        description="quantity: send `{value, unit}`; number: plain; choice: one of `choices`.",
    )
    description = string("What it is.")
    required = flag("Whether every request needs it.")
    rule = string("When it is needed, or what it excludes, where that depends.", null=True)
    default = _number_or_text("Taken if left out, in `unit`; null: none.", null=True)
    quantity = string("null: not a quantity, or the one that the request shares.", null=True)
    unit = string("UCUM code, one example; any of the same dimension will do.", null=True)
    least = number("Least that is taken, in `unit` (without one: SI).", null=True)
    most = number("Most that is taken, in `unit` (without one: SI).", null=True)
    choices = strings("Empty unless it is a choice.")
    default_source = string("null: no default.", null=True)
    bounds_source = string("Of `least` and `most`; null: a choice.", null=True)


class DeclaredOutputSchema(AnswerSchema):
    """An output of a calculation."""

    name = string("Name of the figure.")
    title = string("The figure in words.")
    quantity = string("null: the one that the request shares.", null=True)
    unit = string("UCUM code; null: the unit of the input `value`.", null=True)
    when = string("null: always there.", null=True)


class CalculationSchema(AnswerSchema):
    """A calculation: what it takes and gives."""

    name = string("What stands in the path.")
    title = string("The calculation in a few words.")
    description = string("What it works out, and how.")
    inputs = each(DeclaredInputSchema, "What it takes.")
    outputs = each(DeclaredOutputSchema, "What it gives.")
    sources = strings("What it rests on: document and clause, or common practice.")
    example = fields.Dict(required=True, metadata=described("A request that is answered."))


class OutputSchema(AnswerSchema):
    """One figure of the result."""

    name = string("Name of the figure.")
    title = string("The figure in words.")
    value = number("The figure, in `unit`.")
    unit = string("UCUM code.")


class RemarkSchema(AnswerSchema):
    """Something to know about the result."""

    code = string("Which remark, for programs.")
    text = string("The remark in words.")
    source = string("What it rests on.")


class UsedInputSchema(AnswerSchema):
    """An input as used."""

    name = string("Name of the input.")
    value = _number_or_text("As sent, or the default.")
    unit = string("UCUM code, as sent; null: not a quantity.", null=True)
    default = flag("True: not sent, assumed.")
    source = string("Where a default comes from; null: it was sent.", null=True)


class CalculationResultSchema(AnswerSchema):
    """What was worked out."""

    calculation = string("Name of the calculation.")
    title = string("The calculation in a few words.")
    outputs = each(OutputSchema, "Those that apply, in the order of the description.")
    verdict = fields.Raw(
        required=True,
        metadata={
            "description": "Of conformance only, else null: accept, inside the acceptance limits; "
            "reject, outside the limits by more than the guard band; in-guard-band, neither shown.",
            "anyOf": [{"type": "string", "enum": list(VERDICTS)}, {"type": "null"}],
        },
    )
    warnings = each(RemarkSchema, "What makes the result dangerous to rely on, or too coarse.")
    notes = each(RemarkSchema, "What else to know of the result.")
    inputs = each(UsedInputSchema, "Everything that was used, defaults flagged.")
    sources = strings("What the result rests on.")
