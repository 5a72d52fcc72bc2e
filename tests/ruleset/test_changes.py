"""Whatever one value of a rule set is changed to, it is refused with a reason or can be used."""

from __future__ import annotations

import copy
import random
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from typing import Any

from service.diagnosis.assessment import Reasoner
from service.diagnosis.case import CaseError
from service.ruleset.build import build
from service.ruleset.codes import CODES
from service.ruleset.compose import Path_
from service.ruleset.lint import lint
from service.ruleset.shape import shape_issues
from service.ruleset.source import Document, Issue, RuleSetError
from tests.ruleset.rigged import documents

CHANGES = 150
NUMBERS = (0, -1, 1, 0.5, 3, 1e6, 1e15, -1e15, 1e-15)
OTHERS = (None, "", "x", 5, [], {}, True)
CASES: tuple[dict[str, Any], ...] = (
    {"symptom": "dead"},
    {
        "symptom": "weak",
        "nameplate": {"make": "direct"},
        "readings": [
            {"check": "outlet-voltage", "value": 230, "unit": "V"},
            {"check": "lamp", "observed": "dark"},
            {"check": "coil-resistance", "value": 300, "unit": "Ohm"},
            {"check": "fuse-resistance", "over_range": True},
        ],
        "confirmed": ["supply-disconnected", "capacitor-discharged"],
        "costs": {},
    },
    {
        "symptom": "dead",
        "phase": "verify-repair",
        "repairs": [{"remedy": "replace-coil", "readings_before": 1}],
        "readings": [{"check": "lamp", "observed": one} for one in ("dark", "lit")],
    },
)


def nodes(node: Any, path: Path_ = ()) -> Iterator[tuple[Path_, Any]]:
    yield path, node
    if isinstance(node, dict | list):
        for key, value in node.items() if isinstance(node, dict) else enumerate(node):
            yield from nodes(value, (*path, key))


def changed(document: Document, path: Path_, value: Any) -> Document:
    data = copy.deepcopy(document.data)
    within = data
    for key in path[:-1]:
        within = within[key]
    within[path[-1]] = value
    return Document(document.file, data, document.places)


def used(rig: dict[str, Document]) -> list[Issue]:
    """What is wrong with a rule set; if nothing is, cases are assessed with it."""
    try:
        shape = [one for file, each in rig.items() for one in shape_issues(each, file)]
        rule_set = build(rig) if not shape else None
        found = shape if rule_set is None else lint(rule_set, rig)
    except RuleSetError as error:
        return list(error.issues)
    if rule_set is not None and not found:
        reasoner = Reasoner(rule_set)
        for case in CASES:
            with suppress(CaseError):  # its ids may have been renamed
                reasoner.assess(copy.deepcopy(case))
    return found


def test_a_changed_value_is_refused_or_of_use() -> None:
    rig = documents()
    dice = random.Random(1)
    places = [
        (file, path, node)
        for file, document in rig.items()
        for path, node in nodes(document.data)
        if path
    ]
    texts = [node for _, _, node in places if isinstance(node, str)]
    result: Counter[str] = Counter()
    for file, path, node in dice.sample(places, CHANGES):
        number = isinstance(node, int | float) and not isinstance(node, bool)
        value = dice.choice([*(NUMBERS if number else dice.sample(texts, 6)), *OTHERS])
        found = used({**rig, file: changed(rig[file], path, value)})
        for one in found:
            assert one.rule in CODES, one
            assert min(one.line, one.column) > 0, one
            assert one.advice, one
        result["refused" if found else "of use"] += 1
    assert min(result["refused"], result["of use"]) > CHANGES / 10
