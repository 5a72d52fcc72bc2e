"""Each expectation of an own case, met and not met: it can fail, and says how."""

from __future__ import annotations

import json
from typing import Any

import pytest

from service.ruleset.shape import SCHEMAS
from service.trials.expectations import unmet

FOUND: dict[str, Any] = {
    "status": "fault-found",
    "verdict": {"fault": "diode-open", "confidence": 0.95, "also_found": [{"fault": "fan-dirty"}]},
    "next_check": None,
    "hypotheses": [
        {"fault": "diode-open", "probability": 0.9},
        {"fault": "diode-shorted", "probability": 0.1},
    ],
    "findings": [
        {"check": "diode", "outcome": "open", "superseded": False},
        {"check": "diode", "outcome": "shorted", "superseded": True},
    ],
    "precautions": [{"id": "gloves"}],
    "conflicts": [],
    "reasons": [{"code": "may-be-a-slip"}],
    "bring": {"parts": [{"id": "diode"}]},
}
NEXT: dict[str, Any] = {
    **FOUND,
    "status": "check-next",
    "verdict": None,
    "next_check": {"id": "display"},
    "conflicts": [{}],
}
# What is expected, of which assessment, and what is said if it is not met.
EXPECTED: list[tuple[str, Any, dict[str, Any], str | None]] = [
    ("status", "fault-found", FOUND, None),
    ("status", ["stop-work", "fault-found"], FOUND, None),
    ("status", "stop-work", FOUND, "status fault-found, not stop-work"),
    ("fault", "diode-open", FOUND, None),
    ("fault", "diode-shorted", FOUND, "verdict diode-open, not diode-shorted"),
    ("fault", "diode-open", NEXT, "verdict None, not diode-open"),
    ("most_probable", ["diode-open", "x"], FOUND, None),
    ("most_probable", "diode-shorted", FOUND, "leading diode-open, diode-shorted, not"),
    ("least_confidence", 0.95, FOUND, None),
    ("least_confidence", 0.96, FOUND, "confidence 0.95, under 0.96"),
    ("least_confidence", 0.1, NEXT, "confidence 0.0, under 0.1"),
    ("no_verdict", False, FOUND, None),
    ("no_verdict", True, FOUND, "verdict diode-open"),
    ("no_verdict", False, NEXT, "verdict None"),
    ("also_found", ["fan-dirty"], FOUND, None),
    ("also_found", [], FOUND, "also found ['fan-dirty'], not none"),
    ("also_found", [], NEXT, "also found None, not none"),
    ("next_check", "display", NEXT, None),
    ("next_check", ["lamp", "fan"], NEXT, "next display, not lamp or fan"),
    ("next_check", "display", FOUND, "next None, not display"),
    ("not_next_check", ["lamp"], NEXT, None),
    ("not_next_check", ["lamp", "display"], NEXT, "next display, which is wrong here"),
    ("conflicts", False, FOUND, None),
    ("conflicts", True, FOUND, "0 conflicts, not some"),
    ("conflicts", False, NEXT, "1 conflicts, not none"),
    ("outcomes", {"diode": "open"}, FOUND, None),
    ("outcomes", {"diode": "shorted"}, FOUND, "diode: open, not shorted"),
    ("outcomes", {"fan": "turning"}, FOUND, "fan: None, not turning"),
    ("improbable", {"diode-shorted": 0.1}, FOUND, None),
    ("improbable", {"diode-shorted": 0.05}, FOUND, "diode-shorted 0.1, over 0.05"),
    ("improbable", {"diode-bent": 0.5}, FOUND, "no fault diode-bent"),
    ("precautions", ["gloves"], FOUND, None),
    ("precautions", ["gloves", "hat"], FOUND, "precautions lack hat"),
    ("reasons", ["may-be-a-slip"], FOUND, None),
    ("reasons", ["x"], FOUND, "reasons lack x"),
    ("bring", ["diode"], FOUND, None),
    ("bring", ["fan"], FOUND, "bring lack fan"),
    ("colour", "red", FOUND, "unknown expectation colour"),
]


@pytest.mark.parametrize(("key", "wanted", "got", "says"), EXPECTED)
def test_an_expectation(key: str, wanted: Any, got: dict[str, Any], says: str | None) -> None:
    found = unmet({key: wanted}, got)
    if says is None:
        assert found == []
    else:
        (text,) = found
        assert text.startswith(says)


def test_every_expectation_that_may_be_written_is_tested() -> None:
    schema = json.loads((SCHEMAS / "cases.json").read_text(encoding="utf-8"))
    case = schema["properties"]["cases"]["items"]["properties"]
    assert set(case["expect"]["properties"]) == {key for key, *_ in EXPECTED} - {"colour"}
