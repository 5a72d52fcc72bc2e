"""The assessment as the JSON document of the HTTP contract. Nothing is decided here."""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import lru_cache
from typing import Any

import numpy as np

from service.diagnosis.arrays import Vector
from service.diagnosis.belief import pair_probabilities
from service.diagnosis.bring import Bring
from service.diagnosis.conflicts import Conflict
from service.diagnosis.costs import Weighing
from service.diagnosis.explanation import title_of
from service.diagnosis.findings import Finding, PlacedLimit, measure_of
from service.diagnosis.precautions import StandingPrecaution
from service.diagnosis.states import BeliefModel
from service.diagnosis.verdict import Verdict
from service.diagnosis.verification import Release
from service.physics.units import from_si
from service.ruleset.model import UNLISTED_FAULT, Fault, Measure, Remedy, RuleSet

MILLIONTHS = 1_000_000
PAIR_SHOWN = 0.01


def hypotheses(rule_set: RuleSet, model: BeliefModel, posterior: Vector) -> list[dict[str, Any]]:
    """Every hypothesis, most probable first, to a millionth; they sum to exactly 1.

    Rounding keeps the answer the same on machines whose last binary digit differs; the largest
    remainders are rounded up so that the sum holds.
    """
    scaled = posterior * MILLIONTHS
    units = np.floor(scaled).astype(int)
    short = MILLIONTHS - int(units.sum())
    for position in np.argsort(-(scaled - units), kind="stable")[:short]:
        units[position] += 1
    rows = [
        {
            "fault": name,
            "title": title_of(rule_set, name),
            "component": None if name == UNLISTED_FAULT else rule_set.faults[name].component,
            "probability": int(unit) / MILLIONTHS,
        }
        for name, unit in zip(model.hypotheses, units, strict=True)
    ]
    return sorted(rows, key=lambda row: (-float(row["probability"]), str(row["fault"])))


def pairs(model: BeliefModel, states: Vector) -> list[dict[str, Any]]:
    """Two faults at once, of more than one percent, most probable first."""
    rows = [
        {"faults": list(faults), "probability": round(chance, 6)}
        for faults, chance in pair_probabilities(model, states, PAIR_SHOWN).items()
    ]
    return sorted(rows, key=lambda row: (-float(str(row["probability"])), str(row["faults"])))


def release(rule_set: RuleSet, one: Release) -> dict[str, Any]:
    """Whether the equipment may be used again, and each check of the proof."""
    return {
        "released": one.released,
        "proof": [
            {
                "check": proof.check,
                "title": rule_set.checks[proof.check].title,
                "result": proof.result,
                "outcome": None if proof.finding is None else proof.finding.outcome,
                "reading": None if proof.finding is None else proof.finding.reading.index,
                "why": proof.why,
            }
            for proof in one.proofs
        ],
    }


def bring(rule_set: RuleSet, found: Bring) -> dict[str, Any]:
    """What to bring, as shown."""
    return {
        "tools": [
            {"id": tool, "title": rule_set.tools[tool], "used_for": list(users)}
            for tool, users in found.tools
        ],
        "parts": [
            {
                "id": part.id,
                "title": rule_set.parts[part.id],
                "probability": round(part.probability, 4),
                "price_class": part.price_class,
                "faults": list(part.faults),
            }
            for part in found.parts
        ],
    }


def expected_cost(weighing: Weighing) -> dict[str, Any]:
    """Replacing now against going on, minutes."""
    return {
        "remedy": weighing.remedy,
        "replace_now": round(weighing.replace_now, 2),
        "check": weighing.check,
        "go_on": None if weighing.go_on is None else round(weighing.go_on, 2),
    }


def finding(rule_set: RuleSet, one: Finding) -> dict[str, Any]:
    """One finding, with its limits and what was measured in the unit that was sent."""
    check, reading = rule_set.checks[one.check], one.reading
    measure = None if reading.quantity is None else measure_of(check, reading)
    shown = None
    if one.value is not None and measure is not None:
        unit, quantity = reading.unit or measure.unit, measure.quantity
        # An uncertainty is a difference: 1 K is 1.8 [degF] however warm it is.
        difference = "temperature-difference" if quantity == "temperature" else quantity
        shown = {
            "value": significant(from_si(one.value, unit, quantity)),
            "unit": unit,
            "standard_uncertainty": significant(
                from_si(one.uncertainty or 0.0, unit, difference), 2
            ),
        }
    return {
        "reading": one.reading.index,
        "check": one.check,
        "outcome": one.outcome,
        "probability": round(one.probability, 6),
        "probabilities": [
            {"outcome": outcome, "probability": round(probability, 6)}
            for outcome, probability in zip(one.outcomes, one.evidence, strict=True)
        ],
        "limits": [] if measure is None else limits(measure, one.edges),
        "measured": shown,
        "superseded": one.superseded or one.reading.past,
        "notes": list(one.notes),
    }


