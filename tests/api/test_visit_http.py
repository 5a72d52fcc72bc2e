"""One whole visit over HTTP, complaint to release, goes as it does in process."""

from __future__ import annotations

import json
import urllib.request
from dataclasses import dataclass
from typing import Any

from service.diagnosis.assessment import Reasoner
from service.ruleset.model import RuleSet
from tests.visits.play import RIGHT, Course, play, visit_of


@dataclass
class OverHttp:
    """Assesses as a `Reasoner` does, by asking a running service."""

    url: str
    rule_set: RuleSet
    asked: int = 0

    def assess(self, case: dict[str, Any]) -> dict[str, Any]:
        self.asked += 1
        body = json.dumps({"equipment": self.rule_set.equipment, **case}).encode()
        request = urllib.request.Request(
            f"{self.url}/v1/assessments", body, {"Content-Type": "application/json"}
        )
        with urllib.request.urlopen(request, timeout=30) as answer:
            assessment: dict[str, Any] = json.load(answer)
        return assessment


def released(reasoner: Reasoner) -> tuple[int, Course]:
    """The first visit that ends with an oven that is repaired and released, by its seed."""
    for seed in range(50):
        course = play(reasoner, *visit_of(seed))
        if course.result == RIGHT and course.released and course.kind != "nothing":
            return seed, course
    raise AssertionError("no visit ends so")


def test_a_visit_over_http_ends_in_a_release(service_url: str, reasoner: Reasoner) -> None:
    seed, course = released(reasoner)
    service: Any = OverHttp(service_url, reasoner.rule_set)
    assert play(service, *visit_of(seed)) == course
    assert service.asked > 10
