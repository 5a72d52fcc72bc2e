"""What a request may look like. Only shapes: what the words mean, the rule set knows."""

from __future__ import annotations

import marshmallow as ma

from service.api.fields import (
    Choice,
    Items,
    Named,
    Number,
    QuantityOrText,
    StrictSchema,
    Text,
    Variant,
    Yes,
)

MOST_READINGS = 500
MOST_CONFIRMED = 100
MOST_NAMES = 100
ID_LENGTH = 100
UNIT_LENGTH = 32


def described(text: str) -> dict[str, str]:
    return {"description": text}


class QuantitySchema(StrictSchema):
    """A number with its unit."""

    value = Number(required=True)
    unit = Text(
        most=UNIT_LENGTH,
        required=True,
        metadata=described("UCUM code, such as Ohm, kOhm, V, uF, W, mW/cm2, Cel."),
    )


class InstrumentSchema(StrictSchema):
    """How good the meter is for one quantity. What is left out, the rule set assumes."""

    percent_of_reading = Number(least=0, metadata=described("Accuracy, percent of the reading."))
    counts = Number(least=0, metadata=described("Accuracy, counts of the last digit."))
    resolution = ma.fields.Nested(QuantitySchema, metadata=described("The last digit."))
    lead_resistance = ma.fields.Nested(
        QuantitySchema, metadata=described("Subtracted from each resistance.")
    )
    lead_resistance_uncertainty = ma.fields.Nested(QuantitySchema)
    range = ma.fields.Nested(
        QuantitySchema, metadata=described("The highest value that the meter can show.")
    )
    test_voltage = ma.fields.Nested(
        QuantitySchema, metadata=described("Open-circuit voltage of the resistance range.")
    )


def _check() -> Text:
    return Text(most=ID_LENGTH, required=True, metadata=described("Id of a check."))


def _note() -> Text:
    return Text(most=500, least=0, metadata=described("For the record; nothing is read from it."))


class ObservedReadingSchema(StrictSchema):
    """A check answered by one of its outcomes."""

    check = _check()
    observed = Text(most=ID_LENGTH, required=True, metadata=described("Id of an outcome."))
    note = _note()


class MeasuredReadingSchema(StrictSchema):
    """A check answered by a measured value."""

    check = _check()
    value = Number(required=True)
    unit = Text(most=UNIT_LENGTH, required=True, metadata=described("UCUM code."))
    note = _note()


class OverRangeReadingSchema(StrictSchema):
    """A check answered by a meter that shows over range (OL)."""

    check = _check()
    over_range = Yes(required=True)
    range = ma.fields.Nested(
        QuantitySchema,
        metadata=described("The range that was exceeded; otherwise that of the instrument."),
    )
    note = _note()


class CaseSchema(StrictSchema):
    """One visit so far: the complaint, the equipment and what the checks gave."""

    class Meta(StrictSchema.Meta):
        title = "Case"

    equipment = Text(
        most=ID_LENGTH, required=True, metadata=described("Type of equipment, as in a rule set.")
    )
    symptom = Text(
        most=ID_LENGTH, required=True, metadata=described("The complaint: id of a symptom.")
    )
    phase = Choice(
        "diagnose",
        hint="; other phases are not served yet",
        load_default="diagnose",
        metadata=described("What is asked for."),
    )
    case_id = Text(most=200, metadata=described("Returned as it is; nothing is read from it."))
    nameplate = Named(
        QuantityOrText(QuantitySchema, most=ID_LENGTH),
        most=MOST_NAMES,
        metadata=described("What the rating plate says; the rule set names the fields."),
    )
    instrument = Named(
        ma.fields.Nested(InstrumentSchema),
        most=MOST_NAMES,
        metadata=described("The meter, by quantity: resistance, voltage, capacitance, ..."),
    )
    readings = Items(
        Variant(
            {
                "observed": ObservedReadingSchema,
                "value": MeasuredReadingSchema,
                "over_range": OverRangeReadingSchema,
            },
            also={"unit": "value"},
            rule="give exactly one of observed, value (with unit) or over_range",
        ),
        most=MOST_READINGS,
        load_default=list,
        metadata=described("In the order taken; the later of two readings of a check stands."),
    )
    confirmed = Items(
        Text(most=ID_LENGTH),
        most=MOST_CONFIRMED,
        load_default=list,
        metadata=described("Ids of the precautions that have been carried out."),
    )
    unavailable = Items(
        Text(most=ID_LENGTH),
        most=MOST_CONFIRMED,
        load_default=list,
        metadata=described("Ids of checks that cannot be carried out here; none is asked for."),
    )
    required_confidence = Number(
        least=0.5,
        most=0.999,
        load_default=0.9,
        metadata=described("How sure a verdict must be."),
    )
