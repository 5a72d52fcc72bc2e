"""conformance: a reading with its uncertainty against one limit or two."""

from __future__ import annotations

import math
from collections.abc import Iterator

from service.physics.forms.accuracy import (
    NAMES,
    accuracy_inputs,
    no_uncertainty,
    reading_uncertainty,
    stated_accuracy,
)
from service.physics.forms.inputs import (
    MAX_MAGNITUDE,
    ChoiceInput,
    Given,
    NumberInput,
    QuantityInput,
    Refusal,
)
from service.physics.forms.model import Calculation, Output, Remark, Result, probability
from service.physics.metrology import conformance_probability, expanded, guarded_acceptance_limit
from service.physics.units import QUANTITIES


def _check(given: Given) -> Iterator[Refusal]:
    yield from _check_limits(given)
    accuracy = stated_accuracy(given)
    if "standard_uncertainty" in given:
        if accuracy is not None:
            yield "/standard_uncertainty", f"stands in place of {accuracy}: leave one out"
        elif given.maybe("standard_uncertainty") == 0.0:
            yield "/standard_uncertainty/value", "this must be greater than 0"
    elif accuracy is None:
        yield (
            "/standard_uncertainty",
            "this is required, or the accuracy: percent_of_reading, or counts with resolution",
        )
    elif "counts" in given and "resolution" not in given:
        yield "/resolution", "this is required beside counts"
    elif "resolution" in given and "counts" not in given:
        yield "/counts", "this is required beside resolution"
    elif _readable(given) and _uncertainty(given) == 0.0:
        yield from no_uncertainty(given)


def _check_limits(given: Given) -> Iterator[Refusal]:
    if "lower_limit" not in given and "upper_limit" not in given:
        yield "/upper_limit", "this is required, or lower_limit, or both"
    lower, upper = given.maybe("lower_limit"), given.maybe("upper_limit")
    if lower is not None and upper is not None and lower >= upper:
        yield "/lower_limit", "this must be less than upper_limit"


def _readable(given: Given) -> bool:
    return given.stated("value") is not None and all(
        name not in given or given.stated(name) is not None for name in NAMES
    )


def _uncertainty(given: Given) -> float:
    if "standard_uncertainty" in given:
        return given.number("standard_uncertainty")
    return reading_uncertainty(given, "value", given.quantity)


def _work(given: Given) -> Result:
    value, uncertainty = given.number("value"), _uncertainty(given)
    lower, upper = given.maybe("lower_limit"), given.maybe("upper_limit")
    least = -math.inf if lower is None else lower
    most = math.inf if upper is None else upper
    coverage = expanded(uncertainty, given.number("coverage_factor"))
    guard = given.number("guard_factor")
    values = {
        "standard_uncertainty": uncertainty,
        "expanded_uncertainty": coverage,
        "guard_band": guard * coverage,
        "probability_below": conformance_probability(value, uncertainty, upper=least),
        "probability_within": conformance_probability(value, uncertainty, least, most),
        "probability_above": conformance_probability(value, uncertainty, lower=most),
    }
    accept_from, accept_to, outside = -math.inf, math.inf, False
    if lower is not None:  # mirrored: the acceptance limit is stated for an upper limit
        accept_from = -guarded_acceptance_limit(-lower, coverage, guard)
        outside = value < guarded_acceptance_limit(lower, coverage, guard)
        values["lower_acceptance_limit"] = accept_from
    if upper is not None:
        accept_to = guarded_acceptance_limit(upper, coverage, guard)
        outside = outside or -value < guarded_acceptance_limit(-upper, coverage, guard)
        values["upper_acceptance_limit"] = accept_to
    inside = accept_from <= value <= accept_to
    warnings: tuple[Remark, ...] = ()
    if accept_from > accept_to:
        text = "The guard bands meet: with this uncertainty no value at all can be accepted."
        warnings = (Remark("nothing-acceptable", text, "JCGM 106:2012 clause 8 (from memory)"),)
    verdict = "accept" if inside else "reject" if outside else "in-guard-band"
    return Result(values, warnings=warnings, verdict=verdict)


