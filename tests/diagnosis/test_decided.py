"""What is decided in brief is what the whole assessment decides."""

from __future__ import annotations

from typing import Any

import pytest

from service.api.cases import assess_case, decide_case, load_case
from service.batch.run import brief
from service.problems import Problem
from service.ruleset.catalogue import Catalogue
from tests.bench.make_cases import distinct


def test_decided_in_brief_is_what_the_assessment_says(catalogue: Catalogue) -> None:
    statuses = set()
    for document in distinct(300, seed=7):
        case = load_case(document)
        whole, decided = assess_case(catalogue, case), decide_case(catalogue, case)
        assert brief(decided) == brief(whole)
        assert decided["hypotheses"] == whole["hypotheses"]
        assert decided["verdict"] == whole["verdict"]
        statuses.add(whole["status"])
    assert statuses >= {"check-next", "fault-found", "stop-work", "not-released"}


@pytest.mark.parametrize("wrong", [{"equipment": "no-such-thing"}, {"symptom": "no-such-thing"}])
def test_what_cannot_be_assessed_cannot_be_decided(
    catalogue: Catalogue, wrong: dict[str, Any]
) -> None:
    case = {"equipment": "microwave-oven", "symptom": "no-heat", **wrong}
    said = []
    for work in (assess_case, decide_case):
        with pytest.raises(Problem) as caught:
            work(catalogue, load_case(case))
        said.append(caught.value.document(""))
    assert said[0] == said[1]
