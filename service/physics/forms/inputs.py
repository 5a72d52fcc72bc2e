"""Declared inputs of a calculation, and from a JSON document to their values in SI units."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from service.alike import alike
from service.documents import no_number, shown
from service.physics.units import UnitError, UnknownUnit, from_si, quantity_of, to_si
from service.problems import in_order, pointer, refusals

Refusal = tuple[str, str]
"""A JSON Pointer into the document of inputs, and what would be right there."""

MAX_MAGNITUDE = 1e15
"""SI. Nothing on an appliance reads higher (estimate)."""

# A unit in which the highest magnitude is a longer number than this is no unit of anything.
_MAX_IN_UNIT = 1e60
# 212 [degF] is 373.15000000000003 K: a bound must not fail by a rounding of the conversion.
_SLACK = 1e-9


class InputError(ValueError):
    """Inputs that cannot be used. `errors`: (JSON Pointer, message) for all that is wrong."""

    def __init__(self, errors: Iterable[Refusal]) -> None:
        self.errors = tuple(in_order(errors))
        super().__init__("; ".join(f"{at}: {message}" for at, message in self.errors))


@dataclass(frozen=True, slots=True, kw_only=True)
class Input:
    """One input. `rule`: in words, when it is needed or what it excludes, where that depends."""

    name: str
    description: str
    required: bool = False
    rule: str | None = None
    default_source: str | None = None
    bounds_source: str = "estimate"


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantityInput(Input):
    """A value with a UCUM unit; `least`, `most` and `default` are in `unit`.

    Without a `quantity` it shares that of the document: the one named by the input `quantity`, or
    that of the first unit given; bounds are then in SI units. `difference`: 1 Cel is 1 K.
    """

    quantity: str | None
    unit: str | None
    least: float
    most: float
    default: float | None = None
    difference: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberInput(Input):
    """A plain number: a count, a percentage, a factor."""

    least: float
    most: float
    default: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoiceInput(Input):
    """One of a few texts."""

    choices: tuple[str, ...]
    default: str | None = None


@dataclass(frozen=True, slots=True)
class Value:
    """An input as used. `si`: SI units, or the text. `sent`, `unit`: as it stands in the answer."""

    si: float | str
    sent: float | str
    unit: str | None


class Given:
    """The inputs of one document. It remembers which defaults were asked for."""

    def __init__(
        self,
        declared: Mapping[str, Input],
        named: Iterable[str],
        stated: Mapping[str, Value],
        quantity: str | None,
    ) -> None:
        self._declared = declared
        self._named = frozenset(named)
        self._stated = stated
        self._assumed: dict[str, Value] = {}
        self.quantity = quantity or "ratio"
        """The quantity that inputs without one of their own share."""

    def __contains__(self, name: str) -> bool:
        """Whether the document names the input, with an acceptable value or not."""
        return name in self._named

    def stated(self, name: str) -> Value | None:
        """The value that was sent; None if there is none, or no acceptable one."""
        return self._stated.get(name)

    def maybe(self, name: str) -> float | None:
        """The number that was sent, in SI units; None as above."""
        found = self._stated.get(name)
        return None if found is None else float(found.si)

    def number(self, name: str, default: float | None = None) -> float:
        """In SI units: what was sent, or the default: this one (in the declared unit) or that
        of the declaration. Raises KeyError if there is none.
        """
        return float(self._value(name, default).si)

    def text(self, name: str) -> str:
        """What was sent, or the declared default. Raises KeyError if there is none."""
        return str(self._value(name, None).si)

    def used(self) -> list[dict[str, Any]]:
        """Every input that was sent or assumed, in the order of the declaration."""
        rows = []
        for name, one in self._declared.items():
            assumed = name in self._assumed
            value = self._assumed[name] if assumed else self._stated.get(name)
            if value is not None:
                rows.append(
                    {
                        "name": name,
                        "value": value.sent,
                        "unit": value.unit,
                        "default": assumed,
                        "source": one.default_source if assumed else None,
                    }
                )
        return rows

    def _value(self, name: str, default: float | None) -> Value:
        if name in self._stated:
            return self._stated[name]
        declared = self._declared[name]
        assert isinstance(declared, QuantityInput | NumberInput | ChoiceInput)
        chosen = declared.default if default is None else default
        if chosen is None:
            raise KeyError(name)
        if isinstance(declared, QuantityInput) and declared.unit and declared.quantity:
            si: float | str = to_si(float(chosen), declared.unit, declared.quantity)
            self._assumed[name] = Value(si, chosen, declared.unit)
        else:
            self._assumed[name] = Value(chosen, chosen, None)
        return self._assumed[name]


def load(inputs: Iterable[Input], document: Any) -> tuple[Given, list[Refusal]]:
    """The declared inputs in a JSON document, and all that is wrong with it, input by input."""
    declared = {one.name: one for one in inputs}
    if not isinstance(document, Mapping):
        return Given(declared, (), {}, None), [
            ("", f"this must be an object, not {shown(document)}")
        ]
    errors = _unknown_names((), document, declared, "input")
    quantity = _shared_quantity(declared, document)
    stated: dict[str, Value] = {}
    for name, one in declared.items():
        if name in document:
            value = _load(one, document[name], quantity, errors)
            if value is not None:
                stated[name] = value
        elif one.required:
            errors.append((pointer(name), f"this is required: {one.description}"))
    return Given(declared, document, stated, quantity), errors


def difference_of(quantity: str) -> str:
    """The quantity of a difference of two such values."""
    return "temperature-difference" if quantity == "temperature" else quantity


def _load(one: Input, raw: Any, shared: str | None, errors: list[Refusal]) -> Value | None:
    match one:
        case QuantityInput():
            return _quantity(one, raw, shared, errors)
        case NumberInput():
            number = _number((one.name,), raw, errors)
            if number is None:
                return None
            if not one.least <= number <= one.most:
                message = f"this must be from {one.least:g} to {one.most:g}, not {shown(raw)}"
                errors.append((pointer(one.name), message))
                return None
            return Value(number, raw, None)
        case ChoiceInput():
            if isinstance(raw, str) and raw in one.choices:
                return Value(raw, raw, None)
            listed = " or ".join(shown(choice) for choice in one.choices)
            errors.append((pointer(one.name), f"this must be {listed}, not {shown(raw)}"))
    return None


def _quantity(
    one: QuantityInput, raw: Any, shared: str | None, errors: list[Refusal]
) -> Value | None:
    at = one.name
    if not isinstance(raw, Mapping):
        message = f'this must be {{"value": number, "unit": text}}, not {shown(raw)}'
        errors.append((pointer(at), message))
        return None
    errors += _unknown_names((at,), raw, ("value", "unit"), "field")
    for member in ("value", "unit"):
        if member not in raw:
            errors.append((pointer(at, member), f"the {member} is required here"))
    number = _number((at, "value"), raw["value"], errors) if "value" in raw else None
    if "unit" not in raw:
        return None
    unit = raw["unit"]
    try:
        if not isinstance(unit, str):
            raise UnknownUnit(f"this must be text, a UCUM code, not {shown(unit)}")
        quantity = one.quantity or shared or quantity_of(unit)
        quantity = difference_of(quantity) if one.difference else quantity
        to_si(0.0, unit, quantity)
        _require_real(unit, quantity)
    except UnitError as error:
        errors.append((pointer(at, "unit"), str(error)))
        return None
    if number is None:
        return None
    try:
        si = _within(to_si(number, unit, quantity), number, unit, quantity, one)
    except UnitError as error:
        errors.append((pointer(at, "value"), str(error)))
        return None
    return Value(si, raw["value"], unit)


def _require_real(unit: str, quantity: str) -> None:
    """Whatever is worked out must be a number in this unit too."""
    try:
        highest = from_si(MAX_MAGNITUDE, unit, quantity)
    except UnitError:
        highest = math.inf
    if highest > _MAX_IN_UNIT:
        raise UnknownUnit(f"{shown(unit)} has a scale beyond any real unit")


def _within(si: float, sent: float, unit: str, quantity: str, one: QuantityInput) -> float:
    """The value, put on a bound that it meets but for rounding. Raises UnitError outside."""
    if one.unit is None:
        least, most = one.least, one.most
    else:
        least, most = (to_si(bound, one.unit, quantity) for bound in (one.least, one.most))
    close = any(math.isclose(si, bound, rel_tol=_SLACK) for bound in (least, most))
    if not (least <= si <= most or close):
        low, high = (from_si(bound, unit, quantity) for bound in (least, most))
        text = f"this must be from {low:.6g} to {high:.6g} {unit}, not {shown(sent)} {unit}"
        raise UnitError(text)
    return min(max(si, least), most)


def _number(path: tuple[str, ...], raw: Any, errors: list[Refusal]) -> float | None:
    if isinstance(raw, bool) or not isinstance(raw, int | float):
        errors.append((pointer(*path), no_number(raw)))
        return None
    try:
        number = float(raw)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        errors.append((pointer(*path), "this must be a finite number"))
        return None
    return number


def _shared_quantity(declared: Mapping[str, Input], document: Mapping[str, Any]) -> str | None:
    """What inputs without a quantity of their own share; None if nothing readable tells it."""
    named = declared.get("quantity")
    if isinstance(named, ChoiceInput) and document.get("quantity") in named.choices:
        return str(document["quantity"])
    for name, one in declared.items():
        raw = document.get(name)
        if isinstance(one, QuantityInput) and one.quantity is None and isinstance(raw, Mapping):
            try:
                return quantity_of(raw["unit"])
            except (KeyError, UnitError):
                continue
    return None


def _unknown_names(
    path: tuple[str, ...], document: Mapping[str, Any], known: Iterable[str], what: str
) -> list[Refusal]:
    """One refusal for each name that is not known."""
    names = list(known)

    def refusal(name: str) -> Refusal:
        near = alike(name, names)
        hint = f"did you mean {shown(near[0])}?" if near else f"known: {', '.join(names)}"
        return pointer(*path, name), f"unknown {what} {shown(name)}; {hint}"

    return refusals((name for name in document if name not in names), refusal)
