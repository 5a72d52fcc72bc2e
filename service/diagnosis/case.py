"""One case in SI units: the complaint, the nameplate, the instrument, the readings.

`read_case` turns the request document, whose shape the edge has checked, into a `Case` for one
rule set, and refuses with a JSON Pointer whatever that rule set cannot make sense of.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from service.diagnosis.instrument import Instrument, read_instruments
from service.diagnosis.nameplate import NameplateValue, read_nameplate
from service.diagnosis.readings import Reading, read_reading
from service.diagnosis.refusals import Errors, escaped, si_quantity
from service.frozen import Frozen
from service.ruleset.header import Costs
from service.ruleset.model import RuleSet
from service.ruleset.near import unknown
from service.ruleset.repairs import touched_by

DIAGNOSE = "diagnose"
VERIFY = "verify-repair"

# How sure a verdict must be, unless the request says so; the second where costs decide.
CONFIDENCE = 0.9
LEAST_CONFIDENCE = 0.5
MOST_COST = 3.6e6  # s

NO_INSTRUMENTS: Frozen[str, Instrument] = Frozen({})

# A case that is wrong in so many places is not read to its end.
ENOUGH_ERRORS = 20


class CaseError(ValueError):
    """A case that the rule set cannot take. `errors`: (JSON Pointer, message), all of them."""

    def __init__(self, errors: Iterable[tuple[str, str]]) -> None:
        self.errors = tuple(errors)
        super().__init__(self.errors)  # so that it survives the way between processes

    def __str__(self) -> str:
        return "; ".join(f"{pointer}: {message}" for pointer, message in self.errors)


@dataclass(frozen=True, slots=True)
class Confirmation:
    """A precaution that was carried out; `after_reading`: how many readings were taken before."""

    id: str
    after_reading: int | None = None


@dataclass(frozen=True, slots=True)
class Case:
    """One visit so far."""

    phase: str  # DIAGNOSE or VERIFY
    symptom: str
    nameplate: Frozen[str, NameplateValue]
    instruments: Mapping[str, Instrument]
    test_voltage: float | None  # V, of the resistance range, if stated
    readings: tuple[Reading, ...]
    answered: frozenset[str]  # checks with a reading that tells what the equipment is like now
    confirmed: tuple[Confirmation, ...]  # sorted, each id once
    unavailable: frozenset[str]  # checks that cannot be carried out, plates that cannot be read
    required_confidence: float
    costs: Costs | None = None  # decide by them
    repairs: tuple[str, ...] = ()  # remedies carried out, in order

    def without_values(self, readings: tuple[Reading, ...]) -> Case:
        """The same with readings that do not say what was read, and without the meter: hashable."""
        return replace(self, readings=readings, instruments=NO_INSTRUMENTS)


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
        reading = read_reading(rule_set, instruments, index, raw, errors)
        if reading is not None:
            readings.append(reading)
        if len(errors) >= ENOUGH_ERRORS:
            raise CaseError(errors)
    repairs = _repairs(rule_set, document, errors)
    phase = document.get("phase", DIAGNOSE)
    readings = _staged(rule_set, readings, repairs, phase)
    nameplate = read_nameplate(rule_set, document.get("nameplate") or {}, tuple(readings), errors)
    confirmed = _confirmed(rule_set, document, errors)
    unavailable = frozenset(document.get("unavailable") or ())
    for index, one in enumerate(document.get("unavailable") or ()):
        if one not in rule_set.checks and one not in rule_set.plates:
            message = unknown("check", one, [*rule_set.checks, *rule_set.plates])
            errors.append((f"/unavailable/{index}", message))
    costs = _costs(rule_set, document.get("costs"), errors)
    if errors:
        raise CaseError(errors)
    return Case(
        phase=phase,
        symptom=symptom,
        nameplate=nameplate,
        instruments=instruments,
        test_voltage=_test_voltage(instruments),
        readings=tuple(readings),
        answered=frozenset(reading.check for reading in readings if not reading.past),
        confirmed=confirmed,
        unavailable=unavailable,
        required_confidence=required(document),
        costs=costs,
        repairs=tuple(repair.remedy for repair in repairs),
    )


def _test_voltage(instruments: Mapping[str, Instrument]) -> float | None:
    meter = instruments.get("resistance")
    return None if meter is None else meter.test_voltage


def required(document: Mapping[str, Any]) -> float:
    """How sure a verdict must be: what the request asks for, or the default."""
    given = document.get("required_confidence")
    if given is not None:
        return float(given)
    return CONFIDENCE if document.get("costs") is None else LEAST_CONFIDENCE


def _costs(rule_set: RuleSet, raw: Mapping[str, Any] | None, errors: Errors) -> Costs | None:
    """The rule set's costs with those of the request in their place, minutes."""
    if raw is None:
        return None

    def minutes(pointer: str, given: Mapping[str, Any], otherwise: float) -> float:
        seconds = si_quantity(pointer, given, "time", errors)
        if seconds is not None and not 0.0 <= seconds <= MOST_COST:
            errors.append((f"{pointer}/value", "this must be from 0 to 1000 h"))
        return otherwise if seconds is None else seconds / 60.0

    known = rule_set.costs
    visit = known.second_visit
    if raw.get("second_visit") is not None:
        visit = minutes("/costs/second_visit", raw["second_visit"], visit)
    classes = dict(known.price_classes)
    for name, given in (raw.get("price_classes") or {}).items():
        pointer = f"/costs/price_classes/{escaped(name)}"
        if name not in classes:
            message = unknown("price class", name, classes, "price classes")
            errors.append((pointer, message))
            continue
        one = classes[name]
        classes[name] = replace(one, minutes=minutes(pointer, given, one.minutes))
    return replace(known, second_visit=visit, price_classes=Frozen(classes))


