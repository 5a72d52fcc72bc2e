"""What comes next, as the JSON of the HTTP contract: check, plate or preparation, and the plan."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from typing import Any

from service.diagnosis.case import Case
from service.diagnosis.confirmations import withdrawn_with
from service.diagnosis.explanation import title_of
from service.diagnosis.findings import placed_limits
from service.diagnosis.nameplate import NameplateValue
from service.diagnosis.opening import Opening
from service.diagnosis.planning import Plan
from service.diagnosis.plates import missing_fields
from service.diagnosis.precautions import fill
from service.diagnosis.response import limits, significant
from service.frozen import Frozen
from service.physics.units import accepted_units
from service.ruleset.describe import reading_conditions
from service.ruleset.header import NameplateField
from service.ruleset.model import Check, RuleSet


@lru_cache(maxsize=1024)
def expected(check: Check, nameplate: Frozen[str, NameplateValue]) -> dict[str, Any]:
    """What a healthy part gives, and the limits of each outcome for this nameplate.

    Kept, and shared between answers: it is not to be changed.
    """
    spans: dict[str, dict[str, Any]] = {}
    if check.measures:
        measure = check.measures[0]
        spans = {row["outcome"]: row for row in limits(measure, placed_limits(measure, nameplate))}
    return {
        "text": check.expected_text,
        "outcomes": [
            {
                "outcome": outcome,
                "meaning": check.meaning(outcome),
                "lower": spans.get(outcome, {}).get("lower"),
                "upper": spans.get(outcome, {}).get("upper"),
                "source": spans.get(outcome, {}).get("source", check.source),
            }
            for outcome in check.outcomes
        ],
    }


def next_check(
    rule_set: RuleSet,
    plan: Plan,
    case: Case,
    precautions: list[dict[str, Any]],
    worked_out: dict[str, str],
    also: Iterable[Check],
) -> dict[str, Any]:
    """The next check, the plate to read for it, or the preparation that it waits for."""
    check = plan.check
    doing = plan.preparation or plan.aim
    out: dict[str, Any] = {
        **in_brief(plan),
        "asked_of": "technician",
        "title": doing.title,
        "why": plan.because,
        "how": [fill(line, worked_out) for line in doing.how],
        "longest_run": None,
        "expected": None,
        "units": [],
        "calculation": None,
        "conditions": [],
        "confirms": [],
        "withdraws": list(withdrawn_with(rule_set, case, doing)),
        "plate_fields": [],
        "also": [],
        "for_check": None if doing is check else check.id,
        "recheck": False,
        "tools": list(doing.tools),
        "minutes": doing.minutes,
        "precautions": precautions,
    }
    if plan.preparation is not None:
        why = fill(plan.preparation.why, worked_out)
        out["why"] = f"{why} It prepares: {plan.aim.title}."
        confirmed = {"id": plan.preparation.confirms, "after_reading": len(case.readings)}
        return out | {"confirms": [confirmed]}
    if plan.plate is not None:
        missing = missing_fields(case, plan.plate)
        return out | {"plate_fields": [_field(rule_set.nameplate[name]) for name in missing]}
    run = check.longest_run
    return out | {
        "asked_of": check.asked_of,
        "how": [*_for_how_long(check), *out["how"]],
        "longest_run": None if run is None else {"value": significant(run), "unit": "s"},
        "expected": expected(check, case.nameplate),
        "units": [unit for one in check.measures for unit in accepted_units(one.quantity)],
        "calculation": check.calculation,
        "conditions": reading_conditions(check),
        "also": [_glance(case, one) for one in also],
        "recheck": plan.recheck,
    }


def _field(field: NameplateField) -> dict[str, Any]:
    """A nameplate field to be read off."""
    return {
        "field": field.id,
        "title": field.title,
        "quantity": field.quantity,
        "units": [] if field.quantity is None else list(accepted_units(field.quantity)),
        "choices": list(field.choices),
    }


def _for_how_long(check: Check) -> list[str]:
    """The first step of a run: when it ends."""
    if check.longest_run is None:
        return []
    minutes, seconds = divmod(round(check.longest_run), 60)
    time = f"{minutes} min" if minutes > 2 and not seconds else f"{round(check.longest_run)} s"
    return [f"Energise it for {time} at most."]


def in_brief(plan: Plan) -> dict[str, Any]:
    """What of `next_check` says which it is."""
    if plan.preparation is not None:
        return {"id": plan.preparation.id, "kind": "preparation"}
    if plan.plate is not None:
        return {"id": plan.plate.id, "kind": "nameplate"}
    return {"id": plan.check.id, "kind": plan.check.kind}


def _glance(case: Case, check: Check) -> dict[str, Any]:
    """What is noted along with the next check: as much as a tap needs."""
    return {
        "id": check.id,
        "kind": check.kind,
        "title": check.title,
        "how": list(check.how),
        "expected": expected(check, case.nameplate),
    }


def plan_of(rule_set: RuleSet, ahead: Opening) -> dict[str, Any]:
    """What is left to do before the equipment is opened, closed or energised the next time."""
    return {
        "steps": [
            {
                "id": one.check.id,
                "title": one.check.title,
                "minutes": one.check.minutes,
                "abnormal": round(one.abnormal, 4),
                "may_show": [
                    {"fault": name, "title": title_of(rule_set, name), "probability": round(p, 4)}
                    for name, p in one.faults
                ],
            }
            for one in ahead.steps
        ],
        "minutes": round(ahead.minutes, 2),
        "abnormal": round(ahead.abnormal, 4),
    }
