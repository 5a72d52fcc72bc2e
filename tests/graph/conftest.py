"""Trees that the tests share."""

from __future__ import annotations

import pytest

from service.ruleset.catalogue import Catalogue
from tests.graph.visits import Drawn, drawn_from

DRAWN = [
    ("microwave-oven", "no-heat"),
    ("microwave-oven", "no-operation"),
    ("tumble-dryer", "no-heat"),
]


@pytest.fixture(params=DRAWN, ids="/".join)
def drawn(request: pytest.FixtureRequest, catalogue: Catalogue) -> Drawn:
    return drawn_from(catalogue, *request.param)
