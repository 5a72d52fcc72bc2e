"""A whole visit: complaint, checks, repair, proof; the service asks, the virtual oven answers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.random import Generator

from service.diagnosis.assessment import Reasoner
from tests.visits.population import Visit, draw_visit
from tests.visits.remedies import CURES
from tests.visits.safety import ACCESS, BEHIND, HIGH_VOLTAGE, OUTSIDE, unsafe_finding
from tests.visits.technician import Technician, draw_technician

# Nobody goes on for longer than this.
MOST_STEPS = 120
MOST_REPAIRS = 3

RIGHT, UNRESOLVED, WRONG = "right", "unresolved", "wrong"
SURVEY = {
    "load_volume": {"value": 275, "unit": "mL"},
    "load_temperature": {"value": 20, "unit": "Cel"},
    "probe_distance": {"value": 5, "unit": "cm"},
    "instrument_calibration": "within-12-months",
}


@dataclass
class Course:
    """How a visit went."""

    symptom: str
    kind: str
    faults: tuple[str, ...]
    result: str = UNRESOLVED
    status: str = ""
    verdicts: list[tuple[str, float, bool]] = field(default_factory=list)
    # (remedy, confidence, whether it cures a fault that was there)
    checks: int = 0
    minutes: float = 0.0  # of checks and preparations before the last verdict
    unsafe: list[str] = field(default_factory=list)
    released: bool | None = None  # None: not asked
    cured: bool = False


def visit_of(seed: int, symptom: str | None = None) -> tuple[Visit, Technician, Generator]:
    """The visit of a seed: the same oven, technician and slips for every policy."""
    rng = np.random.default_rng(seed)
    visit = draw_visit(rng, symptom=symptom)
    return visit, draw_technician(rng), rng


def play(
    reasoner: Reasoner,
    visit: Visit,
    technician: Technician,
    rng: Generator,
    extra: dict[str, Any] | None = None,
) -> Course:
    """Play a visit to its end. `extra`: more fields of the request, such as `costs`."""
    course = Course(visit.symptom, visit.kind, tuple(sorted(visit.faults)))
    case: dict[str, Any] = {
        "symptom": visit.symptom,
        "nameplate": visit.nameplate,
        "instrument": technician.instrument,
        "readings": [],
        "confirmed": [],
        "unavailable": [
            name for name in technician.unavailable if name in reasoner.rule_set.checks
        ],
        "repairs": [],
        **(extra or {}),
    }
    for _ in range(MOST_REPAIRS + 1):
        answer = _ask(reasoner, case, visit, technician, rng, course)
        if answer["status"] == "stop-work" and answer["verdict"] is None:
            answer = _read_again(reasoner, case, visit, technician, rng, course)
        course.status = answer["status"]
        if answer["status"] == "no-fault-found":
            # Nothing is handed back as good, repaired or not, before it is proven to be safe.
            if course.released is None:
                course.released = _proven(reasoner, case, visit, technician, rng, course)
                if course.released is False:
                    continue
            course.cured = not visit.oven.faults
            course.verdicts.append(("explain-use", _nothing(answer), course.cured))
            break
        if answer["verdict"] is None or len(case["repairs"]) >= MOST_REPAIRS:
            break
        _repair(case, visit, technician, answer["verdict"], course)
        course.released = _proven(reasoner, case, visit, technician, rng, course)
        course.cured = not visit.oven.faults
        if course.released is not False:
            break
    if _any_wrong(course):
        course.result = WRONG
    else:
        course.result = RIGHT if course.cured else UNRESOLVED
    return course


def _any_wrong(course: Course) -> bool:
    return any(not good for _, _, good in course.verdicts)


def _nothing(answer: dict[str, Any]) -> float:
    chances = {row["fault"]: row["probability"] for row in answer["hypotheses"]}
    return float(chances["no-fault-present"])


def _ask(
    reasoner: Reasoner,
    case: dict[str, Any],
    visit: Visit,
    technician: Technician,
    rng: Generator,
    course: Course,
) -> dict[str, Any]:
    """Follow `next_check` until there is none; the last answer."""
    for _ in range(MOST_STEPS):
        answer = reasoner.assess(case)
        step = answer["next_check"]
        if step is None:
            return answer
        if case.get("phase") is None:
            course.minutes += step["minutes"]
        if step["kind"] == "preparation":
            case["confirmed"] = [
                one for one in case["confirmed"] if one not in step["withdraws"]
            ] + step["confirms"]
            for one in step["confirms"]:
                technician.carry_out(one, visit.oven)
            continue
        if case.get("phase") is None:
            course.checks += 1
        danger = technician.is_dangerous(step["id"], visit.oven, case["confirmed"])
        if danger is not None:
            course.unsafe.append(f"{step['id']}: {danger}")
        reading = technician.answer(step["id"], visit.oven, rng)
        if reading is None:
            case["unavailable"] = [*case["unavailable"], step["id"]]
            if visit.oven.build.inverter and ACCESS[step["id"]] == HIGH_VOLTAGE:
                # With the cover off, nobody takes an inverter board for a transformer.
                case["nameplate"] = {**case["nameplate"], "high_voltage_supply": "inverter"}
            continue
        if step["id"] == "leakage-survey":
            reading = {**reading, "conditions": SURVEY}
        case["readings"].append(reading)
    return reasoner.assess(case)


def _read_again(
    reasoner: Reasoner,
    case: dict[str, Any],
    visit: Visit,
    technician: Technician,
    rng: Generator,
    course: Course,
) -> dict[str, Any]:
    """Take the dead readings that work has stopped for once more, as the answer says; go on.

    One that does not repeat was a slip, and is left out of the request.
    """
    since = case["repairs"][-1]["readings_before"] if case["repairs"] else 0
    for check in sorted(technician.state.found):
        if ACCESS[check] not in (BEHIND, OUTSIDE):
            continue
        again = technician.answer(check, visit.oven, rng)
        course.checks += 1
        course.minutes += reasoner.rule_set.checks[check].minutes
        if again is None:
            continue
        if unsafe_finding(check, again) is None:
            now = [one for one in case["readings"][since:] if one["check"] != check]
            case["readings"] = [*case["readings"][:since], *now]
        case["readings"].append(again)
    return _ask(reasoner, case, visit, technician, rng, course)


def _repair(
    case: dict[str, Any],
    visit: Visit,
    technician: Technician,
    verdict: dict[str, Any],
    course: Course,
) -> None:
    """Carry out the verdict's remedy and those of further faults found, noting what was right."""
    there = visit.oven.faults
    found = [(verdict["remedy"]["id"], verdict["confidence"], verdict["parts"])]
    found += [(o["remedy"]["id"], o["confidence"], o["parts"]) for o in verdict["also_found"]]
    for remedy, confidence, parts in found:
        right = any(remedy in CURES[fault] for fault in there)
        course.verdicts.append((remedy, confidence, right))
        technician.repair(visit.oven, remedy, [*parts, *verdict["also_replace"]])
        before = len(case["readings"])
        case["repairs"].append({"remedy": remedy, "readings_before": before})


def _proven(
    reasoner: Reasoner,
    case: dict[str, Any],
    visit: Visit,
    technician: Technician,
    rng: Generator,
    course: Course,
) -> bool | None:
    """Whether the proof of the repair releases the oven; what was read in it stays in the case."""
    case["phase"] = "verify-repair"
    answer = _ask(reasoner, case, visit, technician, rng, course)
    del case["phase"]
    return {"released": True, "not-released": False}.get(answer["status"])
