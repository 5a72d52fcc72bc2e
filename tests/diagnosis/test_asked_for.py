"""What a client needs to do what it is asked for stands in the step itself, or in the refusal."""

from __future__ import annotations

from typing import Any

import pytest

from service.diagnosis.assessment import Reasoner
from service.diagnosis.case import CaseError
from service.ruleset.model import RuleSet

SAFE = ["supply-disconnected", "capacitor-discharged"]


def refused(reasoner: Reasoner, reading: dict[str, Any]) -> str:
    with pytest.raises(CaseError) as caught:
        reasoner.assess({"symptom": "no-heat", "readings": [reading], "confirmed": SAFE})
    ((_, message),) = caught.value.errors
    return message


def test_a_step_has_every_precaution_that_applies_now(reasoner: Reasoner, oven: RuleSet) -> None:
    """A client may show those of the step alone."""
    seen = 0
    for symptom in oven.symptoms:
        for confirmed in ([], SAFE[:1], SAFE):
            answer = reasoner.assess({"symptom": symptom, "confirmed": confirmed})
            step = answer["next_check"]
            if step is not None:
                now = [one for one in answer["precautions"] if one["applies_now"]]
                assert step["precautions"] == now
                seen += 1
    assert seen > 30
    answer = reasoner.assess({"symptom": "runs-with-door-open", "confirmed": SAFE})
    assert "do-not-use" in {one["id"] for one in answer["next_check"]["precautions"]}


def test_a_preparation_is_no_check_and_the_refusal_says_what_it_is(reasoner: Reasoner) -> None:
    message = refused(reasoner, {"check": "capacitor-discharge", "observed": "done"})
    assert "preparation" in message
    assert "'capacitor-discharged'" in message
    assert "confirmed" in message


@pytest.mark.parametrize("shown", ["OL", "ol", "0L", "O.L"])
def test_what_a_meter_shows_as_over_range_is_no_outcome(reasoner: Reasoner, shown: str) -> None:
    check = "transformer-secondary-resistance"
    assert "over_range: true" in refused(reasoner, {"check": check, "observed": shown})
    assert "over_range" not in refused(reasoner, {"check": check, "observed": "broken"})
    assert "over_range" not in refused(reasoner, {"check": "display", "observed": shown})


def test_a_reading_that_lacks_its_conditions_says_so(reasoner: Reasoner, oven: RuleSet) -> None:
    check = oven.checks["leakage-survey"]
    reading = {"check": check.id, "value": 0.2, "unit": "mW/cm2"}
    repair = {"remedy": "replace-transformer", "readings_before": 0}
    case = {"symptom": "no-heat", "repairs": [repair], "readings": [reading], "confirmed": SAFE}
    (found,) = reasoner.assess({**case, "phase": "verify-repair"})["findings"]
    (note,) = [one for one in found["notes"] if "conditions" in one]
    assert all(one.id in note for one in check.conditions)


def test_a_next_check_says_under_which_conditions_it_counts(
    reasoner: Reasoner, oven: RuleSet
) -> None:
    wanted = {one.id for one in oven.checks["leakage-survey"].conditions}
    assert len(wanted) >= 2
    case = {
        "symptom": "no-heat",
        "phase": "verify-repair",
        "repairs": [{"remedy": "replace-transformer", "readings_before": 0}],
        "unavailable": [name for name in oven.checks if name != "leakage-survey"],
    }
    steps = [reasoner.assess({**case, "confirmed": ["cover-fitted"]})["next_check"]]
    steps += [reasoner.assess({"symptom": name})["next_check"] for name in oven.symptoms]
    asked = [step for step in steps if step is not None]
    for step in asked:
        check = oven.checks.get(step["id"])
        told = {one["id"] for one in step["conditions"]}
        assert told == ({one.id for one in check.conditions} if check else set())
    surveys = [step for step in asked if step["id"] == "leakage-survey"]
    assert surveys
    for one in surveys[0]["conditions"]:
        assert (one["quantity"] is None) == bool(one["choices"])
        assert set(one["accepted"]) <= set(one["choices"])
