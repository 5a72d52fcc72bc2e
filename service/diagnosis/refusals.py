"""Words and pointers for what a case holds and a rule set cannot take."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.documents import shown
from service.physics.units import UnitError, accepted_units, to_si

MAX_MAGNITUDE = 1e15  # SI; nothing on an appliance reads higher

Errors = list[tuple[str, str]]  # (JSON Pointer, message)


def si_quantity(
    pointer: str, raw: Mapping[str, Any], quantity: str, errors: Errors
) -> float | None:
    """A `{value, unit}` in SI units; None, and one more error, if it is not acceptable."""
    try:
        value = to_si(raw["value"], raw["unit"], quantity)
    except UnitError as error:
        errors.append((f"{pointer}/unit", str(error)))
        return None
    if abs(value) > MAX_MAGNITUDE:
        errors.append((f"{pointer}/value", f"{raw['value']} {raw['unit']} is not a real reading"))
        return None
    return value


def no_quantity(given: Any, quantity: str) -> str:
    """What to say of something that is no `{value, unit}` where one should be."""
    units = " or ".join(accepted_units(quantity))
    return f'this must be {{"value": number, "unit": {units}}}, not {shown(given)}'


def escaped(part: str) -> str:
    """A JSON Pointer reference token (RFC 6901 section 3)."""
    return part.replace("~", "~0").replace("/", "~1")
