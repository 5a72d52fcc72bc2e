"""What a request may look like. Only shapes: what the words mean, the rule set knows."""

from __future__ import annotations

from service.api.fields import (
    Choice,
    Count,
    Items,
    Named,
    Number,
    Part,
    PartOrText,
    QuantityOrText,
    StrictSchema,
    Text,
    Variant,
    Yes,
)

MOST_READINGS = 500
MOST_CONFIRMED = 100
MOST_NAMES = 100
MOST_REPAIRS = 20
ID_LENGTH = 100
UNIT_LENGTH = 32


def described(text: str) -> dict[str, str]:
    return {"description": text}


class QuantitySchema(StrictSchema):
    """A number with its unit."""

    value = Number(required=True, metadata=described("The number, in `unit`."))
    unit = Text(
        most=UNIT_LENGTH,
        required=True,
        metadata=described("UCUM code, such as Ohm, kOhm, V, uF, W, mW/cm2, Cel."),
    )


class InstrumentSchema(StrictSchema):
    """How good the meter is for one quantity. What is left out, the rule set assumes."""

    percent_of_reading = Number(least=0, metadata=described("Accuracy, percent of the reading."))
    counts = Number(least=0, metadata=described("Accuracy, counts of the last digit."))
    resolution = Part(QuantitySchema, metadata=described("The last digit."))
    lead_resistance = Part(QuantitySchema, metadata=described("Subtracted from each resistance."))
    lead_resistance_uncertainty = Part(
        QuantitySchema, metadata=described("Standard uncertainty of the lead resistance.")
    )
    range = Part(QuantitySchema, metadata=described("The highest value that the meter can show."))
    test_voltage = Part(
        QuantitySchema, metadata=described("Open-circuit voltage of the resistance range.")
    )


def _check() -> Text:
    return Text(most=ID_LENGTH, required=True, metadata=described("Id of a check."))


def _note() -> Text:
    return Text(most=500, least=0, metadata=described("For the record; nothing is read from it."))


def _conditions() -> Named:
    return Named(
        QuantityOrText(QuantitySchema, most=ID_LENGTH),
        most=MOST_NAMES,
        metadata=described(
            "Conditions under which it was taken, such as the load of a leakage survey; the rule "
            "set names those of each check."
        ),
    )


class ObservedReadingSchema(StrictSchema):
    """A check answered by one of its outcomes."""

    check = _check()
    observed = Text(most=ID_LENGTH, required=True, metadata=described("Id of an outcome."))
    conditions = _conditions()
    note = _note()


class MeasuredReadingSchema(StrictSchema):
    """A check answered by a measured value."""

    check = _check()
    value = Number(
        required=True,
        metadata=described("What the meter showed, in `unit`; leads not yet subtracted."),
    )
    unit = Text(most=UNIT_LENGTH, required=True, metadata=described("UCUM code."))
    conditions = _conditions()
    note = _note()


class CalculatedReadingSchema(StrictSchema):
    """A check answered by what was measured for it, such as the masses and temperatures of a
    water load."""

    check = _check()
    inputs = Named(
        QuantityOrText(QuantitySchema, most=ID_LENGTH),
        most=MOST_NAMES,
        required=True,
        metadata=described("Inputs of the calculation that belongs to the check."),
    )
    conditions = _conditions()
    note = _note()


class OverRangeReadingSchema(StrictSchema):
    """A check answered by a meter that shows over range (OL)."""

    check = _check()
    over_range = Yes(
        required=True, metadata=described("That the meter showed no number, but over range.")
    )
    range = Part(
        QuantitySchema,
        metadata=described("The range that was exceeded; otherwise that of the instrument."),
    )
    conditions = _conditions()
    note = _note()


class RepairSchema(StrictSchema):
    """A repair, and its place among the readings."""

    remedy = Text(most=ID_LENGTH, required=True, metadata=described("Id of a remedy."))
    readings_before = Count(
        least=0,
        most=MOST_READINGS,
        required=True,
        metadata=described("How many of the readings were taken before it."),
    )


class ConfirmationSchema(StrictSchema):
    """A precaution that has been carried out, and its place among the readings."""

    id = Text(most=ID_LENGTH, required=True, metadata=described("Id of a precaution."))
    after_reading = Count(
        least=0,
        most=MOST_READINGS,
        required=True,
        metadata=described(
            "How many of the readings were taken before it. It counts no more once the equipment "
            "has been energised after it."
        ),
    )


class CostsSchema(StrictSchema):
    """What mistakes and parts cost here, as working time; the rule set's own where left out."""

    second_visit = Part(
        QuantitySchema, metadata=described("Cost of a visit for nothing, such as 90 min.")
    )
    price_classes = Named(
        Part(QuantitySchema),
        most=MOST_NAMES,
        metadata=described("Cost of a part, by the rule set's price classes."),
    )


class CaseSchema(StrictSchema):
    """One visit so far: the complaint, the equipment and what the checks gave."""

    equipment = Text(
        most=ID_LENGTH, required=True, metadata=described("Type of equipment, as in a rule set.")
    )
    symptom = Text(
        most=ID_LENGTH, required=True, metadata=described("The complaint: id of a symptom.")
    )
    phase = Choice(
        "diagnose",
        "verify-repair",
        load_default="diagnose",
        metadata=described(
            "What is asked for: what is wrong, or whether a repair is proven and the equipment "
            "may be used again."
        ),
    )
    repairs = Items(
        Part(RepairSchema),
        most=MOST_REPAIRS,
        load_default=list,
        metadata=described(
            "Repairs made so far, in order. In diagnosis they did not cure; to be verified is what "
            "they left. With none, what is verified is equipment in which nothing was repaired."
        ),
    )
    case_id = Text(most=200, metadata=described("Returned as it is; nothing is read from it."))
    nameplate = Named(
        QuantityOrText(QuantitySchema, most=ID_LENGTH),
        most=MOST_NAMES,
        metadata=described("What the rating plate says; the rule set names the fields."),
    )
    instrument = Named(
        Part(InstrumentSchema),
        most=MOST_NAMES,
        metadata=described("The meter, by quantity: resistance, voltage, capacitance, ..."),
    )
    readings = Items(
        Variant(
            "Reading",
            {
                "observed": ObservedReadingSchema,
                "value": MeasuredReadingSchema,
                "over_range": OverRangeReadingSchema,
                "inputs": CalculatedReadingSchema,
            },
            also={"unit": "value"},
            rule="give exactly one of observed, value (with unit), over_range or inputs",
        ),
        most=MOST_READINGS,
        load_default=list,
        metadata=described("In the order taken; the later of two readings of a check stands."),
    )
    confirmed = Items(
        PartOrText(ConfirmationSchema, most=ID_LENGTH, what="a confirmation"),
        most=MOST_CONFIRMED,
        load_default=list,
        metadata=described(
            "The precautions that have been carried out: what `confirms` of a step says, or an id "
            "alone, which counts for one opening of the equipment only."
        ),
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
        metadata=described("How sure a verdict must be; 0.9 unless said, 0.5 with `costs`."),
    )
    costs = Part(
        CostsSchema,
        metadata=described(
            "Decide by expected cost: replace as soon as no further check is worth its time. "
            "May be empty."
        ),
    )
