"""Metrology against worked examples of the standards and against scipy's normal distribution."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.stats import norm

from service.physics.metrology import (
    Accuracy,
    accuracy_half_width,
    combine,
    conformance_probability,
    expanded,
    guarded_acceptance_limit,
    over_range_likelihoods,
    partition_probabilities,
    rectangular_standard_uncertainty,
)

BAD = [math.nan, math.inf, -math.inf]


# Meter notations


@pytest.mark.parametrize(
    ("value", "accuracy", "half_width", "standard"),
    [
        pytest.param(
            32.00, Accuracy(2.5, 3, 0.01), 0.83, 0.479, id="2.5 % + 3 digits, university course"
        ),
        pytest.param(
            120.0, Accuracy(0.7, 2, 0.1), 1.04, 0.600, id="0.7 % + 2 counts, JCGM 100:2008 4.3.7"
        ),
    ],
)
def test_meter_notation(
    value: float, accuracy: Accuracy, half_width: float, standard: float
) -> None:
    found = accuracy_half_width(value, accuracy)
    assert found == pytest.approx(half_width, abs=1e-12)
    assert rectangular_standard_uncertainty(found) == pytest.approx(standard, abs=5e-4)


def test_half_width_of_a_negative_reading_and_of_zero() -> None:
    accuracy = Accuracy(1.0, 2, 0.1)
    assert accuracy_half_width(-50.0, accuracy) == accuracy_half_width(50.0, accuracy) == 0.7
    assert accuracy_half_width(0.0, accuracy) == 0.2


def test_rectangular_uncertainty_is_the_deviation_of_a_uniform_distribution() -> None:
    # JCGM 100:2008 4.3.7, by the midpoints of a fine grid instead of the formula.
    width, cells = 0.83, 100_000
    grid = (np.arange(cells) + 0.5) / cells * 2 * width - width
    assert rectangular_standard_uncertainty(width) == pytest.approx(grid.std(), rel=1e-9)


def test_combine() -> None:
    assert combine(3.0, 4.0) == 5.0
    assert combine(1.0, 2.0, 2.0) == 3.0
    assert combine(0.25) == 0.25
    assert combine() == 0.0


# Worked examples of conformance


@pytest.mark.parametrize(
    ("value", "uncertainty", "lower", "upper", "expected", "digits"),
    [
        pytest.param(
            -5.47, 0.05, -math.inf, -5.40, 0.919, 5e-4, id="JCGM 106:2012 Zener diode (from memory)"
        ),
        pytest.param(13.6, 1.8, 12.5, 16.3, 0.66263, 5e-6, id="JCGM 106:2012 7.4, two limits"),
    ],
)
def test_conformance_examples(
    value: float, uncertainty: float, lower: float, upper: float, expected: float, digits: float
) -> None:
    found = conformance_probability(value, uncertainty, lower, upper)
    assert found == pytest.approx(expected, abs=digits)


@pytest.mark.parametrize(
    ("factor", "percent", "digits"),
    [
        (1, 68.27, 0.005),
        (1.645, 90, 0.005),
        (2, 95.45, 0.005),
        (2.576, 99, 0.005),
        (3, 99.73, 0.005),
    ],
)
def test_coverage(factor: float, percent: float, digits: float) -> None:
    """NIST TN 1297 section 6.3."""
    half = expanded(0.3, factor)
    found = conformance_probability(7.0, 0.3, 7.0 - half, 7.0 + half)
    assert 100 * found == pytest.approx(percent, abs=digits)


def test_guarded_acceptance() -> None:
    # JCGM 106:2012 clause 8 (from memory): a reading at the acceptance limit of r = 1 and k = 2
    # is within tolerance with probability Phi(2), the figure from a printed normal table.
    uncertainty = 4.0
    limit = guarded_acceptance_limit(50.0, expanded(uncertainty, 2.0))
    assert limit == 42.0
    found = conformance_probability(limit, uncertainty, upper=50.0)
    assert found == pytest.approx(0.97725, abs=5e-6)
    assert guarded_acceptance_limit(50.0, 8.0, 0.0) == 50.0
    assert guarded_acceptance_limit(50.0, 8.0, 0.5) == 46.0


# Conformance against scipy


def by_scipy(value: float, uncertainty: float, lower: float, upper: float) -> float:
    """The same probability from scipy, from the upper tail where the interval lies above."""
    if lower > value:
        return float(norm.sf(lower, value, uncertainty) - norm.sf(upper, value, uncertainty))
    return float(norm.cdf(upper, value, uncertainty) - norm.cdf(lower, value, uncertainty))


@pytest.mark.parametrize("score", np.arange(-8.0, 8.25, 0.5))
def test_single_limits_keep_digits_to_eight_sigma(score: float) -> None:
    below = conformance_probability(10.0, 0.5, upper=10.0 + score * 0.5)
    above = conformance_probability(10.0, 0.5, lower=10.0 + score * 0.5)
    assert below == pytest.approx(norm.cdf(score), rel=1e-12, abs=0.0)
    assert above == pytest.approx(norm.sf(score), rel=1e-12, abs=0.0)


@pytest.mark.parametrize("start", [-8.0, -6.5, -3.0, -0.5, 0.0, 0.5, 3.0, 6.5, 7.5])
@pytest.mark.parametrize("width", [0.1, 0.5, 2.0, 12.0])
def test_two_limits_keep_digits_in_the_tails(start: float, width: float) -> None:
    found = conformance_probability(0.0, 1.0, start, start + width)
    assert found == pytest.approx(by_scipy(0.0, 1.0, start, start + width), rel=1e-12, abs=0.0)


@given(st.floats(-1e3, 1e3), st.floats(1e-3, 1e3), st.floats(-1e3, 1e3), st.floats(0.0, 1e3))
def test_conformance_against_scipy(
    value: float, uncertainty: float, lower: float, width: float
) -> None:
    upper = lower + width
    found = conformance_probability(value, uncertainty, lower, upper)
    assert found == pytest.approx(by_scipy(value, uncertainty, lower, upper), rel=1e-7, abs=1e-14)
    assert 0.0 <= found <= 1.0


@pytest.mark.parametrize(
    ("value", "lower", "upper", "expected"),
    [
        (1.0, 1.0, 2.0, 1.0),
        (2.0, 1.0, 2.0, 0.0),
        (1.5, 1.0, 2.0, 1.0),
        (0.9, 1.0, 2.0, 0.0),
        (2.1, 1.0, 2.0, 0.0),
        (1.0, 1.0, 1.0, 0.0),
        (5.0, -math.inf, math.inf, 1.0),
    ],
)
def test_without_uncertainty_it_is_membership(
    value: float, lower: float, upper: float, expected: float
) -> None:
    assert conformance_probability(value, 0.0, lower, upper) == expected


# Partitions

scores = st.floats(-1e4, 1e4, allow_subnormal=False)
spreads = st.floats(0.0, 1e3, allow_subnormal=False)


@st.composite
def partitions(draw: st.DrawFn) -> tuple[list[float], list[float]]:
    edges = sorted(draw(st.lists(scores, max_size=6)))
    return edges, draw(st.lists(spreads, min_size=len(edges), max_size=len(edges)))


@given(scores, spreads, partitions())
def test_a_partition_is_a_distribution(
    value: float, uncertainty: float, limits: tuple[list[float], list[float]]
) -> None:
    edges, edge_uncertainties = limits
    for given_uncertainties in (None, edge_uncertainties):
        found = partition_probabilities(value, uncertainty, edges, given_uncertainties)
        assert len(found) == len(edges) + 1
        assert all(region >= 0.0 for region in found)
        assert math.fsum(found) == pytest.approx(1.0, abs=1e-12)


@given(scores, st.floats(1e-2, 1e3), st.lists(scores, max_size=6).map(sorted))
def test_partition_against_scipy(value: float, uncertainty: float, edges: list[float]) -> None:
    found = partition_probabilities(value, uncertainty, edges)
    bounds = [-math.inf, *edges, math.inf]
    for place, region in enumerate(found):
        expected = by_scipy(value, uncertainty, bounds[place], bounds[place + 1])
        assert region == pytest.approx(expected, rel=1e-7, abs=1e-14)


def test_partition_tails_at_eight_sigma() -> None:
    found = partition_probabilities(0.0, 2.0, [-16.0, -14.0, 14.0, 16.0])
    outer, inner = norm.sf(8.0), norm.sf(7.0) - norm.sf(8.0)
    expected = [outer, inner, 1.0 - 2 * norm.sf(7.0), inner, outer]
    assert found == pytest.approx(expected, rel=1e-12, abs=0.0)


@given(scores, spreads, scores, spreads)
def test_an_uncertain_edge_against_scipy(
    value: float, uncertainty: float, edge: float, edge_uncertainty: float
) -> None:
    # Reading and limit independent and normal: reading - limit is normal as well.
    together = math.sqrt(uncertainty**2 + edge_uncertainty**2)
    assume(together > 1e-3)
    below, above = partition_probabilities(value, uncertainty, [edge], [edge_uncertainty])
    assert below == pytest.approx(norm.cdf((edge - value) / together), rel=1e-7, abs=1e-14)
    assert above == pytest.approx(norm.sf((edge - value) / together), rel=1e-7, abs=1e-14)


def test_two_uncertain_edges_in_order_keep_their_own_uncertainty() -> None:
    found = partition_probabilities(118.0, 0.6, [110.0, 127.0], [3.0, 4.0])
    low = norm.cdf(110.0, 118.0, math.sqrt(0.6**2 + 3.0**2))
    high = norm.cdf(127.0, 118.0, math.sqrt(0.6**2 + 4.0**2))
    assert found == pytest.approx([low, high - low, 1.0 - high], rel=1e-12)


def test_edges_that_cross_are_met_halfway() -> None:
    # Scores 2 and 0.5: the region between would get a negative probability.
    found = partition_probabilities(0.0, 0.0, [2.0, 5.0], [1.0, 10.0])
    assert found == pytest.approx([norm.cdf(1.25), 0.0, norm.sf(1.25)], rel=1e-12)


@given(scores, st.floats(1e-3, 1e3), partitions())
def test_a_mirrored_partition_gives_mirrored_probabilities(
    value: float, uncertainty: float, limits: tuple[list[float], list[float]]
) -> None:
    edges, spread = limits
    found = partition_probabilities(value, uncertainty, edges, spread)
    mirrored = partition_probabilities(
        -value, uncertainty, [-edge for edge in reversed(edges)], spread[::-1]
    )
    assert found == pytest.approx(mirrored[::-1], rel=1e-9, abs=1e-14)


@given(scores, st.floats(0.0, 1e4), spreads, partitions())
def test_a_higher_reading_never_makes_the_lower_regions_likelier(
    value: float, more: float, uncertainty: float, limits: tuple[list[float], list[float]]
) -> None:
    edges, spread = limits
    low = np.cumsum(partition_probabilities(value, uncertainty, edges, spread))
    high = np.cumsum(partition_probabilities(value + more, uncertainty, edges, spread))
    assert np.all(high <= low + 1e-12)


@pytest.mark.parametrize(
    ("value", "expected"), [(0.5, [1, 0, 0]), (1.0, [0, 1, 0]), (4.0, [0, 0, 1]), (9.0, [0, 0, 1])]
)
def test_a_certain_reading_on_an_edge_belongs_above(value: float, expected: list[float]) -> None:
    assert partition_probabilities(value, 0.0, [1.0, 4.0]) == expected


def test_equal_edges_leave_nothing_between() -> None:
    found = partition_probabilities(1.2, 0.3, [1.0, 1.0])
    assert found[1] == 0.0
    assert found[0] == pytest.approx(norm.cdf(1.0, 1.2, 0.3))
    assert partition_probabilities(1.0, 0.3, []) == [1.0]


# Over range


@pytest.mark.parametrize(
    ("limit", "edges", "expected"),
    [
        (40e6, [1.0, 1e6], [0, 0, 1]),  # only the last region lies above
        (40e6, [1.0, 40e6], [0, 0, 1]),
        (10.0, [10.0, 100.0], [0, 1, 1]),
        (10.0, [1.0, 100.0], [0, 0.5, 1]),  # one decade of two lies above
        (10.0, [1.0, 1000.0], [0, 2 / 3, 1]),
        (10.0, [0.0, 40.0], [0, 0.75, 1]),  # linear from zero
        (10.0, [-40.0, 60.0], [0, 0.5, 1]),  # linear from a negative edge
        (10.0, [40.0], [0.75, 1]),  # the first region counts from zero
        (10.0, [-5.0], [0, 1]),
        (10.0, [], [1]),
    ],
)
def test_over_range(limit: float, edges: list[float], expected: list[float]) -> None:
    assert over_range_likelihoods(limit, edges) == pytest.approx(expected, rel=1e-12)


@given(st.floats(1e-3, 1e8), st.floats(1e-3, 1e8), st.floats(1e-3, 1e8))
def test_over_range_share_by_counting_on_a_logarithmic_grid(
    limit: float, one: float, other: float
) -> None:
    lower, upper = sorted((one, other))
    assume(upper / lower > 1.01)
    grid = np.geomspace(lower, upper, 20_001)
    found = over_range_likelihoods(limit, [lower, upper])[1]
    assert found == pytest.approx(np.mean(grid > limit), abs=2e-4)


@given(
    st.floats(1e-3, 1e9),
    st.floats(1.0, 1e3),
    st.lists(st.floats(-1e3, 1e9), max_size=6).map(sorted),
)
def test_over_range_properties(limit: float, factor: float, edges: list[float]) -> None:
    found = over_range_likelihoods(limit, edges)
    assert len(found) == len(edges) + 1
    assert found[-1] == 1.0
    assert all(0.0 <= likelihood <= 1.0 for likelihood in found)
    wider = over_range_likelihoods(limit * factor, edges)
    assert all(more <= less + 1e-12 for more, less in zip(wider, found, strict=True))


# Refusals


@pytest.mark.parametrize("bad", [*BAD, -1.0])
def test_sizes_must_be_finite_and_not_negative(bad: float) -> None:
    for call in (
        lambda: Accuracy(bad, 1, 0.1),
        lambda: Accuracy(1, bad, 0.1),
        lambda: Accuracy(1, 1, bad),
        lambda: rectangular_standard_uncertainty(bad),
        lambda: combine(1.0, bad),
        lambda: expanded(bad, 2.0),
        lambda: expanded(1.0, bad),
        lambda: guarded_acceptance_limit(1.0, bad),
        lambda: guarded_acceptance_limit(1.0, 1.0, bad),
        lambda: conformance_probability(1.0, bad, 0.0, 1.0),
        lambda: partition_probabilities(1.0, bad, [0.0]),
        lambda: partition_probabilities(1.0, 1.0, [0.0], [bad]),
        lambda: over_range_likelihoods(bad, [1.0]),
    ):
        with pytest.raises(ValueError, match="must be finite"):
            call()


@pytest.mark.parametrize("bad", BAD)
def test_values_and_edges_must_be_finite(bad: float) -> None:
    for call in (
        lambda: accuracy_half_width(bad, Accuracy(1, 1, 0.1)),
        lambda: guarded_acceptance_limit(bad, 1.0),
        lambda: conformance_probability(bad, 1.0, 0.0, 1.0),
        lambda: partition_probabilities(bad, 1.0, [0.0]),
        lambda: partition_probabilities(1.0, 1.0, [0.0, bad]),
        lambda: over_range_likelihoods(1.0, [0.0, bad]),
    ):
        with pytest.raises(ValueError, match="must be a finite number"):
            call()


def test_limits_out_of_order() -> None:
    with pytest.raises(ValueError, match="above upper"):
        conformance_probability(1.0, 1.0, 2.0, 1.0)
    with pytest.raises(ValueError, match="not a number"):
        conformance_probability(1.0, 1.0, math.nan, 1.0)
    with pytest.raises(ValueError, match="not a number"):
        conformance_probability(1.0, 1.0, 1.0, math.nan)
    with pytest.raises(ValueError, match="out of order"):
        partition_probabilities(1.0, 1.0, [2.0, 1.0])
    with pytest.raises(ValueError, match="out of order"):
        over_range_likelihoods(1.0, [2.0, 1.0])
    with pytest.raises(ValueError, match="2 uncertainties for 1 edges"):
        partition_probabilities(1.0, 1.0, [2.0], [0.1, 0.1])
    with pytest.raises(ValueError, match="greater than 0"):
        over_range_likelihoods(0.0, [2.0])
