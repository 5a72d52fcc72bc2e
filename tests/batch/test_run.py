"""Results, expectations and their counts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from functools import partial
from typing import Any

import pytest

from service.api.cases import assess_documents
from service.batch.expected import read_expected
from service.batch.items import Item, from_documents
from service.batch.run import TOGETHER, Form, Result, Tally, assess_items, at_a_time
from service.ruleset.catalogue import Catalogue


def dead(**more: Any) -> dict[str, Any]:
    readings = [{"check": "display", "observed": "dark"}]
    return {"equipment": "microwave-oven", "symptom": "no-operation", "readings": readings, **more}


@pytest.fixture(scope="module")
def assess(catalogue: Catalogue) -> Any:
    return partial(assess_documents, catalogue)


def run(assess: Any, *documents: Any, brief: bool = False) -> tuple[list[Result], dict[str, Any]]:
    """The results of documents that are worked on together, and their summary."""
    tally, form = Tally(), Form("/x", brief)
    group = list(from_documents(documents))
    found = list(tally.passing(assess_items([group], assess, form)))
    return found, tally.summary()


def test_a_case_gets_what_it_gets_alone(assess: Any) -> None:
    found, summary = run(assess, dead(case_id="a"), {"nonsense": 1}, 7, dead(case_id="b"))
    (alone,) = assess([dead(case_id="a")])
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
    def sometimes(documents: Sequence[Any]) -> Any:
        if any(one["case_id"] == "bad" for one in documents):
            raise RuntimeError("secret")
        return assess(documents)

    cases = [dead(case_id=name) for name in ("good", "bad", "fine")]
    found, summary = run(sometimes, *cases)
    assert summary["problems"] == {"internal-error": 1}
    assert [one["case_id"] for one in found] == ["good", "bad", "fine"]
    assert found[0]["assessment"] == assess([cases[0]])[0]
    assert "assessment" in found[2]
    assert "secret" not in str(found[1])
    assert caplog.text.count("RuntimeError: secret") == 1


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


def test_what_is_sent_whole_is_worked_on_in_ever_larger_groups() -> None:
    items = list(from_documents([{}] * 300))
    groups = list(at_a_time(iter(items)))
    assert [one for group in groups for one in group] == items
    sizes = [len(group) for group in groups]
    assert sizes[:7] == [1, 2, 4, 8, 16, TOGETHER, TOGETHER]
    assert max(sizes) == TOGETHER


def test_a_case_is_not_kept_waiting_for_one_that_is_still_to_be_sent() -> None:
    """Whoever waits for an answer before sending the next case gets it."""
    sent: list[int] = []

    def slowly() -> Iterator[Item]:
        for item in from_documents([{}] * 40):
            sent.append(item.index)
            yield item

    groups = at_a_time(slowly(), lambda: len(sent) >= 20)
    for index in range(19):
        assert [one.index for one in next(groups)] == [index]
        assert len(sent) == index + 1
    assert [len(group) for group in groups] == [1, 2, 4, 8, 6]


def test_what_came_before_the_body_broke_off_is_not_lost() -> None:
    def broken() -> Iterator[Item]:
        yield from from_documents([{}] * 5)
        raise OSError("broke off")

    groups = at_a_time(broken())
    assert [len(next(groups)) for _ in range(3)] == [1, 2, 2]
    with pytest.raises(OSError, match="broke off"):
        next(groups)
