"""Readings into findings: the probability of each outcome, given the meter (JCGM 106:2012)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from service.diagnosis.case import VERIFY, Case
from service.diagnosis.instrument import Instrument
from service.diagnosis.nameplate import NameplateValue
from service.diagnosis.readings import Reading
from service.frozen import Frozen
from service.physics.metrology import (
    Accuracy,
    accuracy_half_width,
    combine,
    over_range_likelihoods,
    partition_probabilities,
    rectangular_standard_uncertainty,
)
from service.physics.units import accepted_units, from_si
from service.ruleset.limits import limit_edge
from service.ruleset.model import Check, Limit, Measure, RuleSet

# An observation can be misheard or mistyped; that is part of the likelihood rows, not of this.
CERTAIN = 1.0
INCONCLUSIVE = "inconclusive"
INVALID = "invalid"
CONCLUSIVE = 0.6
# Under this probability an outcome counts as none: readings far from a limit are all alike.
NEGLIGIBLE = 1e-12

# Notes that say the same of every reading; others have figures in them.
BEFORE_THE_REPAIR = "taken before the repair: it tells what was wrong then"
STANDS_INSTEAD = "stands instead of the earlier reading of this check"
METER_ASSUMED = "accuracy not given: the rule set's default instrument is assumed"
ABOVE_EVERY_LIMIT = "over range: taken as above every limit"
UNCONFIRMED = "read without what is to be confirmed before it, as far as this case tells"
NOTES = (BEFORE_THE_REPAIR, STANDS_INSTEAD, METER_ASSUMED, ABOVE_EVERY_LIMIT, UNCONFIRMED)


@dataclass(frozen=True, slots=True)
class PlacedLimit:
    """A limit worked out for this nameplate, SI, with its standard uncertainty."""

    value: float
    uncertainty: float
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class Finding:
    """A reading classified. `evidence` is P(outcome) in the order of the check's outcomes."""

    reading: Reading
    check: str
    outcomes: tuple[str, ...]
    evidence: tuple[float, ...]
    edges: tuple[PlacedLimit, ...]
    value: float | None  # SI, after the leads are subtracted
    uncertainty: float | None  # standard, SI
    superseded: bool  # by a later reading of the same check, with no repair between them
    repeats: int  # earlier readings of the same check with the same outcome, likewise
    notes: tuple[str, ...]

    def without_value(self) -> Finding:
        """The same without what was measured and the limits that it was held against: hashable."""
        return Finding(
            self.reading.without_value(),
            self.check,
            self.outcomes,
            self.evidence,
            (),
            None,
            None,
            self.superseded,
            self.repeats,
            self.notes,
        )

    @property
    def outcome(self) -> str:
        """The outcome with more than 60 %, or `inconclusive`, or `invalid`."""
        if self.invalid:
            return INVALID
        most = max(self.evidence)
        return self.outcomes[self.evidence.index(most)] if most > CONCLUSIVE else INCONCLUSIVE

    @property
    def probability(self) -> float:
        """The probability of that outcome."""
        return max(self.evidence)

    @property
    def invalid(self) -> bool:
        """Taken under conditions under which it proves nothing."""
        return bool(self.reading.violated)

    @property
    def stage(self) -> int:
        """How many repairs had been made when it was read."""
        return self.reading.stage

    @property
    def stands(self) -> bool:
        """Whether it says what the equipment is like now."""
        return not (self.superseded or self.reading.past or self.invalid)

    def probability_of(self, outcome: str) -> float:
        """The probability of one outcome."""
        return self.evidence[self.outcomes.index(outcome)]


def placed(limit: Limit, nameplate: Mapping[str, NameplateValue]) -> PlacedLimit:
    """A limit for this nameplate. An assumed nameplate value makes the limit itself uncertain."""
    if limit.nameplate is None:
        return PlacedLimit(limit.factor, 0.0, limit.unit, limit.source)
    plate = nameplate[limit.nameplate]
    edge = limit_edge(limit, float(plate.value))
    return PlacedLimit(edge.value, abs(edge.slope) * plate.uncertainty, limit.unit, edge.source)


@lru_cache(maxsize=4096)
def placed_limits(
    measure: Measure, nameplate: Frozen[str, NameplateValue]
) -> tuple[PlacedLimit, ...]:
    """The limits between the outcomes of a measure, from low to high."""
    return tuple(placed(limit, nameplate) for limit in measure.limits)


@lru_cache(maxsize=4096)
def other_limits(
    measure: Measure, nameplate: Frozen[str, NameplateValue]
) -> tuple[tuple[PlacedLimit, ...], ...]:
    """The limits for each value that a deduced field of the nameplate may have just as well."""
    return tuple(
        placed_limits(measure, Frozen({**nameplate, name: replace(nameplate[name], value=other)}))
        for name in measure.nameplate_fields
        for other in nameplate[name].others
    )


