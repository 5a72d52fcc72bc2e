"""Whether an assessment gives what a rule set's own case expects of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

Assessment = Mapping[str, Any]


def is_own_case(case: Any) -> bool:
    """Whether a case is written as a rule set's own are: what is given, and what is expected."""
    return isinstance(case, dict) and ("given" in case or "expect" in case)


def unmet(expect: Mapping[str, Any], got: Assessment) -> list[str]:
    """Every expectation that the assessment does not meet, in words.

    expect: as the schema `cases.json` has it; a list stands for alternatives.
    """
    return [text for key, wanted in expect.items() for text in _unmet(key, wanted, got)]


def _unmet(key: str, wanted: Any, got: Assessment) -> Iterator[str]:
    verdict, following = got["verdict"], got["next_check"]
    leading = [row["fault"] for row in got["hypotheses"][:4]]
    match key:
        case "status":
            if got["status"] not in _many(wanted):
                yield f"status {got['status']}, not {_said(wanted)}"
        case "fault":
            found = verdict and verdict["fault"]
            if found not in _many(wanted):
                yield f"verdict {found}, not {_said(wanted)}; leading {', '.join(leading)}"
        case "most_probable":
            if leading[0] not in _many(wanted):
                yield f"leading {', '.join(leading)}, not {_said(wanted)}"
        case "least_confidence":
            found = verdict["confidence"] if verdict else 0.0
            if found < wanted:
                yield f"confidence {found}, under {wanted}"
        case "no_verdict":
            if (verdict is None) != wanted:
                yield f"verdict {verdict and verdict['fault']}"
        case "also_found":
            also = sorted(one["fault"] for one in verdict["also_found"]) if verdict else None
            if also != sorted(wanted):
                yield f"also found {also}, not {_said(wanted)}"
        case "next_check":
            found = following and following["id"]
            if found not in _many(wanted):
                yield f"next {found}, not {_said(wanted)}"
        case "not_next_check":
            found = following and following["id"]
            if found in wanted:
                yield f"next {found}, which is wrong here"
        case "conflicts":
            if bool(got["conflicts"]) != wanted:
                yield f"{len(got['conflicts'])} conflicts, not {'some' if wanted else 'none'}"
        case "outcomes":
            yield from _outcomes(wanted, got)
        case "improbable":
            found = {row["fault"]: row["probability"] for row in got["hypotheses"]}
            for name, most in wanted.items():
                if name not in found:
                    yield f"no fault {name}"
                elif found[name] > most:
                    yield f"{name} {found[name]}, over {most}"
        case _:
            yield from _lacking(key, wanted, got)


def _outcomes(wanted: Mapping[str, str], got: Assessment) -> Iterator[str]:
    found = {one["check"]: one["outcome"] for one in got["findings"] if not one["superseded"]}
    for name, outcome in wanted.items():
        if found.get(name) != outcome:
            yield f"{name}: {found.get(name)}, not {outcome}"


def _lacking(key: str, wanted: Any, got: Assessment) -> Iterator[str]:
    """What must be there among other things, and is not."""
    match key:
        case "precautions":
            found = {one["id"] for one in got["precautions"]}
        case "reasons":
            found = {one["code"] for one in got["reasons"]}
        case "bring":
            found = {one["id"] for one in got["bring"]["parts"]}
        case _:
            yield f"unknown expectation {key}"
            return
    if lacking := sorted(set(wanted) - found):
        yield f"{key} lack {', '.join(lacking)}"


def _many(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [value]


def _said(value: Any) -> str:
    return " or ".join(str(one) for one in _many(value)) or "none"
