"""The example requests of the OpenAPI document."""

from __future__ import annotations

import json
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
    "confirmed": [
        {"id": "supply-disconnected", "after_reading": 2},
        {"id": "capacitor-discharged", "after_reading": 2},
    ],
    "required_confidence": 0.9,
}

BATCH: list[dict[str, Any]] = [
    {"case_id": "job-17", **NO_HEAT, "expected": {"fault": "transformer-secondary-open"}},
    {
        "case_id": "job-18",
        "equipment": "microwave-oven",
        "symptom": "no-operation",
        "readings": [{"check": "display", "observed": "dark"}],
        "expected": {"status": "check-next", "next_check": ["outlet-voltage"]},
    },
]
BATCH_LINES = "".join(json.dumps(one) + "\n" for one in BATCH)
BATCH_TABLE = """\
case_id,equipment,symptom,nameplate.supply_voltage,check,observed,value,unit,expected.next_check
job-17,microwave-oven,no-heat,230 V,display,lit,,,supply-disconnection
job-17,,,,oscillation-indicator,dark,,,
job-17,,,,transformer-primary-voltage,,228.6,V,
job-18,microwave-oven,no-operation,230 V,display,dark,,,outlet-voltage;display
"""

OVERLAY: dict[str, Any] = {
    "base": "microwave-oven",
    "changes": {
        "scales": {
            "to-case": {
                "resistance": {"outcomes": {"shorted": {"below": {"value": 1, "unit": "MOhm"}}}}
            }
        }
    },
    "cases": [
        {
            "case_id": "stand-3",
            "equipment": "microwave-oven",
            "symptom": "blows-fuse",
            "readings": [{"check": "magnetron-to-case", "value": 4, "unit": "MOhm"}],
            "confirmed": ["supply-disconnected", "capacitor-discharged"],
            "expected": {"status": "check-next"},
        }
    ],
}
RULE_SET_TEXT = """\
base: microwave-oven
changes:
  checks:
    main-fuse-resistance: {minutes: 2}
"""
