"""How a capacitor is discharged: with what, how it is proven, and never with a screwdriver."""

from __future__ import annotations

import re
from typing import Any

import pytest

from service.diagnosis.assessment import Reasoner, reasoner
from service.ruleset.catalogue import Catalogue
from tests.diagnosis.documents import reading
from tests.visits.confirm import confirm

DISCHARGES = {"microwave-oven": "capacitor-discharge", "tumble-dryer": "run-capacitor-discharge"}


def _step(engine: Reasoner, symptom: str, wanted: str, **more: Any) -> dict[str, Any] | None:
    """The preparation as it is asked for on the way to a verdict, if it is."""
    case: dict[str, Any] = {"symptom": symptom, "readings": [], "confirmed": [], **more}
    for _ in range(60):
        step = engine.assess(case)["next_check"]
        if step is None:
            return None
        if step["id"] == wanted:
            return dict(step)
        if step["kind"] == "preparation":
            case["confirmed"] = confirm(case["confirmed"], step)
        else:
            taken = reading(f"{step['id']}={engine.rule_set.checks[step['id']].expected[0]}")
            case["readings"] = [*case["readings"], taken]
    raise AssertionError("no end of questions")


def _steps(catalogue: Catalogue, equipment: str) -> list[dict[str, Any]]:
    engine = reasoner(catalogue, equipment)
    found = [_step(engine, one, DISCHARGES[equipment]) for one in engine.rule_set.symptoms]
    return [one for one in found if one is not None]


@pytest.mark.parametrize("equipment", DISCHARGES)
def test_the_step_states_the_tool_and_proves_it_before_and_after(
    catalogue: Catalogue, equipment: str
) -> None:
    steps = _steps(catalogue, equipment)
    assert steps
    for step in steps:
        text = " ".join(step["how"])
        assert "{" not in text
        for figure in (r"[\d.]+ [kM]Ω", r"[\d.]+ W or more", r"insulated for [\d.]+ kV"):
            assert re.search(figure, text), figure
        for figure in (r"\d+ mA", r"\d+ W", r"under 42 V after [\d.]+ s"):
            assert re.search(figure, text), figure
        assert text.count("known source") >= 1
        first, last = text.index("measure" if equipment == "tumble-dryer" else "Measure"), None
        bridging = text.index("through the tool")
        last = text.rindex("measure")
        assert first < bridging < last, "the tool is measured before and after"
        assert {"discharge-tool", "known-source", "multimeter"} <= set(step["tools"])
        assert text.index("meter", bridging) > bridging
        assert "no voltage is left" in text or "under 5 V" in text


@pytest.mark.parametrize("equipment", DISCHARGES)
def test_a_screwdriver_discharges_nothing(catalogue: Catalogue, equipment: str) -> None:
    engine = reasoner(catalogue, equipment)
    for step in _steps(catalogue, equipment):
        assert not [one for one in step["tools"] if "screwdriver" in one]
        (against,) = [one for one in step["how"] if "screwdriver" in one]
        assert against.startswith("Never")
    users = set()
    for symptom in engine.rule_set.symptoms:
        brought = engine.assess({"symptom": symptom, "readings": []})["bring"]["tools"]
        for tool in brought:
            if "screwdriver" in tool["id"]:
                assert not [one for one in tool["used_for"] if "discharge" in one]
                users |= set(tool["used_for"])
    assert users, "the cover still comes off"


def test_the_figures_follow_the_nameplate(catalogue: Catalogue) -> None:
    """By hand: 1.2 µF at 2,970 V and 68 kΩ: 44 mA, 130 W, 5.3 J, 0.35 s."""
    engine = reasoner(catalogue, "microwave-oven")
    plate = {"capacitor_capacitance": {"value": 1.2, "unit": "uF"}}
    step = _step(engine, "loud-hum", "capacitor-discharge", nameplate=plate)
    assert step is not None
    text = " ".join(step["how"])
    assert "a resistor of 68 kΩ, for 10 W or more, and is insulated for 10 kV" in text
    assert "44 mA flow, 130 W; it is under 42 V after 0.4 s" in text
