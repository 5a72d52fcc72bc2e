"""A whole visit by the generated client: complaint, checks, repair, proof. Its types are enough.

usage: python visit.py URL TOKEN

The oven: its magnetron's filament is open. In the kitchen that has borrowed it it is too loud to
hear a relay, and nobody has a meter for the diode. Prints as JSON how it went.
"""

import json
import sys
from dataclasses import dataclass, field

from ohmpath_client import AuthenticatedClient
from ohmpath_client.api.assessments import assess_batch, assess_case
from ohmpath_client.models import (
    AssessBatchDetail,
    Assessment,
    AssessmentStatus,
    Batch,
    BatchCase,
    CalculatedReading,
    CalculatedReadingInputs,
    Case,
    CaseNameplate,
    CasePhase,
    Confirmation,
    MeasuredReading,
    MeasuredReadingConditions,
    NextCheck,
    NextCheckKind,
    ObservedReading,
    OverRangeReading,
    Problem,
    Quantity,
    Repair,
)

Reading = ObservedReading | MeasuredReading | OverRangeReading | CalculatedReading
MOST_STEPS = 80


def nameplate() -> CaseNameplate:
    """What the rating plate says."""
    plate = CaseNameplate()
    plate["supply_voltage"] = Quantity(230, "V")
    plate["rated_output"] = Quantity(800, "W")
    plate["high_voltage_supply"] = "transformer"
    return plate


def seen(check: str, outcome: str) -> Reading:
    """What an observation gives."""
    return ObservedReading(check=check, observed=outcome)


def measured(check: str, value: float, unit: str) -> Reading:
    """What a meter shows."""
    return MeasuredReading(check=check, value=value, unit=unit)


def survey() -> Reading:
    """A leakage survey, with the conditions under which it counts."""
    conditions = MeasuredReadingConditions()
    conditions["load_volume"] = Quantity(275, "mL")
    conditions["load_temperature"] = Quantity(20, "Cel")
    conditions["probe_distance"] = Quantity(5, "cm")
    conditions["instrument_calibration"] = "within-12-months"
    return MeasuredReading(check="leakage-survey", value=0.2, unit="mW/cm2", conditions=conditions)


def water_load() -> Reading:
    """The heating power, from what was measured for it."""
    inputs = CalculatedReadingInputs()
    inputs["method"] = "one-litre"
    inputs["start_temperature"] = Quantity(10.2, "Cel")
    inputs["end_temperature"] = Quantity(21.6, "Cel")
    inputs["time"] = Quantity(60, "s")
    inputs["thermometer"] = Quantity(0.2, "K")
    return CalculatedReading(check="water-load-power", inputs=inputs)


HEALTHY: tuple[Reading, ...] = (
    seen("display", "lit"),
    seen("keypad", "responds"),
    seen("lamp", "lit"),
    seen("cooling-fan", "turning"),
    seen("turntable", "turning"),
    seen("door-latch", "seated"),
    seen("reassembly", "complete"),
    seen("interlock-function", "stops"),
    measured("outlet-voltage", 230.4, "V"),
    measured("primary-interlock-switch", 0.2, "Ohm"),
    measured("secondary-interlock-switch", 0.2, "Ohm"),
    measured("monitor-switch-door-open", 0.2, "Ohm"),
    measured("earth-continuity", 0.1, "Ohm"),
    measured("capacitor-resistance", 10.1, "MOhm"),
    OverRangeReading(check="primary-interlock-switch-door-open", over_range=True),
    OverRangeReading(check="secondary-interlock-switch-door-open", over_range=True),
    OverRangeReading(check="monitor-switch", over_range=True),
    OverRangeReading(check="diode-reverse", over_range=True),
    seen("oscillation-indicator", "lit"),
    measured("magnetron-filament-resistance", 0.4, "Ohm"),
    water_load(),
    survey(),
)
FAULTY: tuple[Reading, ...] = (
    seen("oscillation-indicator", "dark"),
    OverRangeReading(check="magnetron-filament-resistance", over_range=True),
)


