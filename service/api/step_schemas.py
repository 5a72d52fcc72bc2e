"""What an assessment asks for next: a check, a plate to read or a preparation, and precautions."""

from __future__ import annotations

from service.api.answer_fields import (
    count,
    each,
    flag,
    fraction,
    number,
    one,
    one_of,
    string,
    strings,
)
from service.api.fields import AnswerSchema


class LimitSchema(AnswerSchema):
    """A limit in the unit in which it is shown."""

    value = number("The limit, in `unit`.")
    unit = string("UCUM code.")


class OutcomeSpanSchema(AnswerSchema):
    """The span of values that belongs to an outcome."""

    outcome = string("Id of the outcome.")
    lower = one(LimitSchema, "null: no lower limit.", null=True)
    upper = one(LimitSchema, "null: no upper limit.", null=True)
    source = string("Document and clause, common practice, or estimate.")


class ExpectedOutcomeSchema(OutcomeSpanSchema):
    """An outcome of a check that comes next, with its limits for this nameplate."""

    meaning = one_of("normal", "abnormal", description="Whether a healthy part gives it.")


class ExpectedSchema(AnswerSchema):
    """What the next check should give."""

    text = string("What a healthy part gives.")
    outcomes = each(
        ExpectedOutcomeSchema, "All that it can give; `observed` of a reading is one of these."
    )


class PrecautionSchema(AnswerSchema):
    """A precaution for the person at the equipment."""

    id = string("What to send in `confirmed`.")
    signal_word = one_of("DANGER", "WARNING", "CAUTION", "NOTICE", description="As ANSI Z535.6.")
    text = string("What to do, before anything else.")
    sign = string("ISO 7010 reference of the safety sign.", null=True)
    must_confirm = flag("Whether it must be sent back in `confirmed` before work goes on.")
    confirmed = flag("Whether the case has it in `confirmed`, and it still counts.")
    void_because = one_of(
        "energised",
        "opened",
        "withdrawn",
        "too-early",
        "no-place",
        description="Why the case has it in `confirmed` and it does not count: the equipment has "
        "been energised, opened or closed since; it does not come after what it rests on; or it "
        "has no place, and what it rests on has one.",
        null=True,
    )
    withdrawn_by = string(
        "What in `confirmed` has taken it back, to leave out when this is done anew.", null=True
    )
    applies_now = flag("False: it belongs to a later step.")
    source = string("Document and clause, or common practice.")


class ReadingConditionSchema(AnswerSchema):
    """A condition that must hold for a reading to count, and be stated with it."""

    id = string("Name to send in `conditions` of the reading.")
    title = string("What it is about, in words.")
    quantity = string("What is sent: a quantity of this kind; null: one of `choices`.", null=True)
    unit = string("UCUM code of `least` and `most`; any of the same dimension will do.", null=True)
    least = number("The reading counts from here on; null: no lower bound.", null=True)
    most = number("The reading counts up to here; null: no upper bound.", null=True)
    choices = strings("The words that may be sent; empty for a quantity.")
    accepted = strings("Of these words those under which the reading counts.")
    source = string("Document and clause, or common practice.")


class ConfirmedSchema(AnswerSchema):
    """A confirmation as it is to be sent: a precaution, and its place among the readings."""

    id = string("Id of the precaution.")
    after_reading = count("How many readings the case has now.")


class PlateFieldSchema(AnswerSchema):
    """A field of a rating plate or label that is to be read."""

    field = string("Name to send in `nameplate`.")
    title = string("What it is, in words.")
    quantity = string("What is sent: a quantity of this kind; null: one of `choices`.", null=True)
    units = strings("Units that it may have, or others of the same; none for a choice.")
    choices = strings("The words that may be sent; empty for a quantity.")


class GlanceSchema(AnswerSchema):
    """What can be noted along with the next check: an observation, with its outcomes to tap."""

    id = string("Id of the check, to send as `check` of a reading.")
    kind = one_of("observation", "question", description="A question is asked of the user.")
    title = string("What it is, in a few words.")
    how = strings("Steps, in order.")
    expected = one(ExpectedSchema, "What a healthy part gives, and all that it can give.")


class NextCheckSchema(AnswerSchema):
    """The check to do, the plate to read or the preparation to make now."""

    id = string(
        "Id of the check, to send as `check` of a reading; or of the plate or the preparation."
    )
    kind = one_of(
        "measurement",
        "observation",
        "question",
        "nameplate",
        "preparation",
        description="Of a plate send in `nameplate` what can be read of `plate_fields`, or its id "
        "in `unavailable`. A preparation gives no reading: send what it confirms in `confirmed`.",
    )
    asked_of = one_of(
        "technician",
        "customer",
        description="customer: a question that the telephone can ask. Nothing is tried for it.",
    )
    title = string("What to do, in a few words.")
    why = string("Why this, and why now.")
    how = strings("Steps, in order.")
    longest_run = one(
        LimitSchema,
        "For how long the equipment is energised at most, which `how` says too; null: it is not.",
        null=True,
    )
    expected = one(ExpectedSchema, "null for a preparation or a plate.", null=True)
    units = strings(
        "Units that a `value` may have, or others of the same; none where nothing is measured."
    )
    calculation = string(
        "What works the reading out from `inputs`, where these may be sent instead.", null=True
    )
    conditions = each(
        ReadingConditionSchema, "What to state in `conditions` of its reading; mostly nothing."
    )
    confirms = each(
        ConfirmedSchema,
        "What to add to `confirmed`, as it is, when this preparation has been done.",
    )
    withdraws = strings(
        "Ids to leave out of `confirmed` once this has been done, before `confirms` is added: what "
        "counts for nothing now, and what this step ends."
    )
    plate_fields = each(PlateFieldSchema, "What to read off the plate; none for other kinds.")
    also = each(
        GlanceSchema,
        "What can be noted in the same run or opening at next to no cost, the most telling first: "
        "a reading each. It needs no tool, precaution or run of its own, and may be left out.",
    )
    for_check = string("The check that a preparation or a plate is for.", null=True)
    recheck = flag("Whether the check has been answered before.")
    tools = strings("Ids of the tools that it needs.")
    minutes = number("How long it takes, in minutes.")
    precautions = each(
        PrecautionSchema,
        "All that apply now, to be read before the steps, and carried out where `must_confirm`.",
    )


class MayShowSchema(AnswerSchema):
    """A fault that a step may show."""

    fault = string("Id of the fault.")
    title = string("The fault in words.")
    probability = fraction("That the fault is there and the step shows it.")


class PlannedStepSchema(AnswerSchema):
    """A step of the plan."""

    id = string("Id of the check.")
    title = string("What to do, in a few words.")
    minutes = number("How long it takes, in minutes.")
    abnormal = fraction("That it gives what a healthy part does not.")
    may_show = each(MayShowSchema, "The likeliest faults behind that.")


class PlanSchema(AnswerSchema):
    """What is to be done before the equipment is opened, closed or energised the next time.

    As of now: each reading may change it.
    """

    steps = each(PlannedStepSchema, "`next_check` first, or the check that it prepares.")
    minutes = number("How long the steps take, in minutes, without preparations.")
    abnormal = fraction("That at least one of the steps, or what is noted along, shows something.")
