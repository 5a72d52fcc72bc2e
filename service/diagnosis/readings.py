"""Readings as the request sends them, in SI units and checked against the rule set."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from service.diagnosis.instrument import Instrument
from service.diagnosis.refusals import (
    MAX_MAGNITUDE,
    Errors,
    escaped,
    no_quantity,
    si_quantity,
)
from service.documents import shown
from service.physics.calculations import InputError, evaluate
from service.physics.units import UnitError, from_si, to_si
from service.ruleset.model import Check, Measure, ReadingCondition, RuleSet
from service.ruleset.near import unknown

# How meters show it.
_OVER_RANGE = {"OL", "O.L", "O.L.", "0L", "0.L", "OVER-RANGE", "OVERRANGE", "OVERLOAD"}


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
    stage: int = 0  # repairs made before it
    past: bool = False  # no longer tells what the equipment is like: a repair came between
    unmended: bool = False  # past, but no repair has touched what it was of: it still warns
    uncertainty: float | None = None  # standard, SI; of a value worked out from raw inputs
    violated: tuple[str, ...] = ()  # conditions that did not hold: it is invalid
    unstated: tuple[str, ...] = ()  # conditions of which nothing was said

    def without_value(self) -> Reading:
        """The same without what was read."""
        return Reading(
            self.index,
            self.check,
            None,
            None,
            None,
            self.quantity,
            None,
            False,
            self.stage,
            self.past,
            self.unmended,
            None,
            self.violated,
            self.unstated,
        )


def read_reading(
    rule_set: RuleSet,
    instruments: Mapping[str, Instrument],
    index: int,
    raw: Mapping[str, Any],
    errors: Errors,
) -> Reading | None:
    """The reading of a request, or None and at least one more error."""
    pointer = f"/readings/{index}"
    check = rule_set.checks.get(raw["check"])
    if check is None:
        errors.append((f"{pointer}/check", _no_check(rule_set, raw["check"])))
        return None
    reading = _given(pointer, index, check, instruments, raw, errors)
    if reading is None:
        return None
    violated, unstated = _conditions(pointer, check, raw.get("conditions") or {}, errors)
    if violated or unstated:
        return replace(reading, violated=violated, unstated=unstated)
    return reading


def _no_check(rule_set: RuleSet, name: str) -> str:
    step = rule_set.preparations.get(name)
    if step is None:
        return unknown("check", name, rule_set.checks)
    return f"{name!r} is a preparation: once it is done, put {step.confirms!r} into `confirmed`"


def _conditions(
    pointer: str, check: Check, given: Mapping[str, Any], errors: Errors
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What of a check's conditions was violated, in words, and what was left unsaid."""
    if not given and not check.conditions:
        return (), ()
    known = {one.id: one for one in check.conditions}
    for name in given.keys() - known.keys():
        where = f"{pointer}/conditions/{escaped(name)}"
        if known:
            errors.append((where, unknown(f"condition of {check.id}", name, known, "conditions")))
        else:
            errors.append((where, f"a reading of {check.id} counts under any conditions"))
    violated = []
    for name in sorted(given.keys() & known.keys()):
        told = _violation(f"{pointer}/conditions/{name}", known[name], given[name], errors)
        violated += [told] if told else []
    unstated = tuple(one.id for one in check.conditions if one.id not in given)
    return tuple(violated), unstated


def _violation(pointer: str, condition: ReadingCondition, given: Any, errors: Errors) -> str | None:
    if condition.quantity is None:
        if given not in condition.choices:
            got = shown(given) if isinstance(given, str) else "a quantity"
            errors.append((pointer, f"this must be {' or '.join(condition.choices)}, not {got}"))
            return None
        if given in condition.accept:
            return None
        return f"{condition.title}: {given}, must be {' or '.join(condition.accept)}"
    if not isinstance(given, Mapping):
        errors.append((pointer, no_quantity(given, condition.quantity)))
        return None
    value = si_quantity(pointer, given, condition.quantity, errors)
    if value is None:
        return None
    low = condition.least is not None and value < condition.least
    if not low and (condition.most is None or value <= condition.most):
        return None
    return f"{condition.title}: {given['value']:g} {given['unit']}, must be {span(condition)}"


def span(condition: ReadingCondition) -> str:
    """What a condition asks for, in words and in its own unit."""
    if condition.quantity is None:
        return " or ".join(condition.accept)

    def stated(bound: float) -> str:
        unit = condition.unit or "1"
        return f"{from_si(bound, unit, condition.quantity or ''):.6g} {unit}"

    bounds = (("at least", condition.least), ("at most", condition.most))
    return " and ".join(f"{word} {stated(bound)}" for word, bound in bounds if bound is not None)


def _given(
    pointer: str,
    index: int,
    check: Check,
    instruments: Mapping[str, Instrument],
    raw: Mapping[str, Any],
    errors: Errors,
) -> Reading | None:
    if raw.get("observed") is not None:
        return _observed(pointer, index, check, raw["observed"], errors)
    if raw.get("inputs") is not None:
        return _calculated(pointer, index, check, raw["inputs"], errors)
    if not check.measures:
        message = (
            f"the check {check.id} is an observation: send `observed` as one of {_listed(check)}"
        )
        errors.append((pointer, message))
        return None
    if raw.get("over_range"):
        return _over_range(pointer, index, check, instruments, raw, errors)
    return _measured(pointer, index, check, raw, errors)


def _calculated(
    pointer: str, index: int, check: Check, inputs: Mapping[str, Any], errors: Errors
) -> Reading | None:
    """A reading worked out from what was measured for it, by the check's own calculation."""
    if check.calculation is None:
        message = f"a reading of {check.id} is not worked out from inputs: send the reading itself"
        errors.append((f"{pointer}/inputs", message))
        return None
    try:
        result = evaluate(check.calculation, inputs)
    except InputError as error:
        errors.extend((f"{pointer}/inputs{at}", message) for at, message in error.errors)
        return None
    measure = check.measures[0]
    if result.measured is None:
        errors.append(
            (f"{pointer}/inputs", f"the calculation {check.calculation} gives no reading")
        )
        return None
    value, uncertainty = result.measured
    raw = {"value": from_si(value, measure.unit, measure.quantity), "unit": measure.unit}
    reading = _measured(pointer, index, check, raw, errors)
    return None if reading is None else replace(reading, value=value, uncertainty=uncertainty)


def _listed(check: Check) -> str:
    return ", ".join(check.outcomes)


def _observed(
    pointer: str, index: int, check: Check, outcome: str, errors: Errors
) -> Reading | None:
    if outcome not in check.outcomes:
        short = outcome if len(outcome) <= 60 else outcome[:57] + "..."
        message = f"{short!r} is not an outcome of {check.id}; its outcomes: {_listed(check)}"
        if check.measures and outcome.upper() in _OVER_RANGE:
            message += "; what a meter shows as over range is sent as over_range: true"
        elif check.measures:
            message += "; what a meter shows is sent as value and unit"
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
            errors.append((f"{pointer}/range/value", "this is no range that a meter has"))
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
        message = f"{raw['value']:g} {raw['unit']} is less than any reading of {check.id} can be"
        if measure.quantity == "resistance":
            message += ": zero the meter or discharge the part, then read it again"
        errors.append((f"{pointer}/value", message))
        return None
    if measure.most is not None and value > measure.most:
        message = f"{raw['value']:g} {raw['unit']} is more than any reading of {check.id} can be"
        errors.append((f"{pointer}/value", message))
        return None
    return Reading(index, check.id, None, value, raw["unit"], measure.quantity, None, False)
