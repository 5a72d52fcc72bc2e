"""UCUM unit codes into SI and back, by named quantity.

Errors:

    UnitError(ValueError)     not a finite number, or a result that is none
    ├── UnknownQuantity       the service has no quantity of that name
    ├── UnknownUnit           not a UCUM code, or one without a linear scale
    └── WrongDimension        a UCUM code of some other quantity

pint does the algebra on exact fractions, so a scale is rounded once and 1 MOhm is 1e6 Ohm to the
last bit. Codes are case sensitive, as UCUM has them: `mOhm` and `MOhm` are nine decades apart.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from numbers import Rational
from pathlib import Path
from threading import Lock
from types import MappingProxyType
from typing import Any

import pint
import ucumvert

from service.alike import alike

MAX_UNIT_LENGTH = 32

# Quantity -> UCUM codes to show as examples. The first is the SI unit of the quantity.
QUANTITIES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "resistance": ("Ohm", "mOhm", "kOhm", "MOhm"),
        "voltage": ("V", "mV", "kV"),
        "current": ("A", "mA", "uA"),
        "capacitance": ("F", "uF", "nF", "pF"),
        "temperature": ("K", "Cel", "[degF]"),
        "temperature-difference": ("K", "Cel", "[degF]"),
        "power": ("W", "mW", "kW"),
        "power-density": ("W/m2", "mW/cm2"),
        "inductance": ("H", "mH", "uH"),
        "mass": ("kg", "g", "[lb_av]", "[oz_av]"),
        "time": ("s", "ms", "min", "h"),
        "frequency": ("Hz", "kHz", "MHz", "GHz"),
        "charge": ("C", "mC", "uC"),
        "energy": ("J", "mJ", "kJ", "W.h"),
        "length": ("m", "cm", "mm", "[in_i]"),
        "volume": ("m3", "L", "mL"),
        "ratio": ("1", "%"),
    }
)

# Differences have no zero point: 10 Cel warmer is 10 K warmer.
_WITHOUT_OFFSET = frozenset({"temperature-difference"})

# What people type where UCUM wants ASCII; used for suggestions only, never to convert.
_TYPED = (
    ("\N{OHM SIGN}", "Ohm"),
    ("\N{GREEK CAPITAL LETTER OMEGA}", "Ohm"),
    ("\N{MICRO SIGN}", "u"),
    ("\N{GREEK SMALL LETTER MU}", "u"),
    ("\N{SUPERSCRIPT TWO}", "2"),
    ("\N{SUPERSCRIPT THREE}", "3"),
    ("\N{DEGREE SIGN}C", "Cel"),
    ("\N{DEGREE SIGN}F", "[degF]"),
    ("\N{DEGREE CELSIUS}", "Cel"),
    ("degC", "Cel"),
    ("\N{DEGREE FAHRENHEIT}", "[degF]"),
    ("^", ""),
)

# 10*999999999 is good UCUM, and a number that no machine can write out.
_LONG_NUMBER = re.compile(r"[0-9]{4}")

# Neither pint nor the parser promises to be safe under threads.
_LOCK = Lock()


class UnitError(ValueError):
    """A value with a unit cannot be converted. The message is for the one who sent it."""


# The family name carries the "Error"; the members say what is wrong.
class UnknownQuantity(UnitError):  # noqa: N818
    """No quantity of that name."""


class UnknownUnit(UnitError):  # noqa: N818
    """Not a UCUM code that can be converted."""


class WrongDimension(UnitError):  # noqa: N818
    """A UCUM code, but of another quantity than the one expected."""


@dataclass(frozen=True, slots=True)
class _Scale:
    """SI value = value * multiply / divide + offset."""

    multiply: float
    divide: float
    offset: float


@dataclass(frozen=True, slots=True)
class _Unit:
    """A unit in SI base units, exact, with its dimension as sorted (base, exponent) pairs."""

    factor: Fraction
    offset: Fraction
    dimension: tuple[tuple[str, Fraction], ...]


def to_si(value: float, unit: str, quantity: str) -> float:
    """`value` of the UCUM code `unit` in the SI unit of `quantity`.

    Raises UnknownQuantity, UnknownUnit, WrongDimension, or UnitError where the value or the result
    is not a finite number; nothing else, whatever the text.
    """
    scale = _scale(unit, quantity)
    _require_number(value, unit)
    return _finite(value * scale.multiply / scale.divide + scale.offset, value, unit)


def from_si(value: float, unit: str, quantity: str) -> float:
    """`value` in the SI unit of `quantity` as a number of the UCUM code `unit`.

    Raises as `to_si` does.
    """
    scale = _scale(unit, quantity)
    _require_number(value, unit)
    return _finite((value - scale.offset) * scale.divide / scale.multiply, value, unit)


def accepted_units(quantity: str) -> tuple[str, ...]:
    """Examples of UCUM codes for `quantity`, SI first. Every other code of its dimension will do.

    Raises UnknownQuantity.
    """
    try:
        return QUANTITIES[quantity]
    except KeyError:
        near = alike(quantity, QUANTITIES)
        hint = f"; did you mean {near[0]}?" if near else f"; known: {', '.join(QUANTITIES)}"
        raise UnknownQuantity(f"{_shown(quantity)} is not a known quantity{hint}") from None


def quantity_of(unit: str) -> str:
    """The quantity whose units have the dimension of the UCUM code `unit`; of two, the first.

    So Cel is of "temperature"; that a difference is meant, the unit does not say. Raises
    UnknownUnit if it is no code, or one of no known quantity.
    """
    for quantity in QUANTITIES:
        try:
            _scale(unit, quantity)
        except WrongDimension:
            continue
        except UnknownUnit:
            short = isinstance(unit, str) and len(unit) <= MAX_UNIT_LENGTH
            near = _near(unit) if short else []
            hint = f"did you mean {' or '.join(near)}?" if near else "codes are such as V, Ohm or g"
            raise UnknownUnit(f"{_shown(str(unit))} is not a UCUM unit code; {hint}") from None
        return quantity
    raise UnknownUnit(
        f"{_shown(unit)} is a unit of no known quantity; known: {', '.join(QUANTITIES)}"
    )


def si_unit(quantity: str) -> str:
    """The UCUM code of the SI unit that `to_si` gives for `quantity`. Raises UnknownQuantity."""
    return accepted_units(quantity)[0]


def _require_number(value: float, unit: str) -> None:
    try:
        finite = math.isfinite(value)
    except (TypeError, OverflowError):  # text, nothing, or a whole number of 309 digits
        raise UnitError(f"the value in {unit} is not a finite number") from None
    if not finite:
        raise UnitError(f"{value!r} {unit} is not a finite number")


def _finite(result: float, value: float, unit: str) -> float:
    if not math.isfinite(result):
        raise UnitError(f"{value!r} {unit} is too large to convert")
    return result


def _scale(unit: str, quantity: str) -> _Scale:
    if isinstance(unit, str) and len(unit) <= MAX_UNIT_LENGTH:
        return _cached_scale(unit, quantity)
    such_as = _such_as(quantity)
    if not isinstance(unit, str):
        raise UnknownUnit(f"a unit is text: use {such_as}")
    raise UnknownUnit(f"a unit has at most {MAX_UNIT_LENGTH} characters: use {such_as}")


@lru_cache(maxsize=1024)
def _cached_scale(unit: str, quantity: str) -> _Scale:
    wanted = _unit(si_unit(quantity), quantity)
    found = _unit(unit, quantity)
    if found.dimension != wanted.dimension:
        raise WrongDimension(
            f"{_shown(unit)} is a unit of {_name(found)}, not of {quantity}: "
            f"use {_such_as(quantity)}"
        )
    offset = Fraction(0) if quantity in _WITHOUT_OFFSET else found.offset
    multiply, divide = found.factor.numerator, found.factor.denominator
    if max(multiply, divide) <= 2**53:
        return _Scale(float(multiply), float(divide), float(offset))
    return _Scale(_rounded(found.factor, unit), 1.0, float(offset))


def _rounded(factor: Fraction, unit: str) -> float:
    try:
        rounded = float(factor)
    except OverflowError:
        rounded = math.inf
    if not (math.isfinite(rounded) and rounded > 0.0):
        raise UnknownUnit(f"{_shown(unit)} has a scale beyond any real unit")
    return rounded


@lru_cache(maxsize=1024)
def _unit(unit: str, quantity: str) -> _Unit:
    """The unit by its code; `quantity` is only for the message."""
    if _LONG_NUMBER.search(unit):
        raise UnknownUnit(f"{_shown(unit)} has a number of more than 3 digits in it")
    if not unit.isascii():
        raise _unknown(unit, quantity)
    try:
        with _LOCK:
            return _exact(*_parsed(unit))
    # The grammar, pint and its number type each have errors of their own for text that is no
    # unit, and the answer to all of them is the same.
    except Exception as error:
        raise _unknown(unit, quantity) from error


def _exact(base: Callable[[int], Any], dimension: Mapping[str, Any]) -> _Unit:
    zero, one = base(0), base(1)
    # pint has logarithmic scales too, and those come back as floats where they come back at all.
    if not (isinstance(zero, Rational) and isinstance(one, Rational)):
        raise TypeError("not on a linear scale")
    powers = tuple(sorted((name, Fraction(power)) for name, power in dimension.items()))
    return _Unit(Fraction(one) - Fraction(zero), Fraction(zero), powers)


def _parsed(unit: str) -> tuple[Callable[[int], Any], Mapping[str, Any]]:
    """A function from a number of units to SI base units, and the unit's dimension."""
    registry, parse, transform = _library()
    parsed = transform(parse(unit))
    if not isinstance(parsed, registry.Quantity):  # UCUM: an annotation alone stands for 1
        parsed = registry.Quantity(1)
    # "/h" has a float in it: Python divides, and 1 / 1 is 1.0.
    magnitude, units = Fraction(parsed.magnitude), parsed.units

    def base(number: int) -> Any:
        return registry.Quantity(number * magnitude, units).to_base_units().magnitude

    return base, parsed.dimensionality


