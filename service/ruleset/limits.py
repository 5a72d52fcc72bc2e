"""A limit between two outcomes, worked out for one nameplate value."""

from __future__ import annotations

from dataclasses import dataclass

from service.physics.supply import supply_limits
from service.ruleset.model import Limit


@dataclass(frozen=True, slots=True)
class Edge:
    """A limit in SI units, how steeply it follows its nameplate value, and where it comes from."""

    value: float
    slope: float
    source: str


def limit_edge(limit: Limit, plate: float) -> Edge:
    """The limit for a nameplate value `plate` in SI units (any number for a constant limit)."""
    if limit.nameplate is None:
        return Edge(limit.factor, 0.0, limit.source)
    if limit.tolerance is not None:
        lower, upper, source = supply_limits(plate)
        value = lower if limit.tolerance == "lower" else upper
        return Edge(value, value / plate, source)
    value = limit.factor * (plate / limit.reference) ** limit.power
    if limit.at_least is not None and value < limit.at_least:
        return Edge(limit.at_least, 0.0, limit.source)
    return Edge(value, limit.power * value / plate, limit.source)
