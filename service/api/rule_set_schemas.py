"""What the description of a rule set looks like."""

from __future__ import annotations

import marshmallow as ma
from marshmallow import fields

from service.api.request_schemas import described
from service.api.response_schemas import (
    RuleSetReferenceSchema,
    each,
    flag,
    number,
    one_of,
    string,
    strings,
)


class RuleSetSummarySchema(RuleSetReferenceSchema):
    """An installed rule set."""

    title = string()
    equipment = string("What to send as `equipment`.")
    description = string()


class NameplateFieldSchema(ma.Schema):
    """A nameplate entry that the rule set reads."""

    id = string()
    title = string()
    quantity = string("null for an entry of text.", null=True)
    choices = strings("The texts taken; empty for a quantity.")
    assumed = fields.Raw(
        required=True, metadata=described("Taken if not stated: a quantity or a text.")
    )
    source = string()


class AssumedInstrumentSchema(ma.Schema):
    """The accuracy that is assumed of a meter of which nothing is stated."""

    quantity = string()
    percent_of_reading = number()
    counts = number()
    source = string()


class TitledSchema(ma.Schema):
    """An id and what it stands for."""

    id = string()
    title = string()


class OutcomeMeaningSchema(ma.Schema):
    """An outcome of a check."""

    id = string()
    meaning = one_of("normal", "abnormal")


class MeasureLimitSchema(ma.Schema):
    """The limit between two outcomes next to each other."""

    between = strings("The two outcomes.")
    limit = string()
    source = string()


class MeasureSchema(ma.Schema):
    """A quantity in which a check can be answered."""

    quantity = string()
    unit = string("UCUM code.")
    limits = each(MeasureLimitSchema)


class CheckSchema(ma.Schema):
    """A check that may be asked for and answered."""

    id = string()
    title = string()
    component = string()
    kind = one_of("measurement", "observation")
    access = string("Which access the check needs.")
    live = flag("Whether the supply is on.")
    instrument_category = string("Measurement category that the meter needs.", null=True)
    minutes = number()
    tools = strings()
    why = string()
    how = strings()
    expected = string()
    outcomes = each(OutcomeMeaningSchema)
    measures = each(MeasureSchema)
    requires = strings("Precautions to confirm before the check is offered.")
    source = string()


class FaultSchema(ma.Schema):
    """A fault that may be found."""

    id = string()
    title = string()
    component = string()
    remedy = string()
    effect = flag("Whether it is an effect for which a cause is looked for first.")
    symptoms = strings()
    source = string()


class RemedyDescriptionSchema(ma.Schema):
    """A repair action."""

    id = string()
    action = string()
    minutes = number()
    parts = strings()
    also_replace = strings()
    source = string()


class PrecautionDescriptionSchema(ma.Schema):
    """A precaution."""

    id = string()
    signal_word = one_of("DANGER", "WARNING", "CAUTION", "NOTICE")
    text = string()
    sign = string(null=True)
    must_confirm = flag()
    source = string()


class PreparationSchema(ma.Schema):
    """A preparation and what it confirms."""

    id = string()
    confirms = string()
    title = string()
    how = strings()
    minutes = number()


class RuleSchema(ma.Schema):
    """A rule and its reason."""

    id = string()
    because = string()
    source = string()


class RuleSetSchema(RuleSetSummarySchema):
    """All that can be asked of a rule set and answered by it."""

    jurisdictions = string()
    sources = strings()
    minutes_source = string("Where the minutes of checks and remedies come from.")
    nameplate = each(NameplateFieldSchema)
    instruments = each(AssumedInstrumentSchema)
    tools = each(TitledSchema)
    symptoms = each(TitledSchema)
    checks = each(CheckSchema)
    faults = each(FaultSchema)
    conditions = each(TitledSchema, "Effects that a fault may have left behind.")
    remedies = each(RemedyDescriptionSchema)
    precautions = each(PrecautionDescriptionSchema)
    preparations = each(PreparationSchema)
    rules = each(RuleSchema)
