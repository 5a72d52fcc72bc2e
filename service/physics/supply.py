"""What the supply voltage may be for a nominal voltage. Both standards are cited from memory."""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

from service.physics.require import require_positive

ServiceRange = Literal["A", "B"]

_SERVICE_RANGES: dict[ServiceRange, tuple[float, float]] = {
    "A": (114.0, 126.0),
    "B": (110.0, 127.0),
}


class SupplyLimits(NamedTuple):
    """V, V, and where they come from."""

    lower: float
    upper: float
    source: str


def supply_limits(nominal_voltage: float, service_range: ServiceRange = "B") -> SupplyLimits:
    """Limits at the outlet: 10 % either way (IEC 60038), for 120 V the service range (ANSI C84.1).

    Range A is where a supply should be, range B where it may be for a short time; both stand for
    120 V nominal only. Raises ValueError for a voltage that is not positive and finite, or a range
    that is neither A nor B.
    """
    require_positive(nominal_voltage=nominal_voltage)
    if service_range not in _SERVICE_RANGES:
        raise ValueError(f"service range is A or B, got {service_range!r}")
    if math.isclose(nominal_voltage, 120.0):
        lower, upper = _SERVICE_RANGES[service_range]
        return SupplyLimits(
            lower, upper, f"ANSI C84.1, 120 V service range {service_range} (from memory)"
        )
    margin = nominal_voltage / 10.0
    return SupplyLimits(
        nominal_voltage - margin, nominal_voltage + margin, "IEC 60038, +/- 10 % (from memory)"
    )
