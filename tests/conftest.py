"""Fixtures that every part of the tests shares."""

from __future__ import annotations

import pytest

from service.diagnosis.assessment import Reasoner
from service.ruleset.catalogue import Catalogue
from service.ruleset.model import RuleSet


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    return Catalogue.load()


@pytest.fixture(scope="session")
def oven(catalogue: Catalogue) -> RuleSet:
    return catalogue.get("microwave-oven")


@pytest.fixture(scope="session")
def reasoner(oven: RuleSet) -> Reasoner:
    return Reasoner(oven)
