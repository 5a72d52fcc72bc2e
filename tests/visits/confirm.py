"""How a client keeps `confirmed`: what the step says, and nothing else."""

from __future__ import annotations

from typing import Any


def confirm(confirmed: list[Any], step: dict[str, Any]) -> list[Any]:
    """What is confirmed once a step has been done."""
    gone = set(step["withdraws"])
    kept = [one for one in confirmed if (one if isinstance(one, str) else one["id"]) not in gone]
    return kept + step["confirms"]
