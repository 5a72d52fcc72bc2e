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
SAFE = ["supply-disconnected", "capacitor-discharged"]
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
