"""Words and pointers for what a case holds and a rule set cannot take."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from typing import Any

from service.physics.units import UnitError, to_si

MAX_MAGNITUDE = 1e15  # SI; nothing on an appliance reads higher

Errors = list[tuple[str, str]]  # (JSON Pointer, message)


def unknown(what: str, got: str, known: Iterable[str], plural: str | None = None) -> str:
    """A message for an unknown id: what was got, a near miss if there is one, or the choices."""
    names = sorted(known)
    shown = got if len(got) <= 60 else got[:57] + "..."
    near = get_close_matches(got[:60], names, n=1)
    if near:
        return f"unknown {what} {shown!r}; did you mean {near[0]!r}?"
    listed = ", ".join(names) if len(names) <= 16 else ", ".join(names[:16]) + ", ..."
    return f"unknown {what} {shown!r}; known {plural or what + 's'}: {listed}"


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


def escaped(part: str) -> str:
    """A JSON Pointer reference token (RFC 6901 section 3)."""
    return part.replace("~", "~0").replace("/", "~1")
