"""A rule set as JSON: what can be asked of it and what it can answer."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from service.physics.units import from_si
from service.ruleset.header import NameplateField
from service.ruleset.model import Check, Limit, Measure, ReadingCondition, RuleSet


def reference(rule_set: RuleSet) -> dict[str, str]:
    """A rule set as answers name it."""
    return {
        "id": rule_set.id,
        "version": rule_set.version,
        "content_hash": rule_set.content_hash,
    }


def summarise(rule_set: RuleSet) -> dict[str, Any]:
    """One line of the list of rule sets."""
    return {
        "id": rule_set.id,
        "version": rule_set.version,
        "title": rule_set.title,
        "equipment": rule_set.equipment,
        "content_hash": rule_set.content_hash,
        "description": rule_set.description,
    }


def describe(rule_set: RuleSet) -> dict[str, Any]:
    """The whole description of a rule set."""
    return {
        **summarise(rule_set),
        "jurisdictions": rule_set.jurisdictions,
        "sources": list(rule_set.sources),
        "minutes_source": rule_set.minutes_source,
        "nameplate": [_nameplate(field) for field in rule_set.nameplate.values()],
        "plates": [
            {
                "id": one.id,
                "title": one.title,
                "nameplate_fields": list(one.fields),
                "how": list(one.how),
                "minutes": one.minutes,
                "requires": list(rule_set.access[one.access].requires),
                "source": one.source,
            }
            for one in rule_set.plates.values()
        ],
        "instruments": [
            {
                "quantity": one.quantity,
                "percent_of_reading": one.percent_of_reading,
                "counts": one.counts,
                "source": one.source,
            }
            for one in rule_set.instruments.values()
        ],
        "tools": [{"id": key, "title": title} for key, title in rule_set.tools.items()],
        "symptoms": [{"id": one.id, "title": one.title} for one in rule_set.symptoms.values()],
        "checks": [_check(check, rule_set) for check in rule_set.checks.values()],
        "faults": [
            {
                "id": one.id,
                "title": one.title,
                "component": one.component,
                "remedy": one.remedy,
                "effect": one.effect,
                "symptoms": list(one.symptoms),
                "source": one.source,
            }
            for one in rule_set.faults.values()
        ],
        "conditions": [{"id": one.id, "title": one.title} for one in rule_set.conditions.values()],
        "remedies": [
            {
                "id": one.id,
                "action": one.action,
                "minutes": one.minutes,
                "parts": list(one.parts),
                "also_replace": list(one.also_replace),
                "source": one.source,
            }
            for one in rule_set.remedies.values()
        ],
        "parts": [{"id": key, "title": title} for key, title in rule_set.parts.items()],
        "precautions": [
            {
                "id": one.id,
                "signal_word": one.signal_word,
                "text": one.text,
                "sign": one.sign,
                "must_confirm": one.confirm,
                "source": one.source,
            }
            for one in rule_set.precautions.values()
        ],
        "preparations": [
            {
                "id": one.id,
                "confirms": one.confirms,
                "title": one.title,
                "how": list(one.how),
                "minutes": one.minutes,
            }
            for one in rule_set.preparations.values()
        ],
        "rules": [
            {"id": one.id, "because": one.because, "source": one.source} for one in rule_set.rules
        ],
    }


def _nameplate(field: NameplateField) -> dict[str, Any]:
    default: Any = field.default
    if field.quantity is not None and field.unit is not None:
        shown = from_si(float(field.default), field.unit, field.quantity)
        default = {"value": float(f"{shown:.6g}"), "unit": field.unit}
    return {
        "id": field.id,
        "title": field.title,
        "quantity": field.quantity,
        "choices": list(field.choices),
        "assumed": default,
        "source": field.source,
    }


def _check(check: Check, rule_set: RuleSet) -> dict[str, Any]:
    return {
        "id": check.id,
        "title": check.title,
        "component": check.component,
        "kind": check.kind,
        "asked_of": check.asked_of,
        "access": check.access,
        "live": check.live,
        "instrument_category": check.instrument_category,
        "minutes": check.minutes,
        "tools": list(check.tools),
        "why": check.why,
        "how": list(check.how),
        "expected": check.expected_text,
        "outcomes": [
            {"id": outcome, "meaning": check.meaning(outcome)} for outcome in check.outcomes
        ],
        "measures": [_measure(measure) for measure in check.measures],
        "calculation": check.calculation,
        "conditions": reading_conditions(check),
        "requires": list(rule_set.access[check.access].requires),
        "source": check.source,
    }


@lru_cache(maxsize=1024)
def reading_conditions(check: Check) -> list[dict[str, Any]]:
    """Under which conditions a reading of a check counts, spans in the unit that they are shown in.

    Kept, and shared between answers: it is not to be changed.
    """
    return [
        {
            "id": one.id,
            "title": one.title,
            "quantity": one.quantity,
            "unit": one.unit,
            "least": _bound(one.least, one),
            "most": _bound(one.most, one),
            "choices": list(one.choices),
            "accepted": list(one.accept),
            "source": one.source,
        }
        for one in check.conditions
    ]


def _bound(value: float | None, one: ReadingCondition) -> float | None:
    if value is None or one.unit is None or one.quantity is None:
        return None
    return float(f"{from_si(value, one.unit, one.quantity):.6g}")


def _measure(measure: Measure) -> dict[str, Any]:
    return {
        "quantity": measure.quantity,
        "unit": measure.unit,
        "limits": [
            {"between": [low, high], "limit": _limit(limit, measure), "source": limit.source}
            for low, high, limit in zip(
                measure.outcomes, measure.outcomes[1:], measure.limits, strict=False
            )
        ],
    }


def _limit(limit: Limit, measure: Measure) -> str:
    if limit.tolerance is not None:
        return f"{limit.tolerance} supply tolerance of {limit.nameplate}"
    if limit.nameplate is not None and limit.reference == 1.0:
        return f"{limit.factor:g} x {limit.nameplate}"
    shown = f"{from_si(limit.factor, limit.unit, measure.quantity):.6g} {limit.unit}"
    if limit.nameplate is None:
        return shown
    return f"{shown} x ({limit.nameplate} / {limit.reference:g})^{limit.power:g}"
