"""Readings with an uncertainty against limits.

Sources: JCGM 100:2008 (GUM), evaluation of measurement uncertainty; JCGM 106:2012, its role in
conformity assessment. Clause 8 of the latter is cited from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from service.physics.require import require_finite, require_positive, require_size


@dataclass(frozen=True, slots=True)
class Accuracy:
    """A meter's accuracy as data sheets state it: +/-(percent of reading + counts).

    `resolution` is the size of one count in SI units. Raises ValueError for a negative or
    non-finite member.
    """

    percent_of_reading: float
    counts: float
    resolution: float

    def __post_init__(self) -> None:
        for name in self.__slots__:
            require_size(**{name: getattr(self, name)})


def accuracy_half_width(value: float, accuracy: Accuracy) -> float:
    """Half-width of the interval that the meter promises around `value`, in the unit of `value`.

    Common practice: percent of the reading's size plus counts times resolution. Raises ValueError
    for a non-finite value.
    """
    require_finite(value=value)
    proportional = abs(value) * accuracy.percent_of_reading / 100.0
    return proportional + accuracy.counts * accuracy.resolution


def rectangular_standard_uncertainty(half_width: float) -> float:
    """a / sqrt(3), where nothing but the limits -a and +a is known (JCGM 100:2008 4.3.7).

    Raises ValueError for a negative or non-finite half-width.
    """
    require_size(half_width=half_width)
    return half_width / math.sqrt(3.0)


def combine(*uncertainties: float) -> float:
    """Root sum of squares of independent standard uncertainties (JCGM 100:2008 5.1.2).

    Raises ValueError for a negative or non-finite one.
    """
    for uncertainty in uncertainties:
        require_size(uncertainty=uncertainty)
    return math.hypot(*uncertainties)


def expanded(uncertainty: float, coverage_factor: float) -> float:
    """U = k u (JCGM 100:2008 6.2.1). Raises ValueError for a negative or non-finite argument."""
    require_size(uncertainty=uncertainty, coverage_factor=coverage_factor)
    return coverage_factor * uncertainty


def guarded_acceptance_limit(
    upper: float, expanded_uncertainty: float, guard_factor: float = 1.0
) -> float:
    """Acceptance limit A = T - r U below the upper tolerance limit T (JCGM 106:2012 clause 8).

    Raises ValueError for a non-finite limit, or a negative or non-finite other argument.
    """
    require_finite(upper=upper)
    require_size(expanded_uncertainty=expanded_uncertainty, guard_factor=guard_factor)
    return upper - guard_factor * expanded_uncertainty


def conformance_probability(
    value: float, uncertainty: float, lower: float = -math.inf, upper: float = math.inf
) -> float:
    """P(lower <= Y < upper) for Y normal about `value` (JCGM 106:2012 clause 7.4).

    All in one unit; `uncertainty` is a standard uncertainty. Without any (0) it is exact
    membership: 1 where lower <= value < upper, else 0. A limit may be infinite on its own side.
    Raises ValueError for NaN, a non-finite value, a negative uncertainty, lower > upper.
    """
    require_finite(value=value)
    require_size(uncertainty=uncertainty)
    if math.isnan(lower) or math.isnan(upper):
        raise ValueError("a limit is not a number")
    if lower > upper:
        raise ValueError(f"lower limit {lower} is above upper limit {upper}")
    return _normal_between(
        _standard_score(lower, value, uncertainty), _standard_score(upper, value, uncertainty)
    )


def partition_probabilities(
    value: float,
    uncertainty: float,
    edges: Sequence[float],
    edge_uncertainties: Sequence[float] | None = None,
) -> list[float]:
    """The probability of each of len(edges) + 1 regions: below the first edge, ..., above the last.

    A value on an edge belongs to the region above it. `edge_uncertainties` (standard) are for
    limits that are not certain themselves, such as one that follows an assumed nameplate value;
    each adds to `uncertainty` by root sum of squares. Edges of unequal uncertainty can cross in
    probability; then each takes the mean of the nearest scores that keep the order, which treats
    both directions alike. Returns non-negative values with the sum 1, to rounding.

    Raises ValueError for NaN, infinity, a negative uncertainty, edges out of order (equal ones are
    allowed: the region between has probability 0), or as many uncertainties as not edges.
    """
    require_finite(value=value)
    require_size(uncertainty=uncertainty)
    _require_edges(edges)
    spread = [0.0] * len(edges) if edge_uncertainties is None else list(edge_uncertainties)
    if len(spread) != len(edges):
        raise ValueError(f"{len(spread)} uncertainties for {len(edges)} edges")
    scores = [
        _standard_score(edge, value, combine(uncertainty, of_edge))
        for edge, of_edge in zip(edges, spread, strict=True)
    ]
    bounds = [-math.inf, *_in_order(scores), math.inf]
    return [_normal_between(low, high) for low, high in pairwise(bounds)]


def over_range_likelihoods(range_limit: float, edges: Sequence[float]) -> list[float]:
    """How well each region explains a meter that only says "more than `range_limit`".

    Per region of `partition_probabilities`: 1 where all of it lies above the range limit, 0 where
    none does. A region that straddles it gets the share that lies above, on a logarithmic scale
    (a resistance may be anywhere across its decades: estimate); on a linear one where its lower
    edge is not positive, with 0 in place of an open lower end. The last region has no upper end
    and gets 1. Likelihoods, so they need not have the sum 1.

    Raises ValueError for a range limit that is not positive and finite, or edges as above.
    """
    require_positive(range_limit=range_limit)
    _require_edges(edges)
    lowers = [-math.inf, *edges]
    return [
        *(_share_above(range_limit, low, high) for low, high in zip(lowers, edges, strict=False)),
        1.0,
    ]


def _share_above(limit: float, lower: float, upper: float) -> float:
    if upper <= limit:
        return 0.0
    if lower >= limit:
        return 1.0
    if lower > 0.0:
        return math.log(upper / limit) / math.log(upper / lower)
    floor = lower if math.isfinite(lower) else 0.0
    return (upper - limit) / (upper - floor)


def _standard_score(limit: float, value: float, uncertainty: float) -> float:
    """(limit - value) / u; without uncertainty minus infinity at or below the value, else plus."""
    if uncertainty > 0.0:
        return (limit - value) / uncertainty
    return -math.inf if limit <= value else math.inf


def _normal_between(low: float, high: float) -> float:
    """Phi(high) - Phi(low), taken on the side where both are small, so that tails keep digits."""
    if low >= high:
        return 0.0
    if low > 0.0:
        return _upper_tail(low) - _upper_tail(high)
    if high < 0.0:
        return _upper_tail(-high) - _upper_tail(-low)
    return 1.0 - _upper_tail(-low) - _upper_tail(high)


def _upper_tail(score: float) -> float:
    return 0.5 * math.erfc(score / math.sqrt(2.0))


def _in_order(scores: Sequence[float]) -> list[float]:
    """Non-decreasing scores: the mean of the running maximum and the running minimum from above."""
    rising = list(scores)
    for place in range(1, len(rising)):
        rising[place] = max(rising[place], rising[place - 1])
    falling = list(scores)
    for place in reversed(range(len(falling) - 1)):
        falling[place] = min(falling[place], falling[place + 1])
    return [(up + down) / 2.0 for up, down in zip(rising, falling, strict=True)]


def _require_edges(edges: Sequence[float]) -> None:
    for edge in edges:
        require_finite(edge=edge)
    if any(low > high for low, high in pairwise(edges)):
        raise ValueError(f"edges are out of order: {list(edges)}")