@lru_cache(maxsize=4096)
def limits(measure: Measure, edges: tuple[PlacedLimit, ...]) -> list[dict[str, Any]]:
    """The span of each outcome of a measure: lower and upper limit, null where open.

    Kept, and shared between answers: it is not to be changed.
    """
    out = []
    for position, outcome in enumerate(measure.outcomes):
        lower = edges[position - 1] if position else None
        upper = edges[position] if position < len(edges) else None
        nearest = upper or lower
        out.append(
            {
                "outcome": outcome,
                "lower": _limit(lower, measure.quantity),
                "upper": _limit(upper, measure.quantity),
                "source": nearest.source if nearest else "",
            }
        )
    return out


def _limit(edge: PlacedLimit | None, quantity: str) -> dict[str, Any] | None:
    if edge is None:
        return None
    return {"value": significant(from_si(edge.value, edge.unit, quantity)), "unit": edge.unit}


def significant(value: float, digits: int = 6) -> float:
    if value == 0.0 or not math.isfinite(value):
        return 0.0
    return float(f"{value:.{digits}g}")


def verdict(rule_set: RuleSet, found: Verdict, proof: Iterable[str]) -> dict[str, Any]:
    """The verdict with its remedy, parts and the checks after the repair.

    `proof`: what the proof of its repairs asks for, on top of those that the case names already.
    """
    remedy = rule_set.remedies[found.fault.remedy]
    return {
        "fault": found.fault.id,
        "title": found.fault.title,
        "component": found.fault.component,
        "confidence": round(found.confidence, 6),
        "remedy": _remedy(remedy),
        "parts": list(remedy.parts),
        "also_replace": list(found.also_replace),
        "part_titles": _titles(rule_set, (*remedy.parts, *found.also_replace)),
        "also_found": [_second(rule_set, *one) for one in found.also_found],
        "also_suspected": [_second(rule_set, *one) for one in found.also_suspected],
        "checks_after_repair": list(proof),
        "ambiguity_group": [{"fault": name, "probability": round(p, 6)} for name, p in found.group],
    }


def _second(rule_set: RuleSet, fault: Fault, chance: float) -> dict[str, Any]:
    remedy = rule_set.remedies[fault.remedy]
    return {
        "fault": fault.id,
        "title": fault.title,
        "component": fault.component,
        "confidence": round(chance, 6),
        "remedy": _remedy(remedy),
        "parts": list(remedy.parts),
        "part_titles": _titles(rule_set, remedy.parts),
    }


def _titles(rule_set: RuleSet, parts: Iterable[str]) -> dict[str, str]:
    return {part: rule_set.parts[part] for part in parts}


def _remedy(remedy: Remedy) -> dict[str, Any]:
    return {
        "id": remedy.id,
        "action": remedy.action,
        "minutes": remedy.minutes,
        "source": remedy.source,
    }


@lru_cache(maxsize=4096)
def precaution(one: StandingPrecaution, *, now: bool = True) -> dict[str, Any]:
    """A precaution as shown. `now` is false for one that belongs to a later step.

    Kept, and shared between answers: it is not to be changed.
    """
    return {
        "id": one.precaution.id,
        "signal_word": one.precaution.signal_word,
        "text": one.text,
        "sign": one.precaution.sign,
        "must_confirm": one.precaution.confirm,
        "confirmed": one.confirmed,
        "void_because": one.void_because,
        "withdrawn_by": one.withdrawn_by,
        "applies_now": now,
        "source": one.precaution.source,
    }


def conflict(one: Conflict) -> dict[str, Any]:
    """A conflict as shown."""
    return {
        "checks": [found.check for found in one.findings],
        "readings": [found.reading.index for found in one.findings],
        "message": one.text,
    }
