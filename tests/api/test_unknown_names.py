"""Names that nothing knows cost next to nothing, however many they are and wherever they stand."""

from __future__ import annotations

import csv
import difflib
import io
import json
import time
from collections.abc import Callable
from typing import Any

import pytest
from flask.testing import FlaskClient

from service import at_work, documents
from service.api.fields import StrictSchema
from service.problems import MOST_ERRORS

CASE = {"equipment": "microwave-oven", "symptom": "no-heat"}
READING = {"check": "main-fuse-resistance", "observed": "intact"}
JSON, CSV = "application/json", "text/csv"
BATCH = "/v1/assessments/batch"
MOST_SECONDS = 2.0  # of a processor; the slowest takes a tenth of it


def names_like(name: str, many: int) -> dict[str, int]:
    return {f"{name}{n}": 1 for n in range(many)}


# Where unknown names may stand: the path, and the document with so many of them.
PLACES: dict[str, tuple[str, Callable[[int], Any]]] = {
    "case": ("/v1/assessments", lambda n: CASE | names_like("symptom", n)),
    "reading": (
        "/v1/assessments",
        lambda n: CASE | {"readings": [READING | names_like("note", n)]},
    ),
    "many readings": (
        "/v1/assessments",
        lambda n: CASE | {"readings": [READING | names_like("note", n // 400)] * 400},
    ),
    "quantity": (
        "/v1/assessments",
        lambda n: CASE | {"nameplate": {"mass": {"value": 1, "unit": "kg", **names_like("u", n)}}},
    ),
    "calculation": ("/v1/calculations/capacitor-discharge", lambda n: names_like("capacitance", n)),
    "quantity of a calculation": (
        "/v1/calculations/capacitor-discharge",
        lambda n: {"capacitance": {"value": 1, "unit": "uF", **names_like("unit", n)}},
    ),
    "check": (
        "/v1/rule-sets/check",
        lambda n: {"base": "tumble-dryer", **names_like("changes", n)},
    ),
    "trial": ("/v1/trials", lambda n: {"base": "tumble-dryer", **names_like("case", n)}),
    "item of a batch": (BATCH, lambda n: [CASE | names_like("symptom", n)]),
    "expectation": (BATCH, lambda n: [CASE | {"expected": names_like("status", n)}]),
    "expected fault": (
        BATCH,
        lambda n: [CASE | {"expected": {"fault": [f"f{i}" for i in range(50)]}}],
    ),
    "columns": (BATCH, lambda n: ["case_id", *CASE, *names_like("symptom", n)]),
    "columns twice": (BATCH, lambda n: ["case_id", *CASE, *2 * [*names_like("inputs.a", n // 2)]]),
}


def sent(document: Any) -> tuple[bytes, str]:
    if isinstance(document, list) and all(isinstance(one, str) for one in document):
        table = io.StringIO()
        csv.writer(table).writerow(document)
        return table.getvalue().encode(), CSV
    return json.dumps(document, separators=(",", ":")).encode(), JSON


def problem_in(body: bytes) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(body)
    if "results" in document:
        document = document["results"][0]
    found: dict[str, Any] = document.get("problem", document)
    return found


@pytest.fixture
def compared(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The words for which one that is spelt alike was looked for."""
    found: list[str] = []
    begin = difflib.SequenceMatcher.set_seq2

    def seen(self: difflib.SequenceMatcher[str], word: str) -> None:
        found.append(word)
        begin(self, word)

    monkeypatch.setattr(difflib.SequenceMatcher, "set_seq2", seen)
    return found


@pytest.mark.parametrize("place", PLACES)
def test_as_many_are_looked_up_as_are_told_and_all_are_counted(
    place: str, client: FlaskClient, compared: list[str]
) -> None:
    path, document = PLACES[place]
    body, kind = sent(document(40_000))
    client.post(path, data=b"{}", content_type=JSON)  # what is loaded at the first
    compared.clear()
    before = time.thread_time()
    answer = client.post(path, data=body, content_type=kind).data
    spent = time.thread_time() - before
    problem = problem_in(answer)
    assert problem["type"] == "/problems/invalid-request"
    assert len(problem["errors"]) == MOST_ERRORS
    count = int(problem["detail"].split()[0])
    assert count >= (50 if place == "expected fault" else 20_000)
    assert f"({MOST_ERRORS} are listed)" in problem["detail"]
    assert all(one["message"] for one in problem["errors"])
    # Each word makes two matchers: of nothing at first, then of the word.
    assert len([word for word in compared if word]) <= 2 * MOST_ERRORS
    assert max(map(len, compared), default=0) <= 60
    assert spent < MOST_SECONDS
    assert len(answer) < 20_000


def test_what_is_told_of_many_is_what_is_told_of_few(client: FlaskClient) -> None:
    few, many = (
        client.post("/v1/assessments", json=CASE | names_like("symptom", n)).get_json()["errors"]
        for n in (MOST_ERRORS, 10 * MOST_ERRORS)
    )
    assert 'did you mean "symptom"?' in few[0]["message"]
    assert many[:2] == few[:2]
    assert [one["pointer"] for one in many] == sorted(one["pointer"] for one in many)


@pytest.mark.parametrize("name", ["_schema", "", "x" * 200, "symp/tom~", "\u202esymptom"])
def test_each_unknown_name_has_its_pointer(name: str, client: FlaskClient) -> None:
    problem = client.post("/v1/assessments", json={**CASE, name: 1}).get_json()
    (error,) = problem["errors"]
    assert error["pointer"] == "/" + name.replace("~", "~0").replace("/", "~1")
    assert error["message"].startswith("Unknown field ")


@pytest.mark.parametrize(
    ("path", "body", "kind", "accept"),
    [
        ("/v1/assessments", CASE, JSON, JSON),
        ("/v1/assessments", CASE | names_like("symptom", 9), JSON, JSON),
        ("/v1/assessments", CASE, JSON, "text/html"),
        ("/v1/calculations/capacitor-discharge", {}, JSON, JSON),
        ("/v1/rule-sets/check", {"base": "nothing"}, JSON, JSON),
        (BATCH, [CASE], JSON, JSON),
        (BATCH, CASE, "application/x-ndjson", JSON),
    ],
)
def test_reading_and_loading_count_as_work_on_a_case(
    path: str,
    body: Any,
    kind: str,
    accept: str,
    client: FlaskClient,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A worker that hangs on it is found out, and is replaced after CASE_SECONDS."""
    at: list[float] = []
    parse, load = json.loads, StrictSchema.load

    def parsing(*args: Any, **more: Any) -> Any:
        at.append(at_work.longest())
        return parse(*args, **more)

    def loading(*args: Any, **more: Any) -> Any:
        at.append(at_work.longest())
        return load(*args, **more)

    monkeypatch.setattr(documents.json, "loads", parsing)
    monkeypatch.setattr(StrictSchema, "load", loading)
    answer = client.post(path, data=json.dumps(body), content_type=kind, headers={"Accept": accept})
    assert answer.status_code in (200, 422)
    assert answer.data
    answer.close()
    assert at
    assert all(seconds > 0.0 for seconds in at)
    assert at_work.longest() == 0.0


def test_within_work_on_a_case_no_other_begins() -> None:
    with at_work.working():
        time.sleep(0.02)
        with at_work.working():
            assert at_work.longest() >= 0.02
        assert at_work.longest() >= 0.02
    assert at_work.longest() == 0.0
