"""What durable-rules gets wrong, met by an author: refused with its place, or of no effect.

tests/inference/test_hazards.py shows the hazards themselves and the adapter that keeps them out.
"""

from __future__ import annotations

import pytest

from service.inference.engine import Chainer
from service.ruleset.tokens import token_rules
from tests.ruleset.lint_examples import rule
from tests.ruleset.rigged import Edit, issues, rigged

LAMP = {"finding": "lamp"}
LIT, DARK = {**LAMP, "outcome": "lit"}, {**LAMP, "outcome": "dark"}
FUSE_OPEN = {"finding": "fuse-resistance", "outcome": "open"}
PREFER = {"prefer": "coil-resistance"}


def fired(edits: list[Edit], *tokens: str) -> list[str]:
    """The rules that fire on some tokens, in order, in the rig with some texts changed."""
    assert issues(edits) == []
    chainer = Chainer(token_rules(rigged(edits).rules))
    return [one.rule.partition("#")[0] for one in chainer.run(tokens).firings]


REFUSED = {
    "no condition in an all": ("when: {nameplate: make, eq: direct}", "when: {all: []}"),
    "no condition in an any": ("when: {nameplate: make, eq: direct}", "when: {any: []}"),
    "no condition at all": ("when: {nameplate: make, eq: direct}", "when: {}"),
    "all and any in one": (
        "when: {nameplate: make, eq: direct}",
        "when: {all: [{finding: lamp}], any: [{symptom: dead}]}",
    ),
    "two conditions in one": (
        "when: {nameplate: make, eq: direct}",
        "when: {symptom: dead, state: not-supplied}",
    ),
    "two comparisons in one": (
        "when: {nameplate: make, eq: direct}",
        "when: {nameplate: supply_voltage, gt: {value: 1, unit: V}, lt: {value: 2, unit: V}}",
    ),
    "a name that is a number": ("id: fed-directly", "id: '1'"),
    "a name that begins with a number": ("id: fed-directly", "id: 1-fed"),
    "a number for a name": ("id: fed-directly", "id: 1"),
    "true for a name": ("id: fed-directly", "id: true"),
    "a name with a dot": ("id: fed-directly", "id: fed.directly"),
    "a name of the engine's": ("id: fed-directly", "id: $s"),
    "a name with an accent": ("id: fed-directly", "id: fed-diréctly"),
    "a name of a megabyte": ("{derive: not-supplied}", "{derive: " + "n" * 9000 + "}"),
    "a number as a word": ("eq: direct", "eq: 1"),
    "a word that may be a number": ("eq: direct", "eq: {value: '1', unit: V}"),
    "an expression": ("eq: direct", "eq: {$div: {$l: {m: x}, $r: 0}}"),
    "a stop without words": ("{stop: The outlet's voltage is too high.}", "{stop: ''}"),
    "no consequence": (
        "    then:\n      - {bar: store-insulation}\n      - {exclude: store-shorted}\n",
        "    then: []\n",
    ),
    "a contradiction of one check": (
        "{exclude: store-shorted}",
        "{contradiction: [lamp], message: It cannot be.}",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_the_engine_would_take_is_no_rule(name: str) -> None:
    (old, new) = REFUSED[name]
    found = issues([Edit("rules", old, new)])
    assert {one.rule for one in found} == {"shape"}
    for one in found:
        assert one.line > 0
        assert one.column > 0
        assert one.advice
        assert len(one.message) < 200


@pytest.mark.parametrize("number", ["1e16", ".nan", ".inf", "9" * 400, "1e-400", "0x10"])
def test_numbers_that_the_engine_takes_for_others_are_refused(number: str) -> None:
    (one,) = issues([Edit("rules", "ratio: 2", f"ratio: {number}")])
    assert one.rule == "yaml-number"
    assert one.line > 0


def fnv(name: str) -> int:
    """32-bit FNV-1a, by which the engine compares names (state.c, fnv1Hash32)."""
    value = 0x811C9DC5
    for byte in name.encode():
        value = (value ^ byte) * 16777619 % 2**32
    return value


def test_names_with_the_same_hash_are_kept_apart() -> None:
    """Found among 400,000 kebab-case names; the engine itself would take one for the other."""
    one, other = "c379192", "c162789"
    assert fnv(f"finding/{one}/open") == fnv(f"finding/{other}/open")
    edits = [
        Edit("checks", "id: fuse-resistance", f"id: {one}"),
        Edit("checks", "[fuse-resistance]", f"[{one}]"),
        Edit("checks", "id: store-insulation", f"id: {other}"),
        Edit("rules", "{bar: store-insulation}", f"{{bar: {other}}}"),
        Edit("rules", "", rule("one", {"finding": one, "outcome": "open"}, PREFER)),
        Edit("rules", "", rule("other", {"finding": other, "outcome": "open"}, {"prefer": "lamp"})),
    ]
    assert fired(edits, f"finding/{one}/open") == ["one"]
    assert fired(edits, f"finding/{other}/open") == ["other"]


def test_an_any_inside_an_all_fires_once_for_each_alternative() -> None:
    when = {"all": [LAMP, {"any": [{"symptom": "dead"}, FUSE_OPEN]}]}
    edits = [Edit("rules", "", rule("nested", when, PREFER))]
    tokens = ("answered/lamp", "symptom/dead", "finding/fuse-resistance/open")
    assert fired(edits, *tokens[:1]) == []
    assert fired(edits, *tokens[:2]) == ["nested"]
    assert fired(edits, *tokens) == ["nested", "nested"]  # one firing an alternative


def test_a_not_holds_alone_and_waits_for_what_it_denies() -> None:
    edits = [
        Edit("rules", "", rule("alone", {"not": LIT}, PREFER)),
        Edit("rules", "", rule("late", {"not": {"state": "supplied"}}, {"prefer": "lamp"})),
        Edit("rules", "", rule("early", LIT, {"derive": "supplied"})),
    ]
    assert fired(edits) == ["alone", "late"]
    assert fired(edits, "finding/lamp/lit") == ["early"]


def test_a_comparison_with_what_is_missing_does_not_hold() -> None:
    assert fired([]) == []
    assert fired([], "test/reading.outlet-voltage.gt.264") == ["overvoltage"]


def test_numbers_that_differ_in_the_seventh_digit_are_two_comparisons() -> None:
    def above(volts: float) -> dict[str, object]:
        return {"reading": "coil-voltage", "gt": {"value": volts, "unit": "V"}}

    edits = [
        Edit("rules", "", rule("more", above(123.45678), PREFER)),
        Edit("rules", "", rule("still-more", above(123.45679), {"prefer": "lamp"})),
        Edit("rules", "", rule("the-same", above(0.12345679e3), {"prefer": "outlet-voltage"})),
    ]
    tokens = {one.token for one in rigged(edits).predicates if one.name == "coil-voltage"}
    assert len(tokens) == 2
    assert fired(edits, "test/reading.coil-voltage.gt.123.45678") == ["more"]


def test_a_rule_that_makes_its_own_premise_ends() -> None:
    """Nothing but ids of the rule set is ever derived; a circle is refused all the same."""
    when = {"any": [DARK, {"state": "not-supplied"}]}
    edits = [Edit("rules", "", rule("round", when, {"derive": "not-supplied"}))]
    assert {one.rule for one in issues(edits)} == {"rule-cycle"}
    firings = Chainer(token_rules(rigged(edits).rules)).run(["finding/lamp/dark"]).firings
    assert len(firings) == len({one.rule for one in firings}) == 3
