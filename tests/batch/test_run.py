"""Results, expectations and their counts."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from service.api.cases import assess_case, load_case
from service.batch.expected import read_expected
from service.batch.items import from_documents
from service.batch.run import Form, Result, Tally, assess_items
from service.ruleset.catalogue import Catalogue


def dead(**more: Any) -> dict[str, Any]:
    readings = [{"check": "display", "observed": "dark"}]
    return {"equipment": "microwave-oven", "symptom": "no-operation", "readings": readings, **more}


@pytest.fixture(scope="module")
def assess(catalogue: Catalogue) -> Any:
    return lambda document: assess_case(catalogue, load_case(document))


def run(assess: Any, *documents: Any, brief: bool = False) -> tuple[list[Result], dict[str, Any]]:
    tally, form = Tally(), Form("/x", brief)
    found = list(tally.passing(assess_items(from_documents(documents), assess, form)))
    return found, tally.summary()


def test_a_case_gets_what_it_gets_alone(assess: Any) -> None:
    found, summary = run(assess, dead(case_id="a"), {"nonsense": 1}, 7, dead(case_id="b"))
    alone = assess(dead(case_id="a"))
    assert found[0]["assessment"] == alone
    assert [one["case_id"] for one in found] == ["a", None, None, "b"]
    assert summary["cases"] == 4
    assert summary["assessed"] == 2
    assert summary["problems"] == {"invalid-request": 2}
    assert summary["statuses"] == {alone["status"]: 2}
    assert summary["rule_sets"] == [alone["rule_set"]]


def test_what_fails_inside_is_the_problem_of_one_case_and_says_nothing(
    assess: Any, caplog: pytest.LogCaptureFixture
) -> None:
    def sometimes(document: Any) -> dict[str, Any]:
        if document["case_id"] == "bad":
            raise RuntimeError("secret")
        result: dict[str, Any] = assess(document)
        return result

    found, summary = run(sometimes, dead(case_id="bad"), dead(case_id="good"))
    assert summary["problems"] == {"internal-error": 1}
    assert "assessment" in found[1]
    assert "secret" not in str(found[0])
    assert "secret" in caplog.text


def test_expectations_are_compared_and_counted(assess: Any) -> None:
    verdict = dead(readings=[{"check": "outlet-voltage", "value": 0, "unit": "V"}] * 2)
    found, summary = run(
        assess,
        {**verdict, "expected": {"fault": "supply-outlet-dead", "status": "fault-found"}},
        {**verdict, "expected": {"fault": ["main-fuse-fatigue", "supply-outlet-dead"]}},
        {**verdict, "expected": {"component": "main-fuse", "next_check": None}},
        dead(expected={"fault": None, "next_check": "outlet-voltage"}),
        dead(expected={"fault": "main-fuse-fatigue"}),
        dead(),
    )
    assert [one.get("agrees") for one in found] == [True, True, False, True, False, None]
    assert summary["agreement"] == {"expected": 5, "agreed": 3}
    cells = {
        (one["key"], one["expected"], one["found"]): one["cases"] for one in summary["confusion"]
    }
    assert cells == {
        ("component", "main-fuse", "supply"): 1,
        ("fault", "supply-outlet-dead", "supply-outlet-dead"): 2,
        ("fault", None, None): 1,
        ("fault", "main-fuse-fatigue", None): 1,
        ("next_check", None, None): 1,
        ("next_check", "outlet-voltage", "outlet-voltage"): 1,
        ("status", "fault-found", "fault-found"): 1,
    }
    assert [one["agrees"] for one in found[2]["compared"]] == [False, True]


@pytest.mark.parametrize(
    ("expected", "pointer", "words"),
    [
        ("fault", "/expected", "an object"),
        ({"falt": "x"}, "/expected/falt", 'did you mean "fault"'),
        ({"fault": 3}, "/expected/fault", "an id"),
        ({"fault": []}, "/expected/fault", "1 to 50"),
        ({"fault": ["x", {}]}, "/expected/fault", "an id"),
        ({"fault": "main-fuse-fatige"}, "/expected/fault", 'did you mean "main-fuse-fatigue"'),
        ({"component": "main-fuze"}, "/expected/component", 'did you mean "main-fuse"'),
    ],
)
def test_an_expectation_that_cannot_be_met_by_anything_is_a_problem(
    assess: Any, expected: Any, pointer: str, words: str
) -> None:
    found, summary = run(assess, dead(expected=expected), dead())
    problem = found[0]["problem"]
    assert problem["instance"] == "/x"
    assert problem["errors"][0]["pointer"] == pointer
    assert words in problem["errors"][0]["message"]
    assert summary["agreement"] == {"expected": 0, "agreed": 0}
    assert summary["assessed"] == 1


def test_alternatives_are_read_as_they_stand() -> None:
    assert read_expected({"fault": ["a", None], "status": "b"}) == {
        "fault": ("a", None),
        "status": ("b",),
    }


def test_brief_results_keep_what_was_decided(assess: Any) -> None:
    outlet = [{"check": "outlet-voltage", "value": 0, "unit": "V"}] * 2
    found, _ = run(assess, dead(), dead(readings=outlet), brief=True)
    short = [one["assessment"] for one in found]
    assert [one["status"] for one in short] == ["check-next", "fault-found"]
    assert short[0]["next_check"]["id"] == "outlet-voltage"
    assert short[1]["verdict"]["fault"] == "supply-outlet-dead"
    assert Counter(key for one in short for key in one) == dict.fromkeys(
        ("status", "verdict", "next_check", "rule_set"), 2
    )
