"""The running service against requests made from its own OpenAPI document, all phases."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.api.exploring import explore, key_of_an_explorer
from tests.wanted import ALL

EXAMPLES = 40 if ALL else 10
"""Of each operation."""


def test_service_is_as_its_document_says(
    start_service: Callable[..., tuple[str, Any]], tmp_path: Path
) -> None:
    """With a key: what is asked without it, or with another, is to be refused as documented.

    `python -m tests.breaking.long --only explore` makes 500 examples of each operation.
    """
    token, keys = key_of_an_explorer(tmp_path)
    url, _ = start_service(OHMPATH_KEYS=str(keys))
    answers = explore(url, tmp_path, token=token, examples=EXAMPLES, seconds=900)

    # A run whose requests were all refused would have shown little.
    for resource in ("assessments", "calculations"):
        for status, least in ((200, 20), (401, 1), (422, 20)):
            assert answers[resource, status] >= least, answers
