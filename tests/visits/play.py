"""A whole visit: complaint, checks, repair, proof; the service asks, the virtual oven answers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.random import Generator

from service.diagnosis.assessment import Reasoner
from service.diagnosis.case import required
from tests.visits.confirm import confirm
from tests.visits.population import Visit, draw_visit, true_nameplate
from tests.visits.remedies import CURES
from tests.visits.safety import ACCESS, HIGH_VOLTAGE
from tests.visits.technician import PROFILES, Technician, draw_technician

# Nobody goes on for longer than this.
MOST_STEPS = 120
MOST_REPAIRS = 3
MOST_PROOFS = 2

TAP = 0.15
"""Minutes to note what is seen or heard meanwhile; estimate."""
ILLEGIBLE = 0.03
"""Share of plates and labels that cannot be read; estimate."""
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
    taps: int = 0  # what was noted along with them
    minutes: float = 0.0  # of checks and preparations before the last verdict
    unsafe: list[str] = field(default_factory=list)
    released: bool | None = None  # None: not asked
    cured: bool = False
    left: tuple[str, ...] = ()  # faults that are there at the end


def visit_of(
    seed: int, symptom: str | None = None, profile: str = "as-drawn"
) -> tuple[Visit, Technician, Generator]:
    """The visit of a seed: the same oven for every policy and every profile of technicians."""
    rng = np.random.default_rng(seed)
    visit = draw_visit(rng, symptom=symptom)
    technician = PROFILES[profile](draw_technician(rng))
    technician.told = visit.told
    return visit, technician, rng


def play(
    reasoner: Reasoner,
    visit: Visit,
    technician: Technician,
    rng: Generator,
    extra: dict[str, Any] | None = None,
) -> Course:
    """Play a visit to its end. `extra`: more fields of the request, such as `costs`."""
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
    course = Course(visit.symptom, visit.kind, tuple(sorted(visit.faults)))
    _Play(reasoner, visit, technician, rng, case, course).to_the_end()
    return course


@dataclass
class _Play:
    """A visit under way: the request as it grows, and how it goes."""

    reasoner: Reasoner
    visit: Visit
    technician: Technician
    rng: Generator
    case: dict[str, Any]
    course: Course

    def to_the_end(self) -> None:
        """Checks, repairs and their proof, until nothing more comes of it."""
        course, proofs = self.course, 0
        for _ in range(MOST_REPAIRS + MOST_PROOFS + 1):
            answer = self.ask()
            if answer["status"] == "stop-work" and answer["verdict"] is None:
                answer = self.read_again(answer)
            course.status = answer["status"]
            if answer["status"] == "no-fault-found":
                # Nothing is handed back as good, repaired or not, before it is proven to be safe;
                # a proof that failed without a fault behind it is taken once more.
                proofs += 1
                if proofs <= MOST_PROOFS and not course.released:
                    course.released = self.prove()
                    if course.released is False:
                        continue
                course.cured = not self.visit.oven.faults
                if _nothing(answer) >= required(self.case):
                    course.verdicts.append(("explain-use", _nothing(answer), course.cured))
                break
            if answer["verdict"] is None or len(self.case["repairs"]) >= MOST_REPAIRS:
                break
            self.repair(answer["verdict"])
            course.released = self.prove()
            course.cured = not self.visit.oven.faults
            if course.released is not False:
                break
        course.left = tuple(sorted(self.visit.oven.faults))
        if _any_wrong(course):
            course.result = WRONG
        else:
            course.result = RIGHT if course.cured else UNRESOLVED

    def ask(self) -> dict[str, Any]:
        """Follow `next_check` until there is none; the last answer."""
        case, oven = self.case, self.visit.oven
        for _ in range(MOST_STEPS):
            answer = self.reasoner.assess(case)
            step = answer["next_check"]
            if step is None:
                return answer
            if step["kind"] == "preparation":
                self.spend(step["minutes"])
                case["confirmed"] = confirm(case["confirmed"], step)
                for one in step["confirms"]:
                    self.technician.carry_out(one["id"], oven)
                continue
            if step["kind"] == "nameplate":
                self.spend(step["minutes"], checks=1)
                self.read_plate(step)
                continue
            self.watch([step["id"], *(one["id"] for one in step["also"])])
            if step["recheck"] and answer["status"] == "stop-work":
                if not self.take_again(step["id"]):
                    case["unavailable"] = [*case["unavailable"], step["id"]]
                continue
            reading = self.read(step["id"])
            if reading is None:
                case["unavailable"] = [*case["unavailable"], step["id"]]
                if oven.build.inverter and ACCESS[step["id"]] == HIGH_VOLTAGE:
                    # With the cover off, nobody takes an inverter board for a transformer.
                    case["nameplate"] = {**case["nameplate"], "high_voltage_supply": "inverter"}
                continue
            case["readings"].append(reading)
            for glance in step["also"]:
                seen = self.read(glance["id"], in_passing=True)
                if seen is not None:
                    case["readings"].append(seen)
        return self.reasoner.assess(case)

    def read_plate(self, step: dict[str, Any]) -> None:
        """Send what can be read off it; the plate of one oven in so many cannot be read."""
        case, true = self.case, true_nameplate(self.visit.oven.build)
        told = {
            one["field"]: true[one["field"]] for one in step["plate_fields"] if one["field"] in true
        }
        if not told or self.rng.random() < ILLEGIBLE:
            case["unavailable"] = [*case["unavailable"], step["id"]]
            return
        case["nameplate"] = {**case["nameplate"], **told}

    def read(self, check: str, *, in_passing: bool = False) -> dict[str, Any] | None:
        """One reading, noting its minutes; none if it cannot be taken.

        In passing it is one more tap, and no run or opening of its own.
        """
        course, oven = self.course, self.visit.oven
        if in_passing:
            self.spend(TAP)
            course.taps += 1
        else:
            self.spend(self.reasoner.rule_set.checks[check].minutes, checks=1)
        return under_conditions(
            self.technician.answer(check, oven, self.rng, in_passing=in_passing)
        )

    def watch(self, checks: Iterable[str]) -> None:
        """Note what of a step, with all that is seen along with it, is dangerous to begin."""
        confirmed = [one["id"] for one in self.case["confirmed"]]
        for check in checks:
            danger = self.technician.is_dangerous(check, self.visit.oven, confirmed)
            if danger is not None:
                self.course.unsafe.append(f"{check}: {danger}")

    def spend(self, minutes: float, checks: int = 0) -> None:
        """Count what leads to a verdict; the proof of a repair costs every policy the same."""
        if self.case.get("phase") is None:
            self.course.minutes += minutes
            self.course.checks += checks

    def read_again(self, answer: dict[str, Any]) -> dict[str, Any]:
        """Take once more what the answer calls a possible slip, as it says; go on.

        One that does not repeat was a slip, and is left out of the request.
        """
        doubtful = [one["check"] for one in answer["reasons"] if one["code"] == "may-be-a-slip"]
        for check in doubtful:
            self.watch([check])
            self.take_again(check)
        return self.ask() if doubtful else answer

    def take_again(self, check: str) -> bool:
        """Take a reading once more, and leave the first out if it was a slip; whether it can be."""
        case = self.case
        again = self.read(check)
        if again is None:
            return False
        case["readings"].append(again)
        first, second = [
            one for one in self.reasoner.assess(case)["findings"] if one["check"] == check
        ][-2:]
        if first["outcome"] != second["outcome"]:
            self.leave_out(first["reading"])
        return True

    def leave_out(self, index: int) -> None:
        """Take a reading out of the request; what was read before each repair stays so."""
        del self.case["readings"][index]
        for repair in self.case["repairs"]:
            repair["readings_before"] -= repair["readings_before"] > index

    def repair(self, verdict: dict[str, Any]) -> None:
        """Carry out the remedy and those of further faults found, noting what was right."""
        oven = self.visit.oven
        there = oven.faults
        found = [(verdict["remedy"]["id"], verdict["confidence"], verdict["parts"])]
        found += [(o["remedy"]["id"], o["confidence"], o["parts"]) for o in verdict["also_found"]]
        for remedy, confidence, parts in found:
            right = any(remedy in CURES[fault] for fault in there)
            self.course.verdicts.append((remedy, confidence, right))
            self.technician.repair(oven, remedy, [*parts, *verdict["also_replace"]])
            before = len(self.case["readings"])
            self.case["repairs"].append({"remedy": remedy, "readings_before": before})

    def prove(self) -> bool | None:
        """Whether the proof releases the oven; what was read in it stays in the case.

        None where nothing speaks against it and a reading is lacking: without the tool for that
        nobody looks for a further fault.
        """
        self.case["phase"] = "verify-repair"
        answer = self.ask()
        if answer["status"] == "not-released":
            answer = self.read_again(answer)
        del self.case["phase"]
        if answer["status"] == "not-released" and not speaks_against(answer):
            return None
        return {"released": True, "not-released": False}.get(answer["status"])


def speaks_against(answer: dict[str, Any]) -> bool:
    """Whether a proof shows that something is wrong, rather than that it cannot be read."""
    outcomes = {one["check"]: one["outcome"] for one in answer["findings"]}
    lacking = {"check-unavailable", "no-repair-named"}
    return any(
        one["code"] not in lacking
        and not (one["code"] == "check-failed" and outcomes[one["check"]] == "inconclusive")
        for one in answer["reasons"]
    )


def under_conditions(reading: dict[str, Any] | None) -> dict[str, Any] | None:
    """A reading as it is sent: a survey states its load and distance."""
    if reading is not None and reading["check"] == "leakage-survey":
        return {**reading, "conditions": SURVEY}
    return reading


def _any_wrong(course: Course) -> bool:
    return any(not good for _, _, good in course.verdicts)


def _nothing(answer: dict[str, Any]) -> float:
    chances = {row["fault"]: row["probability"] for row in answer["hypotheses"]}
    return float(chances["no-fault-present"])
