"""Changes that bring in a part: with its title they are taken, without it that is said."""

from __future__ import annotations

from typing import Any

import pytest

from service.ruleset.build import build
from service.ruleset.catalogue import Catalogue
from service.ruleset.lint import lint
from service.ruleset.source import RuleSetError
from service.trials.overlay import overlay

SCREEN = {"remedies": {"clean-lint-filter": {"parts": ["lint-screen"], "price_class": "low"}}}
PLACE = ("remedies", "clean-lint-filter", "parts")


def changed(catalogue: Catalogue, changes: dict[str, Any]) -> Any:
    return overlay(dict(catalogue.source("tumble-dryer").documents), changes, {PLACE: (7, 3)})


def test_a_part_comes_with_its_title(catalogue: Catalogue) -> None:
    documents = changed(catalogue, {**SCREEN, "parts": {"lint-screen": {"title": "Lint screen"}}})
    rule_set = build(documents)
    assert lint(rule_set, documents) == []
    assert rule_set.parts["lint-screen"] == "Lint screen"
    assert rule_set.parts.items() > catalogue.get("tumble-dryer").parts.items()


def test_a_part_without_one_is_named(catalogue: Catalogue) -> None:
    with pytest.raises(RuleSetError) as caught:
        build(changed(catalogue, SCREEN))
    (issue,) = caught.value.issues
    assert (issue.rule, issue.about) == ("untitled-part", "clean-lint-filter")
    assert issue.message == "the part 'lint-screen' has no title"


def test_a_title_is_not_taken_from_a_part_in_use(catalogue: Catalogue) -> None:
    with pytest.raises(RuleSetError) as caught:
        build(changed(catalogue, {"parts": {"belt": None}}))
    assert {one.rule for one in caught.value.issues} == {"untitled-part"}
    assert {one.about for one in caught.value.issues} == {"replace-belt"}
