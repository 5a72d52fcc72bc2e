"""One case in SI units: the complaint, the nameplate, the instrument, the readings.

`read_case` turns the request document, whose shape the edge has checked, into a `Case` for one
rule set, and refuses with a JSON Pointer whatever that rule set cannot make sense of.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from service.diagnosis.instrument import Instrument, read_instruments
from service.diagnosis.refusals import MAX_MAGNITUDE, Errors, escaped, si_quantity, unknown
from service.physics.units import UnitError, to_si
from service.ruleset.model import Check, Measure, NameplateField, RuleSet

# A case that is wrong in so many places is not read to its end.
ENOUGH_ERRORS = 20


class CaseError(ValueError):
    """A case that the rule set cannot take. `errors`: (JSON Pointer, message), all of them."""

    def __init__(self, errors: Iterable[tuple[str, str]]) -> None:
        self.errors = tuple(errors)
        super().__init__("; ".join(f"{pointer}: {message}" for pointer, message in self.errors))


@dataclass(frozen=True, slots=True)
class NameplateValue:
    """A nameplate entry as used: stated, deduced from a reading, or assumed."""

    value: float | str
    uncertainty: float  # standard uncertainty, SI; 0 when stated
    origin: str  # "stated" | "deduced" | "assumed"


@dataclass(frozen=True, slots=True)
class Reading:
    """What one check gave. Exactly one of `outcome`, `value`, `beyond` is set."""

    index: int  # in the request
    check: str
    outcome: str | None
    value: float | None  # SI
    unit: str | None  # as sent
    quantity: str | None
    beyond: float | None  # over range: the true value exceeds this (SI)
    range_stated: bool


@dataclass(frozen=True, slots=True)
class Case:
    """One visit so far."""

    symptom: str
    nameplate: Mapping[str, NameplateValue]
    instruments: Mapping[str, Instrument]
    readings: tuple[Reading, ...]
    confirmed: tuple[str, ...]
    unavailable: frozenset[str]  # checks that cannot be carried out here
    required_confidence: float

    @property
    def answered(self) -> frozenset[str]:
        """The checks that have a reading."""
        return frozenset(reading.check for reading in self.readings)

    def latest(self) -> dict[str, Reading]:
        """The reading that stands for each check: the last one sent."""
        return {reading.check: reading for reading in self.readings}


def read_case(rule_set: RuleSet, document: Mapping[str, Any]) -> Case:
    """The case of a request document (shape checked, snake_case keys) for one rule set.

    Raises:
        CaseError: with a JSON Pointer for each thing that is unknown, of the wrong dimension or
            out of bounds.
    """
    errors: Errors = []
    symptom = document["symptom"]
    if symptom not in rule_set.symptoms:
        errors.append(("/symptom", unknown("symptom", symptom, rule_set.symptoms)))
    instruments = read_instruments(rule_set, document.get("instrument") or {}, errors)
    readings: list[Reading] = []
    for index, raw in enumerate(document.get("readings") or ()):
        reading = _reading(rule_set, instruments, index, raw, errors)
        if reading is not None:
            readings.append(reading)
        if len(errors) >= ENOUGH_ERRORS:
            raise CaseError(errors)
    nameplate = _nameplate(rule_set, document.get("nameplate") or {}, tuple(readings), errors)
    confirmed = _confirmed(rule_set, document.get("confirmed") or (), errors)
    unavailable = frozenset(document.get("unavailable") or ())
    for index, one in enumerate(document.get("unavailable") or ()):
        if one not in rule_set.checks:
            message = unknown("check", one, rule_set.checks)
            errors.append((f"/unavailable/{index}", message))
    if errors:
        raise CaseError(errors)
    return Case(
        symptom=symptom,
        nameplate=nameplate,
        instruments=instruments,
        readings=tuple(readings),
        confirmed=confirmed,
        unavailable=unavailable,
        required_confidence=float(document.get("required_confidence", 0.9)),
    )


def _confirmed(rule_set: RuleSet, raw: Iterable[str], errors: Errors) -> tuple[str, ...]:
    table = {k for k, precaution in rule_set.precautions.items() if precaution.confirm}
    for index, one in enumerate(raw):
        if one not in table:
            errors.append(
                (
                    f"/confirmed/{index}",
                    unknown("precaution", one, table, "precautions to confirm"),
                )
            )
    return tuple(sorted(set(raw)))


# -- readings ----------------------------------------------------------------------------------


def _reading(
    rule_set: RuleSet,
    instruments: Mapping[str, Instrument],
    index: int,
    raw: Mapping[str, Any],
    errors: Errors,
) -> Reading | None:
    pointer = f"/readings/{index}"
    check = rule_set.checks.get(raw["check"])
    if check is None:
        errors.append((f"{pointer}/check", unknown("check", raw["check"], rule_set.checks)))
        return None
    if raw.get("observed") is not None:
        return _observed(pointer, index, check, raw["observed"], errors)
    if not check.measures:
        message = f"{check.id} is an observation: send `observed` as one of {_listed(check)}"
        errors.append((pointer, message))
        return None
    if raw.get("over_range"):
        return _over_range(pointer, index, check, instruments, raw, errors)
    return _measured(pointer, index, check, raw, errors)


def _listed(check: Check) -> str:
    return ", ".join(check.outcomes)


def _observed(
    pointer: str, index: int, check: Check, outcome: str, errors: Errors
) -> Reading | None:
    if outcome not in check.outcomes:
        shown = outcome if len(outcome) <= 60 else outcome[:57] + "..."
        message = f"{shown!r} is not an outcome of {check.id}; its outcomes: {_listed(check)}"
        errors.append((f"{pointer}/observed", message))
        return None
    return Reading(index, check.id, outcome, None, None, None, None, False)


def _over_range(
    pointer: str,
    index: int,
    check: Check,
    instruments: Mapping[str, Instrument],
    raw: Mapping[str, Any],
    errors: Errors,
) -> Reading | None:
    stated = raw.get("range")
    for measure in check.measures:
        if stated is None:
            instrument = instruments.get(measure.quantity)
            top = instrument.range if instrument is not None else float("inf")
            return Reading(index, check.id, None, None, None, measure.quantity, top, False)
        try:
            top = to_si(stated["value"], stated["unit"], measure.quantity)
        except UnitError:
            continue
        instrument = instruments.get(measure.quantity)
        least = instrument.least_range if instrument is not None else 0.0
        if not least <= top <= MAX_MAGNITUDE or top <= 0:
            errors.append((f"{pointer}/range/value", "is no range that a meter has"))
            return None
        return Reading(index, check.id, None, None, stated["unit"], measure.quantity, top, True)
    si_quantity(f"{pointer}/range", stated or {}, check.measures[0].quantity, errors)
    return None


def _fits(raw: Mapping[str, Any], measure: Measure) -> bool:
    try:
        to_si(raw["value"], raw["unit"], measure.quantity)
    except UnitError:
        return False
    return True


def _measured(
    pointer: str, index: int, check: Check, raw: Mapping[str, Any], errors: Errors
) -> Reading | None:
    first = check.measures[0]
    measure = next((one for one in check.measures if _fits(raw, one)), first)
    value = si_quantity(pointer, raw, measure.quantity, errors)
    if value is None:
        return None
    if measure.least is not None and value < measure.least:
        message = f"a {measure.quantity} of {raw['value']:g} {raw['unit']} cannot be"
        if measure.quantity == "resistance":
            message += ": zero the meter or discharge the part, then read it again"
        errors.append((f"{pointer}/value", message))
        return None
    if measure.most is not None and value > measure.most:
        message = f"{raw['value']:g} {raw['unit']} is more than any reading of {check.id} can be"
        errors.append((f"{pointer}/value", message))
        return None
    return Reading(index, check.id, None, value, raw["unit"], measure.quantity, None, False)


# -- nameplate ---------------------------------------------------------------------------------


def _nameplate(
    rule_set: RuleSet,
    raw: Mapping[str, Any],
    readings: tuple[Reading, ...],
    errors: Errors,
) -> dict[str, NameplateValue]:
    for name in raw:
        if name not in rule_set.nameplate:
            message = unknown("nameplate field", name, rule_set.nameplate)
            errors.append((f"/nameplate/{escaped(name)}", message))
    out: dict[str, NameplateValue] = {}
    for name, field in rule_set.nameplate.items():
        if raw.get(name) is None:
            out[name] = _unstated(field, readings)
        else:
            value = _stated(field, raw[name], errors)
            out[name] = NameplateValue(value, 0.0, "stated")
    return out


def _stated(field: NameplateField, given: Any, errors: Errors) -> float | str:
    pointer = f"/nameplate/{field.id}"
    if field.quantity is None:
        if given not in field.choices:
            got = given if isinstance(given, str) else "a quantity"
            message = f"{got[:60]!r} is not one of {', '.join(field.choices)}"
            errors.append((pointer, message))
        return given if isinstance(given, str) else field.default
    if not isinstance(given, Mapping):
        errors.append((pointer, "give a value and a unit"))
        return field.default
    value = si_quantity(pointer, given, field.quantity, errors)
    if value is None:
        return field.default
    low = field.least is not None and value < field.least
    if low or (field.most is not None and value > field.most):
        message = f"{given['value']:g} {given['unit']} is outside what this rule set covers"
        errors.append((f"{pointer}/value", f"{message} ({_span(field)})"))
    return value


def _span(field: NameplateField) -> str:
    bounds = (("at least", field.least), ("at most", field.most))
    return ", ".join(f"{word} {bound:g} (SI)" for word, bound in bounds if bound is not None)


def _unstated(field: NameplateField, readings: tuple[Reading, ...]) -> NameplateValue:
    """The nominal nearest to a reading that tells it, or else the rule set's assumption."""
    least = min(field.nominals, default=0.0)
    latest = {reading.check: reading.value for reading in readings}
    for check in field.deduce_from:
        seen = latest.get(check)
        if seen is not None and seen > 0.75 * least:
            nearest = min(field.nominals, key=lambda nominal: abs(nominal - seen))
            return NameplateValue(nearest, 0.0, "deduced")
    return NameplateValue(field.default, field.default_uncertainty, "assumed")
