"""The immutable model of a rule set: what a folder of YAML files means once it has been checked.

All quantities are in SI units. Ids are kebab-case, nameplate fields snake_case. What is large and
made once (a rule set, its checks, measures, rules and precautions) is equal to nothing but itself,
so that what follows from it can be kept by it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from service.ruleset.header import (
    Capacitor,
    Costs,
    InstrumentDefault,
    NameplateField,
    Plate,
    Tuning,
)

UNLISTED_FAULT = "unlisted-fault"
NO_FAULT = "no-fault-present"
# The gravest first: ISO 3864-2:2016 and ANSI Z535.4, from memory.
SIGNAL_WORDS = ("DANGER", "WARNING", "CAUTION", "NOTICE")
# Groups of checks that have a meaning of their own: what is behind the cover.
GROUPS_INSIDE = frozenset({"high-voltage-parts", "behind-cover"})

Meaning = Literal["normal", "abnormal"]
Row = tuple[float, ...]  # probabilities in the order of a check's outcomes
Comparison = Literal["eq", "ne", "lt", "le", "gt", "ge", "in"]


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value in SI units, and the unit (UCUM) that the author wrote, for display."""

    value: float
    unit: str
    quantity: str


@dataclass(frozen=True, slots=True)
class Limit:
    """The boundary between two neighbouring outcomes, possibly following the nameplate.

    `factor` times the nameplate value to `power`, over `reference` to `power`; a plain constant
    has no nameplate field. `tolerance` takes the supply tolerance band instead.
    """

    factor: float
    nameplate: str | None
    reference: float
    power: float
    at_least: float | None
    tolerance: Literal["lower", "upper"] | None
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class AssumedAccuracy:
    """The accuracy of the instrument that a check is made with, where none is stated."""

    percent_of_reading: float
    counts: float
    resolution: float  # SI
    source: str


@dataclass(frozen=True, slots=True, eq=False)
class Measure:
    """One way to read a check as a number: outcomes from low to high, with a limit between each."""

    quantity: str
    unit: str
    outcomes: tuple[str, ...]
    limits: tuple[Limit, ...]
    least: float | None  # a reading below it (SI) is refused as impossible
    most: float | None  # and one above it
    accuracy: AssumedAccuracy | None  # None: as the rule set assumes of the quantity

    @property
    def nameplate_fields(self) -> tuple[str, ...]:
        """The nameplate fields that its limits follow, sorted."""
        return tuple(sorted({one.nameplate for one in self.limits if one.nameplate is not None}))


@dataclass(frozen=True, slots=True)
class MeterTestVoltage:
    """A meter testing with less than `least` volts cannot tell `outcome` from others."""

    outcome: str
    confused_with: tuple[str, ...]
    least: float
    assumed: float
    source: str


@dataclass(frozen=True, slots=True)
class ReadingCondition:
    """What must hold for a reading of a check to count: a span in SI units, or words."""

    id: str
    title: str
    quantity: str | None
    unit: str | None  # for display
    least: float | None
    most: float | None
    choices: tuple[str, ...]
    accept: tuple[str, ...]
    source: str


@dataclass(frozen=True, slots=True, eq=False)
class Check:
    """A test or an observation."""

    id: str
    title: str
    component: str
    kind: Literal["measurement", "observation", "question"]
    asked_of: Literal["technician", "customer"]
    scope: Literal["component", "function"]
    access: str
    groups: tuple[str, ...]
    live: bool
    instrument_category: str | None
    dead_alternatives: tuple[str, ...]
    instead: tuple[str, ...]  # what proves a repair as well where this cannot be carried out
    why_live: str | None
    by_rule: bool  # offered only when a rule admits it
    in_passing: bool  # seen or heard while another check of the same place is made
    minutes: float
    longest_run: float | None  # s, for how long the equipment is energised for it at most
    tools: tuple[str, ...]
    why: str
    how: tuple[str, ...]
    expected: tuple[str, ...]  # outcomes of a healthy part
    passes: tuple[str, ...]  # outcomes that will do in a proof, if the complaint is another
    expected_text: str
    outcomes: tuple[str, ...]
    measures: tuple[Measure, ...]
    test_voltage: MeterTestVoltage | None
    conditions: tuple[ReadingCondition, ...]
    calculation: str | None  # what makes a reading of it from raw inputs
    precautions: tuple[str, ...]
    default: tuple[float, ...]  # P(outcome | part healthy), in the order of `outcomes`
    rows: Mapping[str, Row]  # P(outcome | fault) where it differs
    given: Mapping[tuple[str | None, str], Row]
    # P(outcome | fault, condition); with None for the fault, whatever the fault
    persists: float  # share of what makes a reading wrong that makes the next one wrong, too
    source: str

    def meaning(self, outcome: str) -> Meaning:
        """Whether a healthy part gives this outcome."""
        return "normal" if outcome in self.expected else "abnormal"

    def healthy(self, condition: str | None) -> Row:
        """P(outcome | no fault that shows here, condition)."""
        return self.given.get((None, condition), self.default) if condition else self.default

    def row(self, fault: str, condition: str | None, unlisted_blend: float) -> tuple[float, ...]:
        """P(outcome | fault, condition), in the order of `outcomes`.

        A row for both comes first, then what the condition does to any fault, then the fault's
        own row. An unlisted fault that has none is the healthy row blended with a uniform one.
        """
        if condition is not None:
            for key in ((fault, condition), (None, condition)):
                if key in self.given:
                    return self.given[key]
        if fault in self.rows:
            return self.rows[fault]
        if fault == UNLISTED_FAULT:
            flat = 1.0 / len(self.outcomes)
            return tuple((1 - unlisted_blend) * p + unlisted_blend * flat for p in self.default)
        return self.default


