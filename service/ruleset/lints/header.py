"""Nameplate, instruments and the numbers of the reasoning."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from service.ruleset.lints.found import Found, Lint
from service.ruleset.model import RuleSet

# What each tuning number may be: above the first, below the second.
_ZERO, _ONE, _ANY = -1e-12, 1.0 + 1e-12, math.inf
TUNING: Mapping[str, tuple[float, float]] = {
    "unlisted_share": (0.0, 1.0),
    "second_fault": (0.0, 1.0),
    "slip": (_ZERO, 0.5),
    "misread_persists": (_ZERO, 1.0),
    "look_persists": (_ZERO, 1.0),
    "released_risk": (_ZERO, 0.05),
    "new_part_faulty": (0.0, 1.0),
    "cure_overlooked": (0.0, 1.0),
    "complaint_rests": (0.0, 1.0),
    "unlisted_component": (_ZERO, _ONE),
    "unlisted_function": (_ZERO, _ONE),
    "symptom_floor": (0.0, 1.0),
    "certain": (0.5, _ONE),
    "possible": (0.0, 0.5),
    "live_risk_minutes": (_ZERO, _ANY),
    "danger_read_twice": (0.5, _ONE),
    "least_rate": (_ZERO, _ANY),
    "least_information": (_ZERO, _ANY),
    "conflict_ratio": (0.0, 1.0),
}
_CAPACITOR = {
    "capacitance": "capacitance",
    "rated_voltage": "voltage",
    "bleed_resistance": "resistance",
}


def _cannot_deduce(rule_set: RuleSet) -> Iterator[Found]:
    for field in rule_set.nameplate.values():
        if field.deduce_from and not field.nominals:
            yield Found(
                "nameplate",
                field.id,
                "`deduce_from` without `nominals`",
                "List the values that it may be: the nearest to the reading is taken.",
                ("deduce_from",),
            )
        for index, name in enumerate(field.deduce_from):
            measures = rule_set.checks[name].measures
            if {one.quantity for one in measures} != {field.quantity}:
                yield Found(
                    "nameplate",
                    field.id,
                    f"{name} does not measure it",
                    "Name checks whose reading is the same quantity.",
                    ("deduce_from", index),
                )


def _capacitor_fields(rule_set: RuleSet) -> Iterator[Found]:
    if rule_set.capacitor is None:
        return
    for key, quantity in _CAPACITOR.items():
        field = rule_set.nameplate[getattr(rule_set.capacitor, key)]
        if field.quantity != quantity or not (field.least or 0.0) > 0.0:
            yield Found(
                "capacitor",
                key,
                f"{field.id} cannot stand for the capacitor's {key}",
                f"Name a nameplate field that is a {quantity} with a `least` above 0.",
            )


def _tuning_range(rule_set: RuleSet) -> Iterator[Found]:
    for key, (above, below) in TUNING.items():
        value = getattr(rule_set.tuning, key)
        if not above < value < below:
            words = [f"{'at least' if above < 0 else 'more than'} {max(above, 0.0):g}"]
            if below < math.inf:
                words.append(f"{'at most' if below > 1 else 'less than'} {min(below, 1.0):g}")
            yield Found(
                "tuning",
                key,
                f"{key} is {value:g}",
                f"It must be {' and '.join(words)}.",
            )


def _instrument_bounds(rule_set: RuleSet) -> Iterator[Found]:
    for one in rule_set.instruments.values():
        if one.finest_resolution <= 0.0 or one.range <= one.finest_resolution:
            yield Found(
                "instruments",
                one.quantity,
                "no meter has such a resolution and range",
                "Give a `finest_resolution` above 0 and a `range` above it.",
                ("finest_resolution",),
            )
        if one.percent_of_reading > 100.0:
            yield Found(
                "instruments",
                one.quantity,
                "a meter that may read nothing but its own error",
                "Give `percent_of_reading` in per cent, 100 at most.",
                ("percent_of_reading",),
            )
        if one.lead_resistance < 0.0 or one.lead_uncertainty < 0.0:
            yield Found(
                "instruments",
                one.quantity,
                "leads with less than no resistance",
                "Give 0 or more.",
                ("lead_resistance",),
            )


def _no_instrument(rule_set: RuleSet) -> Iterator[Found]:
    """A reading whose meter nobody knows would count as exact."""
    for check in rule_set.checks.values():
        for index, measure in enumerate(check.measures):
            if measure.quantity not in rule_set.instruments:
                yield Found(
                    "checks",
                    check.id,
                    f"no default instrument for {measure.quantity}",
                    "Add one to `instruments` in the header, or readings would count as exact.",
                    ("measures", index),
                )


HEADER: Mapping[str, Lint] = {
    "cannot-deduce": _cannot_deduce,
    "capacitor-fields": _capacitor_fields,
    "tuning-range": _tuning_range,
    "instrument-bounds": _instrument_bounds,
    "no-instrument": _no_instrument,
}
