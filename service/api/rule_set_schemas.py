"""What the description of a rule set looks like."""

from __future__ import annotations

from marshmallow import fields

from service.api.answer_fields import each, flag, number, one_of, string, strings
from service.api.fields import AnswerSchema
from service.api.request_schemas import described
from service.api.response_schemas import RuleSetReferenceSchema
from service.api.step_schemas import ReadingConditionSchema


class RuleSetSummarySchema(RuleSetReferenceSchema):
    """An installed rule set."""

    title = string("The rule set in a few words.")
    equipment = string("What to send as `equipment`.")
    description = string("What it covers, and what not.")


class NameplateFieldSchema(AnswerSchema):
    """A nameplate entry that the rule set reads."""

    id = string("Name to send in `nameplate`.")
    title = string("What the plate states there.")
    quantity = string("null for an entry of text.", null=True)
    choices = strings("The texts taken; empty for a quantity.")
    assumed = fields.Raw(
        required=True, metadata=described("Taken if not stated: a quantity or a text.")
    )
    source = string("Where the assumed value comes from.")


class AssumedInstrumentSchema(AnswerSchema):
    """The accuracy that is assumed of a meter of which nothing is stated."""

    quantity = string("Name to send in `instrument`.")
    percent_of_reading = number("Accuracy, percent of the reading.")
    counts = number("Accuracy, counts of the last digit.")
    source = string("Where the figures come from.")


class TitledSchema(AnswerSchema):
    """An id and what it stands for."""

    id = string("The id, as requests and answers have it.")
    title = string("What it stands for, in words.")


class OutcomeMeaningSchema(AnswerSchema):
    """An outcome of a check."""

    id = string("What to send as `observed`.")
    meaning = one_of("normal", "abnormal", description="Whether a healthy part gives it.")


class MeasureLimitSchema(AnswerSchema):
    """The limit between two outcomes next to each other."""

    between = strings("The two outcomes.")
    limit = string("The limit, or how it follows from the nameplate.")
    source = string("Document and clause, common practice, or estimate.")


class MeasureSchema(AnswerSchema):
    """A quantity in which a check can be answered."""

    quantity = string("What is measured: resistance, voltage, ...")
    unit = string("UCUM code.")
    limits = each(MeasureLimitSchema, "Between the outcomes, in order.")


class CheckSchema(AnswerSchema):
    """A check that may be asked for and answered."""

    id = string("What to send as `check` of a reading.")
    title = string("What to do, in a few words.")
    component = string("Id of the component that it is about.")
    kind = one_of(
        "measurement",
        "observation",
        "question",
        description="Whether it takes an instrument, the senses, or an answer.",
    )
    asked_of = one_of("technician", "customer", description="Who can answer it.")
    access = string("Which access the check needs.")
    live = flag("Whether the supply is on.")
    instrument_category = string("Measurement category that the meter needs.", null=True)
    minutes = number("How long it takes, in minutes.")
    tools = strings("Ids of the tools that it needs.")
    why = string("What it is good for.")
    how = strings("Steps, in order.")
    expected = string("What a healthy part gives.")
    outcomes = each(OutcomeMeaningSchema, "All that it can give.")
    measures = each(
        MeasureSchema, "The quantities in which it can be answered; empty: by an outcome only."
    )
    calculation = string("What works a reading out from `inputs`; null: nothing does.", null=True)
    conditions = each(ReadingConditionSchema, "What to state in `conditions` of a reading.")
    requires = strings("Precautions to confirm before the check is offered.")
    source = string("Document and clause, or common practice.")


class FaultSchema(AnswerSchema):
    """A fault that may be found."""

    id = string("Id of the fault.")
    title = string("The fault in words.")
    component = string("Id of the component that is at fault.")
    remedy = string("Id of the remedy that mends it.")
    effect = flag("Whether it is an effect for which a cause is looked for first.")
    symptoms = strings("Ids of the complaints that it can bring about.")
    source = string("Where its share of complaints comes from; mostly estimate.")


class RemedyDescriptionSchema(AnswerSchema):
    """A repair action."""

    id = string("Id of the remedy.")
    action = string("What to do.")
    minutes = number("How long it takes, in minutes.")
    parts = strings("Ids of the parts that it needs.")
    also_replace = strings("Ids of parts to replace along with them.")
    source = string("Document and clause, common practice, or estimate.")


class PrecautionDescriptionSchema(AnswerSchema):
    """A precaution."""

    id = string("What to send in `confirmed`.")
    signal_word = one_of("DANGER", "WARNING", "CAUTION", "NOTICE", description="As ANSI Z535.6.")
    text = string("What to do, before anything else.")
    sign = string("ISO 7010 reference of the safety sign.", null=True)
    must_confirm = flag("Whether it must be sent back in `confirmed` before work goes on.")
    source = string("Document and clause, or common practice.")


class PreparationSchema(AnswerSchema):
    """A preparation and what it confirms."""

    id = string("Id of the preparation, as `next_check` has it.")
    confirms = string("Id of the precaution that it carries out.")
    title = string("What to do, in a few words.")
    how = strings("Steps, in order.")
    minutes = number("How long it takes, in minutes.")


class PlateSchema(AnswerSchema):
    """A rating plate or a label."""

    id = string("Id of the plate, as `next_check` has it.")
    title = string("What it is, in words.")
    nameplate_fields = strings("Nameplate fields that stand on it.")
    how = strings("Steps, in order.")
    minutes = number("How long it takes, in minutes.")
    requires = strings("Precautions to confirm before it is read.")
    source = string("Document and clause, or common practice.")


class RuleSchema(AnswerSchema):
    """A rule and its reason."""

    id = string("Id of the rule.")
    because = string("What it rests on, in words.")
    source = string("Document and clause, common practice, or estimate.")


class RuleSetSchema(RuleSetSummarySchema):
    """All that can be asked of a rule set and answered by it."""

    jurisdictions = string("Whose rules and supplies it was written for.")
    sources = strings("The documents that it rests on.")
    minutes_source = string("Where the minutes of checks and remedies come from.")
    nameplate = each(NameplateFieldSchema, "What it reads of a rating plate.")
    plates = each(PlateSchema, "Where that stands.")
    instruments = each(AssumedInstrumentSchema, "What it assumes of meters.")
    tools = each(TitledSchema, "What its checks may need.")
    symptoms = each(TitledSchema, "The complaints: what to send as `symptom`.")
    checks = each(CheckSchema, "What it may ask for.")
    faults = each(FaultSchema, "What it may find.")
    conditions = each(TitledSchema, "Effects that a fault may have left behind.")
    remedies = each(RemedyDescriptionSchema, "What it may have done.")
    parts = each(TitledSchema, "What its remedies may replace.")
    precautions = each(PrecautionDescriptionSchema, "What it may require.")
    preparations = each(PreparationSchema, "What it may have done before a check.")
    rules = each(RuleSchema, "What it concludes from readings, beyond their weight as evidence.")