def _shared(
    name: str, description: str, *, required: bool = False, rule: str | None = None
) -> QuantityInput:
    return QuantityInput(
        name=name,
        description=description,
        required=required,
        quantity=None,
        unit=None,
        least=-MAX_MAGNITUDE,
        most=MAX_MAGNITUDE,
        rule=rule,
    )


def _shared_width(name: str, description: str, rule: str) -> QuantityInput:
    return QuantityInput(
        name=name,
        description=description,
        rule=rule,
        quantity=None,
        unit=None,
        difference=True,
        least=0.0,
        most=MAX_MAGNITUDE,
    )


def _factor(name: str, description: str, default: float, source: str) -> NumberInput:
    return NumberInput(
        name=name,
        description=description,
        least=0.0,
        most=10.0,
        default=default,
        default_source=source,
    )


def _in_unit_of_value(
    name: str, title: str, *, difference: bool = False, when: str | None = None
) -> Output:
    digits = 3 if difference else 6
    return Output(name, title, None, None, digits, difference=difference, when=when)


_PROBABLY = "Probability that the quantity itself is"
CONFORMANCE = Calculation(
    name="conformance",
    title="A reading with its uncertainty against limits",
    description="The probability that the quantity is within its limits, and what a guarded "
    "decision says: accept inside the acceptance limits, reject outside the limits by more than "
    "the guard band, in-guard-band where neither is shown. The reading is taken as normally "
    "distributed about the value.",
    inputs=(
        ChoiceInput(
            name="quantity",
            description="What is measured.",
            rule="Left out, the unit tells; temperature-difference must be named.",
            choices=tuple(QUANTITIES),
        ),
        _shared("value", "The reading.", required=True),
        _shared_width(
            "standard_uncertainty",
            "Standard uncertainty of the reading.",
            "This, or percent_of_reading, or counts with resolution.",
        ),
        *accuracy_inputs(
            _shared_width("resolution", "Size of one count.", "Required beside counts."),
            percent=0.0,
            counts=0.0,
            source="common practice",  # what a data sheet does not name is not there
        ),
        _shared("lower_limit", "Least that is allowed.", rule="One limit at least is required."),
        _shared("upper_limit", "Most that is allowed.", rule="One limit at least is required."),
        _factor("coverage_factor", "k in U = k u.", 2.0, "NIST TN 1297 section 6.3"),
        _factor(
            "guard_factor",
            "r: the guard band is r U.",
            1.0,
            "JCGM 106:2012 clause 8 and ISO 14253-1 (from memory)",
        ),
    ),
    outputs=(
        probability("probability_within", f"{_PROBABLY} within the limits"),
        probability("probability_below", f"{_PROBABLY} below the lower limit"),
        probability("probability_above", f"{_PROBABLY} above the upper limit"),
        _in_unit_of_value("standard_uncertainty", "Standard uncertainty u", difference=True),
        _in_unit_of_value("expanded_uncertainty", "Expanded uncertainty U = k u", difference=True),
        _in_unit_of_value("guard_band", "Guard band r U", difference=True),
        _in_unit_of_value(
            "lower_acceptance_limit", "Least that is accepted", when="lower_limit is given"
        ),
        _in_unit_of_value(
            "upper_acceptance_limit", "Most that is accepted", when="upper_limit is given"
        ),
    ),
    sources=(
        "JCGM 106:2012 clause 7.4",
        "JCGM 106:2012 clause 8 and ISO 14253-1 (from memory)",
        "JCGM 100:2008 4.3.7 and 6.2.1",
    ),
    check=_check,
    work=_work,
    example={
        "value": {"value": 4.2, "unit": "mW/cm2"},
        "percent_of_reading": 25,
        "upper_limit": {"value": 5, "unit": "mW/cm2"},
    },
)
