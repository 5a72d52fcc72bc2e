"""What some tests want of the machine."""

from __future__ import annotations

import os

import pytest


def want(there: bool, lacking: str) -> None:
    """Skip a test where what it wants is not there; on CI (`CI` is set) it fails.

    lacking: what to say then.
    """
    if not there:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(lacking)
