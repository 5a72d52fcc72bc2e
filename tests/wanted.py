"""What some tests want of the machine, and how long they may take."""

from __future__ import annotations

import os

import pytest

ALL = os.environ.get("OHMPATH_TESTS") == "all"
"""Whether everything is run (`sh tests/run.sh --all`)."""

SHORT_EXAMPLES = 100


def examples(most: int) -> int:
    """How many examples of a property are tried: in the short form a hundred at most."""
    return most if ALL else min(most, SHORT_EXAMPLES)


def want(there: bool, lacking: str) -> None:
    """Skip a test where what it wants is not there; on CI (`CI` is set) it fails.

    lacking: what to say then.
    """
    if not there:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(lacking)
