"""What a case was expected to give, and whether it did."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.alike import alike
from service.documents import shown
from service.problems import invalid_request, pointer, refusals

KEYS = ("status", "fault", "component", "next_check")
_MOST = 50  # alternatives of one expectation
_LENGTH = 100

Wanted = tuple[str | None, ...]


@dataclass(frozen=True, slots=True)
class Compared:
    """One expectation beside what was found. None stands for no verdict, or no next check."""

    key: str
    wanted: Wanted
    found: str | None

    @property
    def agrees(self) -> bool:
        return self.found in self.wanted


def read_expected(raw: Any) -> Mapping[str, Wanted]:
    """The expectations of a case, each as its alternatives.

    Raises:
        Problem: invalid-request, with all that is wrong.
    """
    if not isinstance(raw, dict):
        raise invalid_request([("/expected", f"this must be an object, not {shown(raw)}")])
    errors = refusals((key for key in raw if key not in KEYS), _unknown)
    out: dict[str, Wanted] = {}
    for key, value in raw.items():
        if key not in KEYS:
            continue
        at = pointer("expected", key)
        many = value if isinstance(value, list) else [value]
        if not many or len(many) > _MOST:
            errors.append((at, f"this must have 1 to {_MOST} alternatives, not {len(many)}"))
        wrong = [one for one in many if not _is_name(one)]
        errors += [
            (at, f"this must be an id, null or a list of them, not {shown(w)}") for w in wrong
        ]
        out[key] = tuple(many)
    if errors:
        raise invalid_request(errors)
    return out


def _unknown(key: str) -> tuple[str, str]:
    near = alike(key, KEYS)
    known = f"did you mean {shown(near[0])}?" if near else f"known are {', '.join(KEYS)}"
    return pointer("expected", key), f"unknown expectation {shown(key)}; {known}"


def _is_name(value: Any) -> bool:
    return value is None or (isinstance(value, str) and 0 < len(value) <= _LENGTH)


def compare(wanted: Mapping[str, Wanted], assessment: Mapping[str, Any]) -> tuple[Compared, ...]:
    """Each expectation beside what the assessment says.

    Raises:
        Problem: invalid-request, for a fault that the rule set does not have: a slip of the pen in
            an expectation would otherwise look like a wrong diagnosis for ever.
    """
    if not wanted:
        return ()
    known = {row["fault"]: row["component"] for row in assessment["hypotheses"]}
    pools = {"fault": set(known), "component": {one for one in known.values() if one is not None}}
    unknown = [
        (key, one, pool)
        for key, pool in pools.items()
        for one in wanted.get(key, ())
        if one is not None and one not in pool
    ]
    errors = refusals(unknown, _unknown_name)
    if errors:
        raise invalid_request(errors)
    verdict, following = assessment["verdict"], assessment["next_check"]
    found = {
        "status": assessment["status"],
        "fault": verdict and verdict["fault"],
        "component": verdict and verdict["component"],
        "next_check": following and following["id"],
    }
    return tuple(Compared(key, names, found[key]) for key, names in wanted.items())


def _unknown_name(one: tuple[str, str, set[str]]) -> tuple[str, str]:
    key, name, pool = one
    near = alike(name, sorted(pool))
    hint = f"; did you mean {shown(near[0])}?" if near else ""
    return pointer("expected", key), f"the rule set has no {key} {shown(name)}{hint}"