@dataclass
class Visit:
    """A visit so far. Every request says all of it."""

    client: AuthenticatedClient
    oven: dict[str, Reading]
    phase: CasePhase = CasePhase.DIAGNOSE
    readings: list[Reading] = field(default_factory=list)
    confirmed: list[Confirmation] = field(default_factory=list)
    unavailable: list[str] = field(default_factory=list)
    repairs: list[Repair] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def assess(self) -> Assessment:
        """What the service says to that. Raises RuntimeError for a problem."""
        case = Case(
            equipment="microwave-oven",
            symptom="no-heat",
            nameplate=nameplate(),
            phase=self.phase,
            readings=self.readings,
            confirmed=[*self.confirmed],
            unavailable=self.unavailable,
            repairs=self.repairs,
        )
        answer = assess_case.sync(client=self.client, body=case)
        if not isinstance(answer, Assessment):
            raise RuntimeError(answer.detail if answer else "an answer that is not documented")
        return answer

    def follow(self) -> Assessment:
        """Do what is asked for until nothing is; the last answer."""
        for _ in range(MOST_STEPS):
            answer = self.assess()
            if answer.next_check is None:
                return answer
            self.do(answer.next_check)
        raise RuntimeError("the visit does not end")

    def do(self, step: NextCheck) -> None:
        """Carry out a preparation, or answer a check if this technician can."""
        self.asked.append(step.id)
        if step.kind is NextCheckKind.PREPARATION:
            kept = [one for one in self.confirmed if one.id not in step.withdraws]
            new = [Confirmation(one.id, one.after_reading) for one in step.confirms]
            self.confirmed = kept + new
        elif step.id in self.oven:
            self.readings.append(self.oven[step.id])
        else:
            self.unavailable.append(step.id)


def table(*readings: Reading) -> dict[str, Reading]:
    """What each check would give."""
    return {one.check: one for one in readings}


def refusal(client: AuthenticatedClient) -> dict[str, object]:
    """The problem that a misspelt symptom gives, as a typed error."""
    answer = assess_case.sync_detailed(
        client=client, body=Case(equipment="microwave-oven", symptom="no-heet")
    )
    problem = answer.parsed
    if not isinstance(problem, Problem):
        raise RuntimeError("a misspelt symptom was taken")
    return {
        "status": answer.status_code.value,
        "type": problem.type_,
        "pointers": [one.pointer for one in problem.errors],
    }


def batch(client: AuthenticatedClient) -> list[str]:
    """What becomes of two cases that are sent together, of which one has a misspelt symptom."""
    cases = [BatchCase(equipment="microwave-oven", symptom=one) for one in ("no-heat", "no-heet")]
    answer = assess_batch.sync(client=client, body=cases, detail=AssessBatchDetail.BRIEF)
    if not isinstance(answer, Batch):
        raise RuntimeError(answer.detail if answer else "an answer that is not documented")
    return ["assessed" if one.assessment else "a problem" for one in answer.results]


def main() -> None:
    url, token = sys.argv[1:]
    client = AuthenticatedClient(base_url=url, token=token)
    visit = Visit(client, table(*HEALTHY, *FAULTY))
    found = visit.follow()
    if found.status is not AssessmentStatus.FAULT_FOUND or found.verdict is None:
        raise RuntimeError(f"no fault found: {found.status}")

    remedy = found.verdict.remedy.id
    visit.oven = table(*HEALTHY)
    visit.phase = CasePhase.VERIFY_REPAIR
    visit.repairs.append(Repair(remedy=remedy, readings_before=len(visit.readings)))
    proven = visit.follow()
    if proven.release is None:
        raise RuntimeError("nothing is said of the release")

    course = {
        "asked": visit.asked,
        "unavailable": visit.unavailable,
        "fault": found.verdict.fault,
        "remedy": remedy,
        "status": proven.status.value,
        "released": proven.release.released,
        "refusal": refusal(client),
        "batch": batch(client),
    }
    print(json.dumps(course))


if __name__ == "__main__":
    main()
