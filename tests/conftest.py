"""Fixtures that every part of the tests shares."""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

from service.diagnosis.assessment import Reasoner
from service.ruleset.catalogue import Catalogue
from service.ruleset.model import RuleSet

# On CI the same examples each time, so that nothing fails by chance; elsewhere new ones, and what
# fails is kept (.hypothesis) and tried first from then on.
settings.register_profile("default", deadline=None, print_blob=True)
settings.register_profile("ci", deadline=None, print_blob=True, derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "default")


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    return Catalogue.load()


@pytest.fixture(scope="session")
def oven(catalogue: Catalogue) -> RuleSet:
    return catalogue.get("microwave-oven")


@pytest.fixture(scope="session")
def reasoner(oven: RuleSet) -> Reasoner:
    return Reasoner(oven)