def _average(regions: Iterable[Sequence[float]]) -> list[float]:
    """The mean of probabilities that are each as good as the other."""
    rows = list(regions)
    return [math.fsum(column) / len(rows) for column in zip(*rows, strict=True)]


def find_all(rule_set: RuleSet, case: Case) -> tuple[Finding, ...]:
    """One finding per reading, in the order of the request."""
    latest = {(reading.check, reading.stage): reading.index for reading in case.readings}
    found: list[Finding] = []
    met: dict[tuple[str, int], list[Finding]] = {}
    for reading in case.readings:
        finding = find(rule_set, case, reading)
        earlier = met.setdefault((reading.check, reading.stage), [])
        earlier.append(finding)
        last = latest[reading.check, reading.stage]
        superseded, again = last != reading.index, len(earlier) > 1
        unsaid = reading.unstated if case.phase == VERIFY else ()
        bare = _unconfirmed(rule_set, case, rule_set.checks[reading.check])
        if not (again or superseded or reading.past or reading.violated or unsaid or bare):
            found.append(finding)
            continue
        repeats = sum(one.outcome == finding.outcome for one in earlier[:-1])
        notes = [*finding.notes, *(f"invalid: {told}" for told in reading.violated)]
        if superseded:
            notes.append(
                f"a later reading of this check (readings/{last}) stands, "
                "but what this one says of safety still counts; leave it out if it was a slip"
            )
        elif reading.past:
            notes.append(BEFORE_THE_REPAIR)
        elif again:
            notes.append(STANDS_INSTEAD)
        if unsaid and not (superseded or reading.past):
            listed = ", ".join(unsaid)
            notes.append(f"proves nothing until its conditions are stated with it: {listed}")
        if bare and not reading.past:
            notes.append(UNCONFIRMED)
        found.append(replace(finding, superseded=superseded, repeats=repeats, notes=tuple(notes)))
    return tuple(found)


def _unconfirmed(rule_set: RuleSet, case: Case, check: Check) -> bool:
    """Whether a check on dead equipment was read and nothing tells that it was made dead.

    It counts all the same: what was read is true. Once the equipment is closed up again, what was
    confirmed before is rightly gone.
    """
    access = rule_set.access[check.access]
    given = {one.id for one in case.confirmed} if access.requires else set()
    return not access.powered and any(
        one not in given and given.isdisjoint(rule_set.precautions[one].withdrawn_by)
        for one in access.requires
    )


def find(rule_set: RuleSet, case: Case, reading: Reading) -> Finding:
    """The finding of one reading by itself."""
    check = rule_set.checks[reading.check]
    if reading.outcome is not None:
        evidence = _observed(check, reading.outcome)
        return Finding(reading, check.id, check.outcomes, evidence, (), None, None, False, 0, ())
    measure = measure_of(check, reading)
    edges = placed_limits(measure, case.nameplate)
    notes = _nameplate_notes(rule_set, measure, case.nameplate)
    instrument = used_for(measure, case.instruments.get(measure.quantity))
    value: float | None = None
    uncertainty: float | None = None
    limits = [edge.value for edge in edges]
    if reading.value is not None:
        value, uncertainty = measured(reading.value, instrument)
        if reading.uncertainty is not None:
            value, uncertainty = reading.value, reading.uncertainty
        region = _average(
            partition_probabilities(
                value, uncertainty, [edge.value for edge in one], [edge.uncertainty for edge in one]
            )
            for one in (edges, *other_limits(measure, case.nameplate))
        )
        if reading.uncertainty is not None:
            notes.append(f"worked out from its inputs by {check.calculation}")
        elif instrument is not None and not instrument.stated:
            notes.append(METER_ASSUMED)
    else:
        beyond = reading.beyond if reading.beyond is not None else math.inf
        region = _beyond(beyond, limits)
        if math.isfinite(beyond):
            unit = reading.unit or _handy_unit(beyond, measure.quantity)
            shown = _shown(beyond, unit, measure.quantity)
            word = "" if reading.range_stated else ", the assumed range"
            notes.append(f"over range: taken as more than {shown}{word}")
        else:
            notes.append(ABOVE_EVERY_LIMIT)
    evidence = _spread(check, measure, region)
    evidence, weak = _test_voltage(check, reading, instrument, evidence)
    return Finding(
        reading,
        check.id,
        check.outcomes,
        evidence,
        edges,
        value,
        uncertainty,
        False,
        0,
        (*notes, *weak),
    )


