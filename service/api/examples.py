"""The example request of the OpenAPI document."""

from __future__ import annotations

from typing import Any

NO_HEAT: dict[str, Any] = {
    "equipment": "microwave-oven",
    "symptom": "no-heat",
    "nameplate": {
        "supply_voltage": {"value": 230, "unit": "V"},
        "high_voltage_supply": "transformer",
        "rated_output": {"value": 800, "unit": "W"},
    },
    "instrument": {
        "resistance": {
            "percent_of_reading": 0.8,
            "counts": 3,
            "resolution": {"value": 0.1, "unit": "Ohm"},
            "lead_resistance": {"value": 0.3, "unit": "Ohm"},
        }
    },
    "readings": [
        {"check": "display", "observed": "lit"},
        {"check": "transformer-primary-voltage", "value": 228.6, "unit": "V"},
        {"check": "transformer-secondary-resistance", "over_range": True},
    ],
    "confirmed": ["supply-disconnected", "capacitor-discharged"],
    "required_confidence": 0.9,
}
