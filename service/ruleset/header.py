"""What the header of a rule set holds. All quantities are in SI units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class NameplateField:
    """One nameplate entry: a quantity, or one of a few words."""

    id: str
    title: str
    quantity: str | None
    choices: tuple[str, ...]
    default: float | str
    unit: str | None
    default_uncertainty: float  # standard uncertainty of an assumed value, SI
    nominals: tuple[float, ...]  # values that an unstated one may be deduced to be, SI
    deduce_from: tuple[str, ...]  # checks whose reading tells which nominals it may be
    deviation: tuple[float, float]  # least and most share of its nominal that is met in use
    least: float | None  # SI; values outside [least, most] are refused
    most: float | None
    source: str


@dataclass(frozen=True, slots=True)
class Plate:
    """A rating plate or a label, where nameplate fields can be read."""

    id: str
    title: str
    fields: tuple[str, ...]
    access: str
    minutes: float
    tools: tuple[str, ...]
    why: str
    how: tuple[str, ...]
    precautions: tuple[str, ...]
    source: str


@dataclass(frozen=True, slots=True)
class InstrumentDefault:
    """What is assumed of a meter whose accuracy is not given (SI units)."""

    quantity: str
    percent_of_reading: float
    counts: float
    display_counts: float  # resolution = reading's decade over this, where none is given
    finest_resolution: float
    lead_resistance: float
    lead_uncertainty: float
    range: float
    source: str


@dataclass(frozen=True, slots=True)
class Capacitor:
    """Names of the nameplate fields that hold the stored-energy figures."""

    capacitance: str
    rated_voltage: str
    bleed_resistance: str


@dataclass(frozen=True, slots=True)
class Tuning:
    """Numbers of the reasoning itself, each with a source in the rule set."""

    unlisted_share: float
    second_fault: float  # share of visits with a second fault that the first has not caused
    slip: float  # share of measured readings that say nothing of the part: a contact, a wrong lead
    misread_persists: float  # share of slips that a second reading repeats
    look_persists: float  # the same of a look at dead equipment, and of what a user tells
    new_part_faulty: float  # P(the complaint stays | the right repair was made)
    cure_overlooked: float  # P(it seems to stay | the repair has cured)
    complaint_rests: float  # P(the complaint is gone in its proof | its cause is still there)
    unlisted_component: float
    unlisted_function: float
    symptom_floor: float
    certain: float  # a finding of this probability is a fact for rules
    possible: float  # from this probability on a safety rule counts it
    live_risk_minutes: float
    released_risk: float  # a dangerous fault more probable than this keeps equipment out of use
    least_information: float  # bits
    danger_read_twice: float  # measured twice or seen, a dangerous fault is a verdict from here on
    least_rate: float  # bits per minute of work: below it going on costs more than it tells
    conflict_ratio: float


@dataclass(frozen=True, slots=True)
class PriceClass:
    """What a part of this class costs, in minutes of work, and what it costs to bring unused."""

    minutes: float
    carry: float
    source: str


@dataclass(frozen=True, slots=True)
class Costs:
    """What mistakes and parts cost, in minutes of work."""

    second_visit: float
    second_visit_source: str
    price_classes: Mapping[str, PriceClass]