@dataclass(frozen=True, slots=True)
class _Repair:
    remedy: str
    readings_before: int


def _repairs(rule_set: RuleSet, document: Mapping[str, Any], errors: Errors) -> list[_Repair]:
    """The repairs in the order in which they were made."""
    taken = len(document.get("readings") or ())
    found: list[_Repair] = []
    for index, raw in enumerate(document.get("repairs") or ()):
        pointer, remedy, before = f"/repairs/{index}", raw["remedy"], int(raw["readings_before"])
        if remedy not in rule_set.remedies:
            message = unknown("remedy", remedy, rule_set.remedies, "remedies")
            errors.append((f"{pointer}/remedy", message))
            continue
        if before > taken:
            message = f"this is more than the readings that were sent ({taken})"
            errors.append((f"{pointer}/readings_before", message))
        elif found and before < found[-1].readings_before:
            message = "repairs must stand in the order in which they were made"
            errors.append((f"{pointer}/readings_before", message))
        found.append(_Repair(remedy, before))
    return found


def _staged(
    rule_set: RuleSet, readings: list[Reading], repairs: list[_Repair], phase: str
) -> list[Reading]:
    """The readings, each with the repairs made before it and whether it still tells anything.

    A reading from before a repair still stands if it is of a part by itself which no later repair
    has touched; how the whole behaved has to be looked at anew. A repair is proven by none that
    was taken before it, but what one of them found unsafe, and nothing has mended, is unsafe
    still, unless the proof reads it anew before it energises anything. What a customer tells is of
    the time before any repair, whenever it is told.
    """
    if not repairs:
        return readings
    touched = [touched_by(rule_set, repair.remedy) for repair in repairs]
    last = {reading.check: reading.index for reading in readings}
    proven = {*rule_set.after_every_repair}
    proven.update(*(rule_set.remedies[repair.remedy].checks_after for repair in repairs))
    out = []
    for reading in readings:
        check = rule_set.checks[reading.check]
        if check.asked_of == "customer":
            out.append(replace(reading, past=phase == VERIFY))
            continue
        stage = sum(repair.readings_before <= reading.index for repair in repairs)
        before = stage < len(repairs)
        stands = (
            check.scope == "component"
            and last[reading.check] == reading.index
            and not any(check.component in parts for parts in touched[stage:])
        )
        gone = before and (phase == VERIFY or not stands)
        unmended = gone and stands and reading.check not in proven
        out.append(replace(reading, stage=stage, past=gone, unmended=unmended))
    return out


def _confirmed(
    rule_set: RuleSet, document: Mapping[str, Any], errors: Errors
) -> tuple[Confirmation, ...]:
    """The confirmations, of each the latest."""
    table = {k for k, precaution in rule_set.precautions.items() if precaution.confirm}
    taken = len(document.get("readings") or ())
    latest: dict[str, int | None] = {}
    for index, raw in enumerate(document.get("confirmed") or ()):
        pointer, placed = f"/confirmed/{index}", not isinstance(raw, str)
        name = raw["id"] if placed else raw
        at = int(raw["after_reading"]) if placed else None
        if name not in table:
            message = unknown("precaution", name, table, "precautions to confirm")
            if name in rule_set.precautions:
                message = f"{name!r} is a precaution, but none to confirm: leave it out"
            errors.append((f"{pointer}/id" if placed else pointer, message))
        if at is not None and at > taken:
            message = f"this is more than the readings that were sent ({taken})"
            errors.append((f"{pointer}/after_reading", message))
        earlier = latest.get(name)
        latest[name] = at if earlier is None else max(earlier, at if at is not None else earlier)
    return tuple(Confirmation(name, latest[name]) for name in sorted(latest))
