"""What a calculation takes and answers. These schemas document; the core reads and writes.

The inputs' schemas are made from the declarations, so that both say the same.
"""

from __future__ import annotations

from typing import Any

import marshmallow as ma
from marshmallow import fields

from service.api.fields import Choice, Number, StrictSchema
from service.api.request_schemas import QuantitySchema
from service.api.response_schemas import described, each, flag, number, one_of, string, strings
from service.documents import shown
from service.physics.calculations import CALCULATIONS
from service.physics.forms.inputs import ChoiceInput, Input, NumberInput
from service.physics.forms.model import VERDICTS, Calculation


class AnyObjectSchema(ma.Schema):
    """Lets any JSON object through: which inputs there are depends on the calculation."""

    def load(self, data: Any, **kwargs: Any) -> Any:
        """The object as it is. Raises ValidationError for anything else."""
        if not isinstance(data, dict):
            raise ma.ValidationError(f"must be an object, not {shown(data)}")
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


def _number_or_null(description: str) -> fields.Float:
    return fields.Float(required=True, allow_none=True, metadata=described(description))


class DeclaredInputSchema(ma.Schema):
    """An input of a calculation."""

    name = string()
    kind = one_of(
        "quantity",
        "number",
        "choice",
        description="quantity: send `{value, unit}`; number: plain; choice: one of `choices`.",
    )
    description = string()
    required = flag("Whether every request needs it.")
    rule = string("When it is needed, or what it excludes, where that depends.", null=True)
    default = _number_or_text("Taken if left out, in `unit`; null: none.", null=True)
    quantity = string("null: not a quantity, or the one that the request shares.", null=True)
    unit = string("UCUM code, one example; any of the same dimension will do.", null=True)
    least = _number_or_null("Least that is taken, in `unit` (without one: SI).")
    most = _number_or_null("Most that is taken, in `unit` (without one: SI).")
    choices = strings("Empty unless it is a choice.")
    default_source = string("null: no default.", null=True)
    bounds_source = string("Of `least` and `most`; null: a choice.", null=True)


class DeclaredOutputSchema(ma.Schema):
    """An output of a calculation."""

    name = string()
    title = string()
    quantity = string("null: the one that the request shares.", null=True)
    unit = string("UCUM code; null: the unit of the input `value`.", null=True)
    when = string("null: always there.", null=True)


class CalculationSchema(ma.Schema):
    """A calculation: what it takes and gives."""

    name = string("What stands in the path.")
    title = string()
    description = string()
    inputs = each(DeclaredInputSchema)
    outputs = each(DeclaredOutputSchema)
    sources = strings()
    example = fields.Dict(required=True, metadata=described("A request that is answered."))


class OutputSchema(ma.Schema):
    """One figure of the result."""

    name = string()
    title = string()
    value = number()
    unit = string("UCUM code.")


class RemarkSchema(ma.Schema):
    """Something to know about the result."""

    code = string()
    text = string()
    source = string()


class UsedInputSchema(ma.Schema):
    """An input as used."""

    name = string()
    value = _number_or_text("As sent, or the default.")
    unit = string("UCUM code, as sent; null: not a quantity.", null=True)
    default = flag("True: not sent, assumed.")
    source = string("Where a default comes from; null: it was sent.", null=True)


class CalculationResultSchema(ma.Schema):
    """What was worked out."""

    calculation = string()
    title = string()
    outputs = each(OutputSchema, "Those that apply, in the order of the description.")
    verdict = fields.String(
        required=True,
        allow_none=True,
        metadata={
            "description": "Of conformance only, else null: accept, inside the acceptance limits; "
            "reject, outside the limits by more than the guard band; in-guard-band, neither shown.",
            "enum": [*VERDICTS, None],
        },
    )
    warnings = each(RemarkSchema, "What makes the result dangerous to rely on, or too coarse.")
    notes = each(RemarkSchema)
    inputs = each(UsedInputSchema, "Everything that was used, defaults flagged.")
    sources = strings("What the result rests on.")
