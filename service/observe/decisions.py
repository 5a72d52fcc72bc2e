"""The decision log: what was decided on what grounds, in a form that can be decided again.

A line is one JSON object for one assessment. It holds the case without what may tell who it is
about (the client's id for it, notes), and what `service.observe.replay` needs to say what differs.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Mapping
from typing import Any

from service import __version__
from service.documents import Written, dump_json
from service.observe.logs import rfc3339
from service.observe.trace import current

Assessment = Mapping[str, Any]


def entry(case: Mapping[str, Any], answer: Assessment) -> dict[str, Any]:
    """The line of an assessment, as a JSON document.

    case: as it was assessed, its shape checked. answer: with its `case_id` or without.
    """
    trace = current.get()
    verdict, following = answer["verdict"], answer["next_check"]
    return {
        "time": rfc3339(time.time()),
        "trace_id": trace and trace.trace_id,
        "version": __version__,
        "rule_set": answer["rule_set"],
        "case": nameless(case),
        "status": answer["status"],
        "verdict": verdict
        and {
            "fault": verdict["fault"],
            "confidence": verdict["confidence"],
            "remedy": verdict["remedy"]["id"],
        },
        "next_check": following and {name: following[name] for name in ("id", "kind", "for_check")},
        "findings": [
            {
                "check": one["check"],
                "outcome": one["outcome"],
                "evidence": {row["outcome"]: row["probability"] for row in one["probabilities"]},
            }
            for one in answer["findings"]
        ],
        "precautions": [one["id"] for one in answer["precautions"]],
        "rules": [one["rule"] for one in answer["explanation"]["rules"]],
        "answer": digest(answer),
    }


def nameless(case: Mapping[str, Any]) -> dict[str, Any]:
    """What of a case its assessment rests on: no id, no notes, nothing that is empty.

    The other names and words of a case are those of its rule set, or it is not assessed at all.
    """
    kept = {name: value for name, value in case.items() if name != "case_id" and value}
    if "costs" in case:
        kept["costs"] = case["costs"]  # empty, they still say how to decide
    if "readings" in kept:
        kept["readings"] = [
            {name: value for name, value in one.items() if name != "note"}
            for one in kept["readings"]
        ]
    return kept


def digest(answer: Assessment) -> str:
    """`sha256:` and the hex digest of an answer's bytes, as they are without a `case_id`."""
    members = answer.written if isinstance(answer, Written) else answer
    raw = dump_json({name: value for name, value in members.items() if name != "case_id"})
    return "sha256:" + hashlib.sha256(raw).hexdigest()
