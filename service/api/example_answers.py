"""The example answers of the OpenAPI document: what the example requests were really answered.

Kept beside this module as JSON, by operation and media type; lists are shortened. The tests send
the requests again and compare; `python -m tests.api.asked` writes the file anew.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from importlib.resources import files
from typing import Any

MOST_ITEMS = 2

Answers = Mapping[str, Mapping[str, Any]]
"""By operationId and media type; problems by `problems` and the name of their status."""


def example_answers() -> Answers:
    """What is kept."""
    text = files("service.api").joinpath("example_answers.json").read_text(encoding="utf-8")
    answers: Answers = json.loads(text)
    return answers


def shortened(answer: Any) -> Any:
    """An answer of which only the first items of each list are left."""
    if isinstance(answer, dict):
        return {name: shortened(inner) for name, inner in answer.items()}
    if isinstance(answer, list):
        return [shortened(item) for item in answer[:MOST_ITEMS]]
    return answer
