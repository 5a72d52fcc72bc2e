"""Cases of every status, and their records."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from service.api.cases import assess_case, load_case
from service.record.page import page
from service.record.sheet import Sheet, sheet
from service.record.written import Language, language
from service.ruleset.catalogue import Catalogue

ROOT = Path(__file__).parents[2]
NO_HEAT: dict[str, Any] = json.loads((ROOT / "examples" / "no-heat.json").read_text())
BEGUN = {"case_id": "PK-0412", "equipment": "microwave-oven", "symptom": "no-heat"}
DARK = ("display", "oscillation-indicator", "cooling-fan", "door-latch", "diode-forward")
PROOF = (
    "primary-interlock-switch",
    "primary-interlock-switch-door-open",
    "secondary-interlock-switch",
    "secondary-interlock-switch-door-open",
    "monitor-switch",
    "monitor-switch-door-open",
    "capacitor-resistance",
    "diode-reverse",
    "magnetron-filament-resistance",
    "reassembly",
    "earth-continuity",
    "oscillation-indicator",
    "cooling-fan",
    "water-load-power",
    "leakage-survey",
    "interlock-function",
)
SAFE = ["supply-disconnected", "capacitor-discharged"]


def _released() -> dict[str, Any]:
    """The oven of the examples once its magnetron is new: each check of its proof has passed."""
    oven = json.loads((ROOT / "examples" / "oven.json").read_text())
    before, after = oven["readings"], {**oven["readings"], **oven["readings_after_repair"]}
    found = (*DARK, "magnetron-filament-resistance")
    return {
        **oven["case"],
        "phase": "verify-repair",
        "repairs": [{"remedy": "replace-magnetron", "readings_before": len(found)}],
        "readings": [
            *({"check": one, **before[one]} for one in found),
            *({"check": one, **after[one]} for one in PROOF),
        ],
        "confirmed": ["cover-fitted"],
    }


RELEASED = _released()
CASES: dict[str, dict[str, Any]] = {
    "fault-found": NO_HEAT,
    "check-next": BEGUN,
    "stop-work": {
        **BEGUN,
        "symptom": "runs-with-door-open",
        "readings": [
            {
                "check": "secondary-interlock-switch-door-open",
                "observed": "closed",
                "note": "twice, <b>slowly</b>",
            }
        ],
        "confirmed": SAFE,
    },
    "not finished proof": {
        **NO_HEAT,
        "phase": "verify-repair",
        "repairs": [{"remedy": "replace-transformer", "readings_before": 3}],
    },
    "released": RELEASED,
    "dryer": {"equipment": "tumble-dryer", "symptom": "no-heat"},
}


def recorded(
    catalogue: Catalogue, case: dict[str, Any], code: str
) -> tuple[dict[str, Any], Sheet, Language]:
    """The assessment, the sheet, and the language."""
    loaded = load_case(case)
    answer = assess_case(catalogue, loaded)
    source = catalogue.source(answer["rule_set"]["id"])
    spoken = language(code, source.folder)
    return answer, sheet(source.rule_set, loaded, answer, spoken), spoken


def html(catalogue: Catalogue, case: dict[str, Any], code: str) -> str:
    """The page."""
    _, found, spoken = recorded(catalogue, case, code)
    return page(found, spoken).decode()
