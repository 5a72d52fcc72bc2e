"""What JSON Schema finds is told in the author's words, with what would be right."""

from __future__ import annotations

import pytest

from service.ruleset.shape import MOST_ISSUES, shape_issues
from service.ruleset.source import parse_document
from tests.ruleset.rigged import Edit, issues

# what is wrong: (file, text, its replacement), (about, message, advice)
TOLD = {
    "unknown key, nearly one": (
        ("faults", "    effect: true\n", "    efect: true\n"),
        ("fuse-aged", 'the key "efect" is not allowed here', "Did you mean 'effect'?"),
    ),
    "missing key": (
        ("faults", "    rate: 4\n", ""),
        ("fuse-aged", "`rate` missing", "Add `rate`."),
    ),
    "text for a number": (
        ("faults", "rate: 4\n", "rate: often\n"),
        ("fuse-aged", '"often" cannot stand here', "Give a number more than 0."),
    ),
    "number out of bounds": (
        ("faults", "{fuse-blown: 0.98}", "{fuse-blown: 1.2}"),
        ("fuse-aged", "1.2 cannot stand here", "Give a number more than 0 and at most 1."),
    ),
    "word that is none of some": (
        ("checks", "scope: function", "scope: whole"),
        ("lamp", '"whole" is none of the words allowed here', "Known words: component, function."),
    ),
    "id with capitals": (
        ("faults", "id: coil-open", "id: Coil-open"),
        (
            "Coil-open",
            '"Coil-open" cannot stand here',
            "Give an id in lower-case letters and digits, with single hyphens.",
        ),
    ),
    "key with capitals": (
        ("rule-set", "  make:\n", "  Make:\n"),
        (
            "Make",
            'the key "Make" is not allowed',
            "Each key here is a name in lower-case letters and digits, with single _.",
        ),
    ),
    "text for a list": (
        ("checks", "tools: [meter]", "tools: meter"),
        (
            "coil-resistance",
            '"meter" cannot stand here',
            "Give a list, of which each is an id in lower-case letters and digits, "
            "with single hyphens.",
        ),
    ),
    "twice in a list": (
        ("precautions", "tools: [tester]", "tools: [tester, tester]"),
        ("disconnection", "is listed twice", "Drop one of the two."),
    ),
    "condition of no form": (
        ("rules", "{state: not-supplied}", "{stat: not-supplied}"),
        (
            "dead-inside",
            "a mapping with `stat` has no form that is allowed here",
            "Did you mean 'state'?",
        ),
    ),
    "condition of a form, wrong inside": (
        ("rules", "{state: not-supplied}", "{state: Not Supplied}"),
        (
            "dead-inside",
            '"Not Supplied" cannot stand here',
            "Give an id in lower-case letters and digits, with single hyphens.",
        ),
    ),
    "consequence of no form": (
        ("rules", "{prefer: outlet-voltage}", "{like: outlet-voltage}"),
        (
            "lamp-dark",
            "a mapping with `like` has no form that is allowed here",
            "Known keys: admit, bar, contradiction, derive, exclude, follow_up, prefer, require, "
            "stop, weigh.",
        ),
    ),
    "consequence that lacks something": (
        ("rules", ", ratio: 2, source: estimate}", ", ratio: 2}"),
        ("dead-inside", "`source` missing", "Add `source`."),
    ),
    "limit without unit": (
        ("checks", "{value: 10, unit: kOhm,", "{value: 10,"),
        ("coil-resistance", "`unit` missing", "Add `unit`."),
    ),
    "limit that scales with no reference": (
        ("checks", "reference: {value: 230, unit: V}, ", ""),
        ("coil-resistance", "`reference` missing", "Add `reference`."),
    ),
    "row for nothing": (
        ("checks", "{given: [fuse-blown], p: {lit", "{p: {lit"),
        (
            "lamp",
            "a mapping with `p`, `source` has no form that is allowed here",
            "Known keys: for, given.",
        ),
    ),
    "nothing where something belongs": (
        ("faults", "    symptoms: {dead: 0.9}\n", "    symptoms:\n"),
        ("fuse-aged", "nothing cannot stand here", "Give a mapping."),
    ),
    "a list for the whole": (
        ("symptoms", "symptoms:\n", ""),
        ("", "a list cannot stand here", "Give a mapping with `symptoms`."),
    ),
}


@pytest.mark.parametrize("name", TOLD)
def test_what_is_wrong_and_what_would_be_right(name: str) -> None:
    edit, (about, message, advice) = TOLD[name]
    found = issues([Edit(*edit)])
    assert [(one.about, one.message, one.advice) for one in found] == [(about, message, advice)]
    assert all(one.rule == "shape" and one.line > 0 and one.column > 0 for one in found)


def test_the_place_is_that_of_the_key() -> None:
    document = parse_document(b"symptoms:\n- id: dead\n  titel: Dead\n  source: x\n", "s.yaml")
    told = {(one.line, one.column, one.message) for one in shape_issues(document, "symptoms")}
    assert told == {
        (3, 3, 'the key "titel" is not allowed here'),
        (2, 3, "`title` missing"),
        (4, 3, "a text of 1 characters"),
    }


@pytest.mark.parametrize(
    "raw",
    [
        pytest.param(b"rules: [" + b"{}, " * 12_000 + b"]", id="thousands of empty rules"),
        pytest.param(
            b"rules: [{id: a, when: " + b"{not: " * 28 + b"{}" + b"}" * 28 + b"}]", id="deep"
        ),
        pytest.param(
            b"rules: [{id: a, when: "
            + b"{all: [{}], any: [{}], not: " * 13
            + b"{}"
            + b"}" * 13
            + b"}]",
            id="of several forms at once",
        ),
        pytest.param(
            b"rules: [{id: a, then: [{bar: ["
            + b", ".join(b"{a: %d}" % n for n in range(9_000))
            + b"]}]}]",
            id="thousands of unlike items",
        ),
    ],
)
def test_what_is_wrong_in_many_places_is_told_in_some(raw: bytes) -> None:
    found = shape_issues(parse_document(raw, "r.yaml"), "rules")
    assert 0 < len(found) <= MOST_ISSUES
    assert all(len(one.message) < 300 and one.advice for one in found)


# SemVer 2.0.0, clauses 2, 9 and 10; numbers by date with a nought before stay allowed.
VERSIONS = ("1.4.0", "1.4.0+kitchen.1", "1.4.0-rc.1+001.a-b", "1.0.0--", "2026.01.05", "1.0.0-0a.b")
NO_VERSIONS = (
    "1.4",
    "v1.4.0",
    "1.4.0+",
    "1.4.0-",
    "1.4.0-01",
    "1.4.0+a..b",
    "1.4.0+a+b",
    "1.4.0-ä",
)


@pytest.mark.parametrize("version", [*VERSIONS, *NO_VERSIONS])
def test_a_version_may_have_a_mark_of_its_own(version: str) -> None:
    found = issues([Edit("rule-set", "version: 1.0.0", f"version: '{version}'")])
    assert [one.advice for one in found] == [
        "Give a version by SemVer 2.0.0 such as 1.0.2, 1.1.0-rc.1 or 1.0.2+kitchen.1."
    ] * (version in NO_VERSIONS)
