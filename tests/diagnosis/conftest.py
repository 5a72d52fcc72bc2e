"""Fixtures of the tests of the diagnosis."""

from __future__ import annotations

import pytest

from service.ruleset.model import RuleSet
from tests.diagnosis.oracle import Oracle


@pytest.fixture(scope="session")
def oracle(oven: RuleSet) -> Oracle:
    return Oracle(oven)
