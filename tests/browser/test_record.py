"""The service record as people see it: on a screen, on a phone, with a reader that reads aloud."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from service.ruleset.catalogue import Catalogue
from tests.browser.conftest import Visit
from tests.record.sheets import CASES, html

SEEN = ["fault-found", "stop-work", "not finished proof", "released"]


@pytest.fixture
def opened(
    catalogue: Catalogue, visit: Callable[..., Visit], tmp_path: Path
) -> Callable[..., Visit]:
    def open_record(name: str, language: str, width: int) -> Visit:
        file = tmp_path / "record.html"
        file.write_text(html(catalogue, CASES[name], language), encoding="utf-8")
        return visit(file.as_uri(), width=width)

    return open_record


@pytest.mark.parametrize("width", [1280, 900, 620, 360])
@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("name", SEEN)
def test_nothing_is_in_the_way_of_reading_it(
    opened: Callable[..., Visit], name: str, language: str, width: int
) -> None:
    record = opened(name, language, width)
    assert record.barriers() == []
    assert record.too_wide() == 0
    assert record.too_wide("main, table, .wide") == 0
    assert record.smallest_text() >= 12
    assert record.complaints == []


@pytest.mark.parametrize("language", ["en", "de"])
def test_nothing_is_cut_off_on_paper(opened: Callable[..., Visit], language: str) -> None:
    record = opened("released", language, 710)  # A4 less its margins, at 96 to the inch
    record.page.emulate_media(media="print")
    assert record.too_wide() == 0
    assert record.too_wide("main, table, .wide") == 0


def test_what_fell_back_is_seen_to_have(opened: Callable[..., Visit]) -> None:
    record = opened("fault-found", "de", 1280)
    fallen = record.page.locator("[lang=en]")
    assert fallen.count() > 0
    mark = fallen.first.evaluate("one => getComputedStyle(one, '::after').content")
    assert "en" in mark
