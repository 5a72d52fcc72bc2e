"""Whatever is sent to a named calculation is answered with finite numbers or refused by pointer."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from service.physics.calculations import CALCULATIONS, InputError, calculate
from service.physics.forms.inputs import ChoiceInput, NumberInput, QuantityInput
from service.physics.units import QUANTITIES
from tests.wanted import examples

NAMES = list(CALCULATIONS)
HOSTILE_NUMBERS = st.one_of(
    st.sampled_from(
        [0, -0.0, -1, 5e-324, -5e-324, 1e-300, 1e300, 1.7976931348623157e308, 10**300, 10**400]
    ),
    st.sampled_from([1e15, -1e15, 1.0000000001e15, 373.15, 0.1, 1, 2, 10, 60, 120, 1000]),
    st.floats(allow_nan=True, allow_infinity=True),
    st.integers(),
)
HOSTILE_UNITS = st.one_of(
    st.sampled_from([unit for units in QUANTITIES.values() for unit in units]),
    st.sampled_from(
        [
            "10*-300.V",
            "10*300.V",
            "10*-999.g",
            "10*-300V",
            "ym",
            "Ys",
            "yV",
            "YV",
            "1/s",
            "V2",
            "dB",
            "",
            "[pH]",
        ]
    ),
    st.text(max_size=40),
)
JUNK = st.one_of(
    st.none(),
    st.booleans(),
    HOSTILE_NUMBERS,
    st.sampled_from(["NaN", "1e5", "A", "B", "formula", "one-litre", "two-litre", "voltage"]),
    st.text(max_size=5),
    st.lists(st.none(), max_size=2),
    st.dictionaries(st.sampled_from(["value", "unit", "~/"]), HOSTILE_NUMBERS, max_size=3),
)


@st.composite
def hostile(draw: st.DrawFn) -> tuple[str, Any]:
    """A document near to what a calculation takes."""
    name = draw(st.sampled_from(NAMES))
    calculation = CALCULATIONS[name]
    document: dict[str, Any] = dict(calculation.example) if draw(st.integers(0, 3)) else {}
    inputs = draw(
        st.lists(st.sampled_from(calculation.inputs), max_size=draw(st.sampled_from([1, 2, 6])))
    )
    for one in inputs:
        if draw(st.integers(0, 3)) == 0:
            document[one.name] = draw(JUNK)
        elif isinstance(one, QuantityInput):
            if one.unit and draw(st.booleans()):
                number, unit = draw(st.floats(one.least, one.most)), one.unit
            else:
                near = QUANTITIES[one.quantity or draw(st.sampled_from(list(QUANTITIES)))]
                number = draw(HOSTILE_NUMBERS)
                unit = draw(st.sampled_from(near) | HOSTILE_UNITS)
            document[one.name] = {"value": number, "unit": unit}
        elif isinstance(one, ChoiceInput):
            document[one.name] = draw(st.sampled_from(one.choices))
        elif isinstance(one, NumberInput):
            document[one.name] = draw(HOSTILE_NUMBERS | st.floats(one.least, one.most))
    if draw(st.integers(0, 9)) == 0:
        document[draw(st.text(max_size=5))] = draw(JUNK)
    return name, document


def numbers(node: Any) -> Iterator[float]:
    if isinstance(node, dict | list):
        for inner in node.values() if isinstance(node, dict) else node:
            yield from numbers(inner)
    elif isinstance(node, float):
        yield node


@given(hostile())
@settings(max_examples=examples(1500), deadline=None)
def test_every_document_is_answered_or_refused(drawn: tuple[str, Any]) -> None:
    name, document = drawn
    answer, errors = attempt(name, document)
    assert (answer is None) == bool(errors)
    for at, message in errors:
        assert 0 < len(message) < 700
        assert_resolves(document, at)
    assert all(math.isfinite(number) for number in numbers(answer))
    for one in answer["outputs"] if answer else []:
        if one["name"].startswith("probability"):
            assert 0 <= one["value"] <= 1
    again = attempt(name, document)
    assert json.dumps([answer, errors], allow_nan=False) == json.dumps(again, allow_nan=False)


def attempt(name: str, document: Any) -> tuple[dict[str, Any] | None, tuple[tuple[str, str], ...]]:
    try:
        return calculate(name, document), ()
    except InputError as error:
        return None, error.errors


def assert_resolves(document: Any, at: str) -> None:
    """The pointer leads to something in the document, or to a member that is missing."""
    *parents, last = [part.replace("~1", "/").replace("~0", "~") for part in at.split("/")[1:]]
    node = document
    for part in parents:
        assert isinstance(node, dict)
        node = node[part]
    assert isinstance(node, dict)
    assert isinstance(last, str)