@lru_cache(maxsize=4096)
def _observed(check: Check, seen: str) -> tuple[float, ...]:
    return tuple(CERTAIN if outcome == seen else 0.0 for outcome in check.outcomes)


def measure_of(check: Check, reading: Reading) -> Measure:
    """What a reading that is not an observation is a measure of."""
    return next(one for one in check.measures if one.quantity == reading.quantity)


def used_for(measure: Measure, instrument: Instrument | None) -> Instrument | None:
    """The instrument of a check: the stated one, or what is assumed of that check or quantity."""
    assumed = measure.accuracy
    if instrument is None or instrument.stated or assumed is None:
        return instrument
    return replace(
        instrument,
        percent_of_reading=assumed.percent_of_reading,
        counts=assumed.counts,
        resolution=assumed.resolution,
    )


def measured(value: float, instrument: Instrument | None) -> tuple[float, float]:
    """A raw value (SI) less the leads, and its standard uncertainty (JCGM 100:2008 4.3.7)."""
    if instrument is None:
        return value, 0.0
    resolution = instrument.resolution
    if resolution is None:
        decade = 10.0 ** math.ceil(math.log10(abs(value))) if value else 0.0
        resolution = max(decade / instrument.display_counts, instrument.finest_resolution)
    accuracy = Accuracy(instrument.percent_of_reading, instrument.counts, resolution)
    meter = rectangular_standard_uncertainty(accuracy_half_width(value, accuracy))
    corrected = max(value - instrument.lead_resistance, 0.0) if value >= 0 else value
    return corrected, combine(meter, instrument.lead_uncertainty)


def _beyond(beyond: float, limits: list[float]) -> list[float]:
    if not math.isfinite(beyond):
        return [0.0] * len(limits) + [1.0]
    likelihoods = over_range_likelihoods(beyond, limits)
    total = math.fsum(likelihoods)
    return [likelihood / total for likelihood in likelihoods]


def _spread(
    check: Check, measure: Measure, region: list[float] | tuple[float, ...]
) -> tuple[float, ...]:
    by_outcome = {
        outcome: chance if chance >= NEGLIGIBLE else 0.0
        for outcome, chance in zip(measure.outcomes, region, strict=True)
    }
    whole = math.fsum(by_outcome.values())
    return tuple(by_outcome.get(outcome, 0.0) / whole for outcome in check.outcomes)


def _nameplate_notes(
    rule_set: RuleSet, measure: Measure, nameplate: Mapping[str, NameplateValue]
) -> list[str]:
    notes = []
    for name in measure.nameplate_fields:
        plate = nameplate[name]
        if plate.origin != "stated":
            field = rule_set.nameplate[name]
            shown = from_si(float(plate.value), field.unit or "1", field.quantity or "ratio")
            notes.append(f"{name} not given: {shown:.6g} {field.unit} {plate.origin}")
    return notes


def _shown(value: float, unit: str, quantity: str) -> str:
    return f"{from_si(value, unit, quantity):.6g} {unit}"


@lru_cache(maxsize=256)
def _handy_unit(value: float, quantity: str) -> str:
    """The unit in which a value (SI) has one to three digits before its point; else that of SI."""
    units = accepted_units(quantity)
    return next((one for one in units if 1.0 <= from_si(value, one, quantity) < 1000.0), units[0])


def _test_voltage(
    check: Check,
    reading: Reading,
    instrument: Instrument | None,
    evidence: tuple[float, ...],
) -> tuple[tuple[float, ...], tuple[str, ...]]:
    """Share the weight of an outcome that this meter's test voltage cannot tell from others."""
    rule = check.test_voltage
    if rule is None or reading.quantity not in ("resistance", "voltage"):
        return evidence, ()
    stated = instrument.test_voltage if instrument is not None else None
    if reading.quantity == "voltage":
        if reading.beyond is None:
            return evidence, ()
        stated = reading.beyond  # a diode range shows over range above its own test voltage
    volts = rule.assumed if stated is None else stated
    if volts >= rule.least:
        return evidence, ()
    alike = [check.outcomes.index(name) for name in (rule.outcome, *rule.confused_with)]
    if evidence[alike[0]] <= 0.0:
        return evidence, ()
    pooled = math.fsum(evidence[i] for i in alike) / len(alike)
    shared = tuple(pooled if i in alike else p for i, p in enumerate(evidence))
    known = "assumed" if stated is None else "stated"
    return shared, (
        f"the meter's test voltage ({volts:g} V {known}) is under {rule.least:g} V: "
        f"{rule.outcome} cannot be told from {', '.join(rule.confused_with)}",
    )