@dataclass(frozen=True, slots=True)
class Symptom:
    """A complaint."""

    id: str
    title: str
    verdict_needs: tuple[tuple[str, ...], ...]  # of each group at least one check answered
    proven_by: tuple[str, ...]  # checks that show, after a repair, that it is gone
    source: str


@dataclass(frozen=True, slots=True)
class Condition:
    """An effect that a fault may have had on the equipment, and that many checks feel alike.

    A blown fuse darkens display, lamp and fan together; kept as a state of its own, their
    readings are not counted as if they were independent.
    """

    id: str
    title: str
    parts: tuple[str, ...]  # to be replaced along with the fault's own, if the condition is there
    unlisted: float  # P(condition | unlisted fault)
    symptom_weights: Mapping[str, float]  # how much more likely the condition is, by complaint
    given_symptom: Mapping[str, float]
    # P(condition | symptom) for every fault that can bring it about, where the complaint fixes it
    shows: float | None
    # In which share of the readings a fault shows that comes and goes; None for what stays.
    source: str

    @property
    def dormant(self) -> bool:
        """Whether the fault rests for as long as this holds."""
        return self.shows == 0.0


@dataclass(frozen=True, slots=True)
class Fault:
    """A root cause hypothesis."""

    id: str
    title: str
    component: str
    rate: float  # relative frequency among faults
    symptoms: Mapping[str, float]  # P(symptom | fault)
    conditions: Mapping[str, float]  # P(condition | fault); the rest: none of them
    causes: Mapping[str, float]  # P(that fault is there too | this one)
    remedy: str
    verdict_needs: tuple[tuple[str, ...], ...]  # of each group at least one check answered
    effect: bool  # usually the effect of another fault
    dangerous: bool  # it can hurt whoever uses or services the equipment
    least_confidence: float  # below this it is no verdict, whatever the request asks for
    unnoticed: float | None  # share of equipment that has it and nobody complains of it
    source: str


@dataclass(frozen=True, slots=True)
class Remedy:
    """A repair action."""

    id: str
    action: str
    minutes: float
    access: str
    parts: tuple[str, ...]
    price_class: str
    also_replace: tuple[str, ...]
    checks_after: tuple[str, ...]
    precautions: tuple[str, ...]
    source: str


@dataclass(frozen=True, slots=True, eq=False)
class Precaution:
    """A safety precaution. `text` may hold the names of computed figures in braces."""

    id: str
    signal_word: str
    sign: str | None
    text: str
    confirm: bool
    withdrawn_by: tuple[str, ...]
    ends_run: bool  # it says when to end a run
    forbids_use: bool  # while it stands, nobody may use the equipment
    void_when_energised: bool  # it must be done anew once the equipment has been energised
    source: str


@dataclass(frozen=True, slots=True)
class Preparation:
    """The step after which a precaution can be confirmed."""

    id: str
    confirms: str
    after: tuple[str, ...]  # precautions that must hold before it
    title: str
    why: str
    how: tuple[str, ...]
    minutes: float
    tools: tuple[str, ...]
    precautions: tuple[str, ...]
    source: str


@dataclass(frozen=True, slots=True)
class Access:
    """What must be confirmed before checks at this place are offered."""

    id: str
    title: str
    requires: tuple[str, ...]
    precautions: tuple[str, ...]
    powered: bool  # the equipment is energised for it
    outside: bool  # no panel comes off for it, so what is stored behind one is not met
    closes_with: tuple[str, ...]  # to confirm first, if the equipment may have been opened


@dataclass(frozen=True, slots=True)
class Predicate:
    """A comparison of a nameplate value or a reading; evaluated before chaining, as a token."""

    token: str
    subject: Literal["nameplate", "reading"]
    name: str
    comparison: Comparison
    operands: tuple[float | str, ...]
    text: str


@dataclass(frozen=True, slots=True)
class Consequence:
    """What a rule that fires brings about. `targets` are ids; groups are already expanded."""

    kind: Literal[
        "derive",
        "exclude",
        "weigh",
        "admit",
        "bar",
        "prefer",
        "require",
        "stop",
        "follow-up",
        "contradiction",
    ]
    targets: tuple[str, ...]
    ratio: float = 1.0
    text: str = ""


@dataclass(frozen=True, slots=True)
class Branch:
    """One way to satisfy a condition: tokens that must be there, tokens that must not."""

    all_of: tuple[str, ...]
    none_of: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Rule:
    """One rule, its condition in disjunctive form."""

    id: str
    because: str
    branches: tuple[Branch, ...]
    consequences: tuple[Consequence, ...]
    source: str


@dataclass(frozen=True, slots=True, eq=False)
class RuleSet:
    """Everything the service knows about one type of equipment."""

    id: str
    equipment: str
    version: str
    title: str
    description: str
    jurisdictions: str
    sources: tuple[str, ...]
    content_hash: str
    nameplate: Mapping[str, NameplateField]
    plates: Mapping[str, Plate]
    instruments: Mapping[str, InstrumentDefault]
    capacitor: Capacitor | None
    tuning: Tuning
    minutes_source: str
    always: tuple[str, ...]  # precautions that stand in every answer
    after_every_repair: tuple[str, ...]
    when_not_released: tuple[str, ...]  # precautions while a repair is not proven
    costs: Costs
    tools: Mapping[str, str]
    symptoms: Mapping[str, Symptom]
    conditions: Mapping[str, Condition]
    faults: Mapping[str, Fault]
    remedies: Mapping[str, Remedy]
    parts: Mapping[str, str]  # title by id
    checks: Mapping[str, Check]
    precautions: Mapping[str, Precaution]
    preparations: Mapping[str, Preparation]
    access: Mapping[str, Access]
    rules: tuple[Rule, ...]
    predicates: tuple[Predicate, ...] = field(default=())
