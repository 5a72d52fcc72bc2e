"""A meter's accuracy as inputs of a calculation: +/-(percent of reading + counts)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from service.physics.forms.inputs import (
    Given,
    Input,
    NumberInput,
    QuantityInput,
    Refusal,
    difference_of,
)
from service.physics.metrology import (
    Accuracy,
    accuracy_half_width,
    rectangular_standard_uncertainty,
)
from service.physics.units import from_si, to_si

PERCENT = NumberInput(
    name="percent_of_reading",
    description="Accuracy of the meter: percent of the reading as shown in its unit.",
    least=0.0,
    most=100.0,
)
COUNTS = NumberInput(
    name="counts",
    description="Accuracy of the meter: counts of the last digit.",
    rule="Left out beside percent_of_reading it is 0.",
    least=0.0,
    most=10_000.0,
)
NAMES = ("percent_of_reading", "counts", "resolution")


def accuracy_inputs(
    resolution: QuantityInput, *, percent: float, counts: float, source: str
) -> tuple[Input, ...]:
    """The three inputs, with what is assumed of a meter of which nothing is said."""
    return (
        replace(PERCENT, default=percent, default_source=source),
        replace(COUNTS, default=counts, default_source=source),
        resolution,
    )


def stated_accuracy(given: Given) -> str | None:
    """The first of the inputs that the document names."""
    return next((name for name in NAMES if name in given), None)


def reading_uncertainty(given: Given, reading: str, quantity: str) -> float:
    """Standard uncertainty of the input `reading`, in SI units (JCGM 100:2008 4.3.7).

    Percent of a reading means the number on the display: in Cel, not in K.
    """
    value = given.stated(reading)
    assert value is not None
    assert value.unit is not None
    difference = difference_of(quantity)
    # Who states the percentage alone means a meter without a counts term.
    counts = given.number("counts", 0.0 if "percent_of_reading" in given else None)
    step = from_si(given.number("resolution"), value.unit, difference) if counts else 0.0
    accuracy = Accuracy(given.number("percent_of_reading"), counts, step)
    half_width = accuracy_half_width(float(value.sent), accuracy)
    return to_si(rectangular_standard_uncertainty(half_width), value.unit, difference)


def no_uncertainty(given: Given) -> Iterator[Refusal]:
    """The refusal of an accuracy that says that the reading is exact."""
    message = "this gives the reading no uncertainty at all: state what the meter's data sheet says"
    yield f"/{stated_accuracy(given) or NAMES[0]}", message