@lru_cache(maxsize=1)
def _library() -> tuple[Any, Callable[[str], Any], Callable[[Any], Any]]:
    """The pint registry with UCUM's units, the UCUM parser, and the step between them.

    A registry of our own: the one that ucumvert makes changes the whole process's.
    """
    registry: Any = pint.UnitRegistry(non_int_type=Fraction)
    registry.load_definitions(Path(ucumvert.__file__).with_name("pint_ucum_defs.txt"))
    parser = ucumvert.get_ucum_parser()
    return registry, parser.parse, ucumvert.UcumToPintTransformer(ureg=registry).transform


def _name(unit: _Unit) -> str:
    for quantity in QUANTITIES:
        if _unit(si_unit(quantity), quantity).dimension == unit.dimension:
            return quantity
    return ".".join(f"{name.strip('[]')}{power}" for name, power in unit.dimension)


def _unknown(unit: str, quantity: str) -> UnknownUnit:
    near = _near(unit)
    hint = f"did you mean {' or '.join(near)}?" if near else f"use {_such_as(quantity)}"
    return UnknownUnit(f"{_shown(unit)} is not a UCUM unit code; {hint}")


def _near(unit: str) -> list[str]:
    """UCUM codes that the text may stand for, nearest first. Never one alone out of m and M."""
    typed = unit.strip()
    for character, ascii_form in _TYPED:
        typed = typed.replace(character, ascii_form)
    codes = list(dict.fromkeys(code for codes in QUANTITIES.values() for code in codes))
    if typed in codes:
        return [typed]
    same = [code for code in codes if code.strip("[]").casefold() == typed.casefold()]
    return alike(typed, same or codes, n=3, cutoff=0.0 if same else 0.7)


def _such_as(quantity: str) -> str:
    *most, last = accepted_units(quantity)
    return f"{', '.join(most)} or {last}"


def _shown(text: str) -> str:
    """Foreign text in quotes, what cannot be printed escaped, cut short."""
    shown = repr(text[: 2 * MAX_UNIT_LENGTH])
    return shown if len(shown) <= 2 * MAX_UNIT_LENGTH else f"{shown[: 2 * MAX_UNIT_LENGTH]}..."
