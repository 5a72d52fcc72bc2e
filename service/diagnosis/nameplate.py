"""The nameplate as used: what was stated, what a reading tells, what is assumed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from service.diagnosis.readings import Reading
from service.diagnosis.refusals import Errors, escaped, no_quantity, si_quantity
from service.documents import shown
from service.frozen import Frozen
from service.physics.units import si_unit
from service.ruleset.header import NameplateField
from service.ruleset.model import RuleSet
from service.ruleset.near import unknown


@dataclass(frozen=True, slots=True)
class NameplateValue:
    """A nameplate entry as used: stated, deduced from a reading, or assumed."""

    value: float | str
    uncertainty: float  # standard uncertainty, SI; 0 when stated
    origin: str  # "stated" | "deduced" | "assumed"
    others: tuple[float, ...] = ()  # what a deduced one may be just as well, SI


def read_nameplate(
    rule_set: RuleSet,
    raw: Mapping[str, Any],
    readings: tuple[Reading, ...],
    errors: Errors,
) -> Frozen[str, NameplateValue]:
    """Every field of the rule set's nameplate, whether stated or not."""
    for name in raw:
        if name not in rule_set.nameplate:
            message = unknown("nameplate field", name, rule_set.nameplate)
            errors.append((f"/nameplate/{escaped(name)}", message))
    assumed = assumed_nameplate(rule_set)
    known: dict[str, NameplateValue] = {}
    for name, field in rule_set.nameplate.items():
        if raw.get(name) is not None:
            known[name] = NameplateValue(_stated(field, raw[name], errors), 0.0, "stated")
        elif field.deduce_from and (deduced := _deduced(field, readings)) is not None:
            known[name] = deduced
    return Frozen({**assumed, **known}) if known else assumed


@lru_cache(maxsize=16)
def assumed_nameplate(rule_set: RuleSet) -> Frozen[str, NameplateValue]:
    """What a rule set assumes of a nameplate of which nothing is said."""
    return Frozen(
        {
            name: NameplateValue(field.default, field.default_uncertainty, "assumed")
            for name, field in rule_set.nameplate.items()
        }
    )


def _stated(field: NameplateField, given: Any, errors: Errors) -> float | str:
    pointer = f"/nameplate/{field.id}"
    if field.quantity is None:
        if given not in field.choices:
            got = shown(given) if isinstance(given, str) else "a quantity"
            errors.append((pointer, f"this must be {' or '.join(field.choices)}, not {got}"))
        return given if isinstance(given, str) else field.default
    if not isinstance(given, Mapping):
        errors.append((pointer, no_quantity(given, field.quantity)))
        return field.default
    value = si_quantity(pointer, given, field.quantity, errors)
    if value is None:
        return field.default
    low = field.least is not None and value < field.least
    if low or (field.most is not None and value > field.most):
        message = f"{given['value']:g} {given['unit']} is outside what this rule set covers"
        errors.append((f"{pointer}/value", f"{message} ({_span(field, field.quantity)})"))
    return value


def _span(field: NameplateField, quantity: str) -> str:
    bounds, unit = (("at least", field.least), ("at most", field.most)), si_unit(quantity)
    return ", ".join(f"{word} {bound:g} {unit}" for word, bound in bounds if bound is not None)


def _deduced(field: NameplateField, readings: tuple[Reading, ...]) -> NameplateValue | None:
    """The nominals that a reading may be of, the nearest first.

    One reading does not tell a low nominal from a higher one that sags: it may be of each of them,
    so that what it is judged by does not follow from itself.
    """
    latest = {reading.check: reading.value for reading in readings}
    least, most = field.deviation
    for check in field.deduce_from:
        seen = latest.get(check)
        if seen is None:
            continue
        near = [one for one in field.nominals if least * one <= seen <= most * one]
        if near:
            nearest, *others = sorted(near, key=lambda nominal: abs(nominal - seen))
            return NameplateValue(nearest, 0.0, "deduced", tuple(others))
    return None
