"""Supply limits. Both standards from memory; only the service range of 120 V is asserted."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.physics.supply import ServiceRange, supply_limits


@pytest.mark.parametrize(
    ("nominal", "service_range", "lower", "upper", "source"),
    [
        pytest.param(230.0, "B", 207.0, 253.0, "IEC 60038", id="IEC 60038 (from memory)"),
        pytest.param(120.0, "A", 114.0, 126.0, "ANSI C84.1", id="ANSI C84.1 A (from memory)"),
        pytest.param(120.0, "B", 110.0, 127.0, "ANSI C84.1", id="ANSI C84.1 B (from memory)"),
    ],
)
def test_limits(
    nominal: float, service_range: ServiceRange, lower: float, upper: float, source: str
) -> None:
    found = supply_limits(nominal, service_range)
    assert (found.lower, found.upper) == (lower, upper)
    assert source in found.source
    assert "(from memory)" in found.source


def test_range_b_is_the_default_and_its_source_says_so() -> None:
    assert supply_limits(120.0) == supply_limits(120.0, "B")
    assert "range B" in supply_limits(120.0).source
    assert "range A" in supply_limits(120.0, "A").source


def test_other_voltages_do_not_depend_on_the_range() -> None:
    assert supply_limits(100.0, "A") == supply_limits(100.0, "B")
    assert supply_limits(100.0)[:2] == (90.0, 110.0)


@given(st.floats(1.0, 1000.0))
def test_the_nominal_voltage_lies_within(nominal: float) -> None:
    lower, upper, _ = supply_limits(nominal)
    assert 0.9 * nominal * (1 - 1e-9) <= lower < nominal < upper <= 1.1 * nominal * (1 + 1e-9)


@pytest.mark.parametrize("bad", [math.nan, math.inf, 0.0, -120.0])
def test_a_voltage_that_cannot_be(bad: float) -> None:
    with pytest.raises(ValueError, match="greater than 0"):
        supply_limits(bad)


def test_a_range_that_is_none() -> None:
    with pytest.raises(ValueError, match="A or B"):
        supply_limits(120.0, "C")  # type: ignore[arg-type]
