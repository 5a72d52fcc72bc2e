"""What is decided in brief is what the whole assessment decides."""

from __future__ import annotations

from typing import Any

import pytest

from service.api.cases import assess_case, assess_documents, load_case
from service.batch.run import brief
from service.documents import dump_json
from service.problems import Problem
from service.ruleset.catalogue import Catalogue
from tests.bench.make_cases import distinct


def test_decided_in_brief_is_what_the_assessment_says(catalogue: Catalogue) -> None:
    statuses = set()
    for document in distinct(300, seed=7):
        whole = assess_case(catalogue, load_case(document))
        (decided,) = assess_documents(catalogue, [document], brief=True)
        assert isinstance(decided, dict)
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
    with pytest.raises(Problem) as caught:
        assess_case(catalogue, load_case(case))
    for in_brief in (False, True):
        (said,) = assess_documents(catalogue, [case], brief=in_brief)
        assert isinstance(said, Problem)
        assert said.document("") == caught.value.document("")


def test_many_cases_together_are_answered_as_each_alone(catalogue: Catalogue) -> None:
    """To the byte: what a case comes to hangs on no other that is worked on with it."""
    documents: list[Any] = [*distinct(120, seed=11), {"equipment": "no-such-thing"}]
    documents += documents[:20]
    catalogues = [Catalogue.load(), Catalogue.load()]  # nothing is kept as yet
    together = assess_documents(catalogues[0], documents)
    alone = [assess_documents(catalogues[1], [one])[0] for one in documents]
    for one, other in zip(together, alone, strict=True):
        if isinstance(one, Problem):
            assert isinstance(other, Problem)
            assert one.document("") == other.document("")
        else:
            assert isinstance(other, dict)
            assert dump_json(one) == dump_json(other)
    assert sum(isinstance(one, Problem) for one in together) == 1
