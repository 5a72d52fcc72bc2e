"""supply-tolerance: what an outlet may have, and how probably a reading is within."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import cast

from service.physics.forms.accuracy import (
    accuracy_inputs,
    no_uncertainty,
    reading_uncertainty,
    stated_accuracy,
)
from service.physics.forms.inputs import ChoiceInput, Given, QuantityInput, Refusal
from service.physics.forms.model import Calculation, Output, Remark, Result, probability
from service.physics.metrology import partition_probabilities
from service.physics.supply import ServiceRange, supply_limits

_IF_MEASURED = "measured_voltage is given"


def _check(given: Given) -> Iterator[Refusal]:
    accuracy = stated_accuracy(given)
    if "measured_voltage" not in given:
        if accuracy is not None:
            yield "/measured_voltage", f"this is required beside {accuracy}"
    elif _readable(given) and reading_uncertainty(given, "measured_voltage", "voltage") == 0.0:
        yield from no_uncertainty(given)


def _readable(given: Given) -> bool:
    names = ("measured_voltage", "percent_of_reading", "counts", "resolution")
    return all(name not in given or given.stated(name) is not None for name in names)


def _work(given: Given) -> Result:
    nominal = given.number("nominal_voltage")
    has_range = math.isclose(nominal, 120.0)
    # "B" is what the limits take by default; asked for only where it stands for something.
    service_range = given.text("service_range") if has_range else "B"
    limits = supply_limits(nominal, cast(ServiceRange, service_range))
    values = {"lower_limit": limits.lower, "upper_limit": limits.upper}
    sources: tuple[str, ...] = (limits.source,)
    value = given.maybe("measured_voltage")
    if value is not None:
        uncertainty = reading_uncertainty(given, "measured_voltage", "voltage")
        low, within, high = partition_probabilities(
            value, uncertainty, (limits.lower, limits.upper)
        )
        values |= {
            "standard_uncertainty": uncertainty,
            "probability_low": low,
            "probability_within": within,
            "probability_high": high,
        }
        sources += ("JCGM 106:2012 clause 7.4", "JCGM 100:2008 4.3.7")
    return Result(values, notes=tuple(_notes(given, has_range)), sources=sources)


def _notes(given: Given, has_range: bool) -> Iterator[Remark]:
    if has_range:
        text = (
            "Range A is where a 120 V supply should be, range B where it may be for a short time."
        )
        yield Remark("service-range", text, "ANSI C84.1 (from memory)")
    elif "service_range" in given:
        text = "service_range stands for 120 V nominal only; it was not used."
        yield Remark("service-range-not-used", text, "ANSI C84.1 (from memory)")


_ACCURACY = accuracy_inputs(
    QuantityInput(
        name="resolution",
        description="Size of one count.",
        quantity="voltage",
        unit="V",
        least=0.0,
        most=100.0,
        default=0.1,
        default_source="estimate",
    ),
    percent=1.2,
    counts=5.0,
    source="estimate",
)

SUPPLY_TOLERANCE = Calculation(
    name="supply-tolerance",
    title="Limits of the supply voltage at the outlet",
    description="10 % either way of the nominal voltage; for 120 V the service range.",
    inputs=(
        QuantityInput(
            name="nominal_voltage",
            description="Nominal voltage of the supply.",
            required=True,
            quantity="voltage",
            unit="V",
            least=10.0,
            most=1000.0,
        ),
        ChoiceInput(
            name="service_range",
            description="Range of ANSI C84.1, at 120 V only.",
            rule="Not used at another nominal voltage.",
            choices=("A", "B"),
            default="B",
            default_source="estimate",
        ),
        QuantityInput(
            name="measured_voltage",
            description="Reading at the outlet, a.c. r.m.s.",
            quantity="voltage",
            unit="V",
            least=0.0,
            most=2000.0,
        ),
        *_ACCURACY,
    ),
    outputs=(
        Output("lower_limit", "Least that the supply may have", "voltage", "V"),
        Output("upper_limit", "Most that the supply may have", "voltage", "V"),
        Output(
            "standard_uncertainty",
            "Standard uncertainty of the reading",
            "voltage",
            "V",
            digits=3,
            when=_IF_MEASURED,
        ),
        probability(
            "probability_low", "Probability that the supply is below the lower limit", _IF_MEASURED
        ),
        probability(
            "probability_within", "Probability that the supply is within the limits", _IF_MEASURED
        ),
        probability(
            "probability_high", "Probability that the supply is above the upper limit", _IF_MEASURED
        ),
    ),
    sources=(),
    check=_check,
    work=_work,
    example={
        "nominal_voltage": {"value": 120, "unit": "V"},
        "service_range": "A",
        "measured_voltage": {"value": 113.6, "unit": "V"},
        "percent_of_reading": 0.7,
        "counts": 2,
        "resolution": {"value": 0.1, "unit": "V"},
    },
)
