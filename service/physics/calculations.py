"""The named calculations: one JSON document of inputs in, one of outputs out.

Errors:

    InputError                  the inputs cannot be used; has every (JSON Pointer, message)
    UnknownCalculation          no calculation of that name; the message names the nearest
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from service.alike import alike
from service.documents import shown
from service.physics.forms.conformance import CONFORMANCE
from service.physics.forms.high_voltage import CAPACITOR_DISCHARGE, HIGH_VOLTAGE_DOUBLER
from service.physics.forms.inputs import (
    ChoiceInput,
    Given,
    Input,
    InputError,
    NumberInput,
    QuantityInput,
    difference_of,
    load,
)
from service.physics.forms.model import Calculation, Measured, Output, Result
from service.physics.forms.supply import SUPPLY_TOLERANCE
from service.physics.forms.water_load import WATER_LOAD_POWER
from service.physics.units import from_si

__all__ = [
    "CALCULATIONS",
    "InputError",
    "Measured",
    "Result",
    "UnknownCalculation",
    "calculate",
    "described",
    "evaluate",
]

CALCULATIONS: Mapping[str, Calculation] = MappingProxyType(
    {
        one.name: one
        for one in (
            WATER_LOAD_POWER,
            CAPACITOR_DISCHARGE,
            SUPPLY_TOLERANCE,
            HIGH_VOLTAGE_DOUBLER,
            CONFORMANCE,
        )
    }
)


class UnknownCalculation(LookupError):  # noqa: N818 - named as the errors of the units are
    """No calculation has that name. The message is for the one who sent it."""


def evaluate(name: str, document: Any) -> Result:
    """The result in SI units, not rounded; `measured` is value and standard uncertainty.

    `document`: JSON, the inputs by name: a quantity as {"value", "unit"} (UCUM), a number, a text.

    Raises:
        UnknownCalculation, InputError.
    """
    return _run(_calculation(name), document)[1]


def calculate(name: str, document: Any) -> dict[str, Any]:
    """The answer as a JSON document: inputs as used, outputs with units, warnings, sources.

    Raises:
        UnknownCalculation, InputError.
    """
    calculation = _calculation(name)
    given, result = _run(calculation, document)
    return {
        "calculation": name,
        "title": calculation.title,
        "outputs": [
            _output(one, result.values[one.name], given)
            for one in calculation.outputs
            if one.name in result.values
        ],
        "verdict": result.verdict,
        "warnings": [remark._asdict() for remark in result.warnings],
        "notes": [remark._asdict() for remark in result.notes],
        "inputs": given.used(),
        "sources": [*result.sources, *calculation.sources],
    }


def described() -> list[dict[str, Any]]:
    """What each calculation takes and gives, as a JSON document."""
    return [
        {
            "name": one.name,
            "title": one.title,
            "description": one.description,
            "inputs": [_described_input(each) for each in one.inputs],
            "outputs": [
                {
                    "name": each.name,
                    "title": each.title,
                    "quantity": each.quantity,
                    "unit": each.unit,
                    "when": each.when,
                }
                for each in one.outputs
            ],
            "sources": list(one.sources),
            "example": dict(one.example),
        }
        for one in CALCULATIONS.values()
    ]


def _calculation(name: str) -> Calculation:
    found = CALCULATIONS.get(name)
    if found is None:
        near = alike(name, CALCULATIONS)
        hint = f"did you mean {near[0]}?" if near else f"known: {', '.join(CALCULATIONS)}."
        raise UnknownCalculation(f"There is no calculation {shown(name)}; {hint}")
    return found


def _run(calculation: Calculation, document: Any) -> tuple[Given, Result]:
    given, errors = load(calculation.inputs, document)
    if isinstance(document, Mapping):
        errors += calculation.check(given)
    if errors:
        raise InputError(errors)
    return given, calculation.work(given)


def _output(one: Output, si: float, given: Given) -> dict[str, Any]:
    quantity, unit = one.quantity, one.unit
    if quantity is None:
        value = given.stated("value")
        quantity, unit = given.quantity, value.unit if value else None
    if one.difference:
        quantity = difference_of(quantity)
    assert unit is not None
    exact = from_si(si, unit, quantity)
    # Rounding keeps the answer the same on machines whose last binary digit differs.
    rounded = (
        float(f"{exact:.{one.digits}g}") if one.decimals is None else round(exact, one.decimals)
    )
    return {"name": one.name, "title": one.title, "value": rounded + 0.0, "unit": unit}


def _described_input(one: Input) -> dict[str, Any]:
    assert isinstance(one, QuantityInput | NumberInput | ChoiceInput)
    number = None if isinstance(one, ChoiceInput) else one
    quantity = one if isinstance(one, QuantityInput) else None
    kind = "quantity" if quantity else "number" if number else "choice"
    return {
        "name": one.name,
        "kind": kind,
        "description": one.description,
        "required": one.required,
        "rule": one.rule,
        "default": one.default,
        "quantity": quantity.quantity if quantity else None,
        "unit": quantity.unit if quantity else None,
        "least": number.least if number else None,
        "most": number.most if number else None,
        "choices": list(one.choices) if isinstance(one, ChoiceInput) else [],
        "default_source": one.default_source,
        "bounds_source": None if isinstance(one, ChoiceInput) else one.bounds_source,
    }
