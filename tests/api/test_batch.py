"""POST /v1/assessments/batch, in the forms that it takes and gives."""

from __future__ import annotations

import csv
import io
import json
from itertools import islice
from typing import Any

import pytest
from flask.testing import FlaskClient

from service.api import batch
from service.api.examples import BATCH, BATCH_LINES, BATCH_TABLE
from service.app import create_app
from service.batch.seen import Seen
from service.documents import MAX_BODY_BYTES
from service.settings import Settings
from tests.batch.filling import Filling

URL = "/v1/assessments/batch"
JSON, LINES, TABLE = "application/json", "application/x-ndjson", "text/csv"
BODIES = {JSON: json.dumps(BATCH), LINES: BATCH_LINES, TABLE: BATCH_TABLE}


def post(client: FlaskClient, body: Any, kind: str, accept: str = "", query: str = "") -> Any:
    headers = {"Content-Type": kind, **({"Accept": accept} if accept else {})}
    return client.post(URL + query, data=body, headers=headers, buffered=True)


def lines(response: Any) -> tuple[list[Any], Any]:
    """The results and the summary of an answer in lines."""
    assert response.status_code == 200, response.get_data()
    assert response.mimetype == LINES
    *results, last = [json.loads(one) for one in response.get_data(as_text=True).splitlines()]
    return results, last["summary"]


@pytest.mark.parametrize("kind", BODIES)
@pytest.mark.parametrize("accept", BODIES)
def test_each_form_is_answered_in_each_form(client: FlaskClient, kind: str, accept: str) -> None:
    response = post(client, BODIES[kind], kind, accept)
    assert response.status_code == 200
    assert response.mimetype == accept
    text = response.get_data(as_text=True)
    if accept == TABLE:
        *rows, last = csv.DictReader(io.StringIO(text, newline=""))
        assert [(row["case_id"], row["agrees"]) for row in rows] == [
            ("job-17", "true"),
            ("job-18", "true"),
        ]
        assert last["status"] == "complete"
        return
    if accept == LINES:
        results, summary = lines(response)
    else:
        document = json.loads(text)
        results, summary = document["results"], document["summary"]
    assert [one["case_id"] for one in results] == ["job-17", "job-18"]
    assert summary["complete"] is True
    assert summary["agreement"] == {"expected": 2, "agreed": 2}


@pytest.mark.parametrize("kind", BODIES)
def test_without_a_wish_the_answer_has_the_form_of_the_request(
    client: FlaskClient, kind: str
) -> None:
    assert post(client, BODIES[kind], kind).mimetype == kind
    assert post(client, BODIES[kind], kind, "*/*").mimetype == kind
    assert post(client, BODIES[kind], kind, "text/html, */*;q=0.1").mimetype == kind


def test_a_case_gets_byte_for_byte_what_it_gets_alone(
    client: FlaskClient, case: dict[str, Any]
) -> None:
    alone = client.post("/v1/assessments", json=case)
    response = post(client, json.dumps(case) + "\n", LINES)
    assert f'"assessment":{alone.get_data(as_text=True).strip()}' in response.get_data(as_text=True)


def test_bad_cases_keep_their_places_and_the_others_go_on(
    client: FlaskClient, case: dict[str, Any]
) -> None:
    wrong_unit = {**case, "readings": [{"check": "display", "value": 3, "unit": "V"}]}
    unknown = {**case, "readings": [{"check": "dispaly", "observed": "lit"}]}
    sent = [json.dumps(case), "{", json.dumps(wrong_unit), "", json.dumps(unknown)]
    sent += [json.dumps({**case, "extra": 1}), json.dumps(case)]
    results, summary = lines(post(client, "\n".join(sent), LINES))
    assert [one["index"] for one in results] == [0, 1, 2, 3, 4, 5]
    assert [one["line"] for one in results] == [1, 2, 3, 5, 6, 7]
    assert results[0]["assessment"] == results[-1]["assessment"]
    problems = [one["problem"] for one in results[1:-1]]
    assert [one["status"] for one in problems] == [400, 422, 422, 422]
    assert "line 2" in problems[0]["detail"]
    assert problems[1]["errors"][0]["pointer"].startswith("/readings/0")
    assert problems[2]["errors"][0]["pointer"] == "/readings/0/check"
    assert problems[3]["errors"][0]["pointer"] == "/extra"
    assert summary["problems"] == {"invalid-request": 3, "malformed-json": 1}


def test_an_array_has_its_bad_cases_refused_one_by_one_too(
    client: FlaskClient, case: dict[str, Any]
) -> None:
    good = json.dumps(case)
    body = f'[{good}, {{"a": 1, "a": 2}}, {{"symptom": NaN}}, 7, {good}]'
    results = post(client, body, JSON).get_json()["results"]
    assert ["problem" in one for one in results] == [False, True, True, True, False]
    assert results[1]["problem"]["errors"][0]["message"].startswith('The key "a" stands here')


@pytest.mark.parametrize(
    ("body", "kind", "status", "words"),
    [
        ("{}", JSON, 422, "a list of cases"),
        ("[", JSON, 400, "Not JSON"),
        ("", JSON, 400, "empty"),
        ("", TABLE, 422, "empty"),
        ("a,b\n", TABLE, 422, "Unknown column"),
        ("[]", "text/plain", 415, "application/x-ndjson"),
        ("[]", "", 415, "none"),
        ("[]", f"{JSON}; charset=latin-1", 415, "utf-8"),
    ],
)
def test_what_is_no_batch_is_refused_as_a_whole(
    client: FlaskClient, body: str, kind: str, status: int, words: str
) -> None:
    response = post(client, body, kind)
    assert response.status_code == status
    assert response.mimetype == "application/problem+json"
    assert words in response.get_data(as_text=True).replace('\\"', '"')


def test_nothing_at_all_is_a_complete_batch(client: FlaskClient) -> None:
    assert lines(post(client, "", LINES))[1]["cases"] == 0
    assert post(client, "[]", JSON).get_json()["summary"]["complete"] is True


def test_only_the_forms_there_are_can_be_asked_for(client: FlaskClient) -> None:
    response = post(client, "[]", JSON, "application/pdf")
    assert response.status_code == 406
    assert LINES in response.get_json()["detail"]
    assert post(client, "[]", JSON, query="?detail=some").status_code == 422


def test_brief_answers_say_what_was_decided(client: FlaskClient) -> None:
    results, _ = lines(post(client, BATCH_LINES, LINES, query="?detail=brief"))
    assert results[0]["assessment"]["verdict"]["fault"] == "transformer-secondary-open"
    assert set(results[1]["assessment"]) == {"status", "verdict", "next_check", "rule_set"}


def test_limits_are_of_one_case_and_of_the_whole(case: dict[str, Any]) -> None:
    line = json.dumps(case)
    settings = Settings(max_body_bytes=len(line) + 10, max_batch_bytes=3 * len(line))
    client = create_app(settings).test_client()
    long = json.dumps({**case, "symptom": "x" * 50})
    results, summary = lines(post(client, f"{line}\n{long}\n", LINES))
    assert summary["problems"] == {"content-too-large": 1}
    results, summary = lines(post(client, f"{line}\n" * 4, LINES))
    assert len(results) == 2
    assert summary["complete"] is False
    assert summary["problem"]["status"] == 413
    refused = post(client, f"[{line},{line},{line}]", JSON)
    assert refused.status_code == 413
    assert LINES in refused.get_json()["detail"]


def test_a_worker_holds_a_few_arrays_at_a_time(client: FlaskClient, case: dict[str, Any]) -> None:
    """And each place is given back, whatever became of the array."""

    def begin(body: str) -> Any:
        return client.post(URL, data=body, content_type=JSON)

    held = [begin(json.dumps([case])) for _ in range(batch.ARRAYS)]
    refused = begin(json.dumps([case]))
    assert refused.status_code == 429
    assert refused.get_json()["type"] == "/problems/too-many-arrays"
    assert int(refused.headers["Retry-After"]) >= 1
    assert post(client, json.dumps(case), LINES).status_code == 200
    assert len(held.pop().get_json()["results"]) == 1  # read to its end
    held.pop().close()  # left
    for _ in range(2 * batch.ARRAYS):
        for body in ("[", "{}", "", '[{"a"]', "[1]"):
            answer = begin(body)
            assert answer.status_code in (200, 400, 422)
            answer.close()
    for one in held:
        one.close()
    assert [batch._arrays.acquire(blocking=False) for _ in range(batch.ARRAYS)] == (
        batch.ARRAYS * [True]
    )
    for _ in range(batch.ARRAYS):
        batch._arrays.release()


def test_a_case_of_an_array_may_be_as_long_as_a_body(
    client: FlaskClient, case: dict[str, Any]
) -> None:
    long = {**case, "case_id": "x" * MAX_BODY_BYTES}
    results = post(client, json.dumps([case, long, case]), JSON).get_json()["results"]
    assert ["problem" in one for one in results] == [False, True, False]
    assert results[1]["problem"]["type"] == "/problems/content-too-large"


# -- how a batch ends -------------------------------------------------------------------------


def told(answer: bytes, form: str) -> tuple[bool, int, str | None]:
    """What an answer says of itself: whether it is complete, of how many cases, and why not."""
    text = answer.decode()
    if form == TABLE:
        *rows, last = csv.DictReader(io.StringIO(text, newline=""))
        assert last["status"] in ("complete", "incomplete")
        assert last["index"] == ""
        return last["status"] == "complete", len(rows), last["problem"] or None
    summary = json.loads(text if form == JSON else text.splitlines()[-1])["summary"]
    kind = summary["problem"]["type"].rpartition("/")[2] if "problem" in summary else None
    return summary["complete"], summary["cases"], kind


def many(kind: str, count: int) -> bytes:
    """A batch of many cases, the last of which may not be seen to be cut."""
    if kind == LINES:
        one = {**BATCH[1], "case_id": "job-%d"}
        return "".join(json.dumps(one) % n + "\n" for n in range(count)).encode()
    head = "case_id,equipment,symptom,check,observed\n"
    row = "job-%d,microwave-oven,no-operation,display,dark\n"
    return (head + "".join(row % number for number in range(count))).encode()


def breaking(read: Any) -> Any:
    """A reader of cases that fails after three of them."""

    def items(*arguments: Any) -> Any:
        yield from islice(read(*arguments), 3)
        raise RuntimeError("secret")

    return items


@pytest.mark.parametrize("accept", BODIES)
@pytest.mark.parametrize("kind", [LINES, TABLE])
@pytest.mark.parametrize(
    ("ending", "problem"),
    [
        ("whole", None),
        ("too large", "content-too-large"),
        ("half received", "bad-request"),
        ("full disk", "too-busy"),
        ("failure", "internal-error"),
    ],
)
def test_each_form_says_whether_the_batch_is_complete(
    client: FlaskClient,
    monkeypatch: pytest.MonkeyPatch,
    ending: str,
    problem: str | None,
    kind: str,
    accept: str,
) -> None:
    body = many(kind, 12)
    size = len(body)
    if ending == "half received":
        body = body[: size // 2]
    elif ending == "too large":
        monkeypatch.setitem(client.application.config, "MAX_BATCH_LENGTH", size // 2)
    elif ending == "full disk":
        monkeypatch.setattr("tempfile.TemporaryFile", lambda **_: Filling(size // 2))
    elif ending == "failure":
        for name in ("from_lines", "from_table"):
            monkeypatch.setattr(batch, name, breaking(getattr(batch, name)))
    answer = client.post(
        f"{URL}?detail=brief",
        input_stream=io.BytesIO(body),
        headers={"Content-Type": kind, "Accept": accept},
        environ_overrides={"CONTENT_LENGTH": str(size)},
        buffered=True,
    )
    assert answer.status_code == 200
    complete, cases, said = told(answer.get_data(), accept)
    assert (complete, said) == (problem is None, problem)
    assert cases == 12 if complete else cases < 12
    assert b"secret" not in answer.get_data()


class Cramped(Seen):
    """The names of cases in a database that has room for few of them."""

    def __init__(self) -> None:
        super().__init__()
        self._names.execute("PRAGMA max_page_count = 3")


@pytest.mark.parametrize("accept", BODIES)
def test_without_room_for_the_case_ids_the_batch_is_incomplete(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch, accept: str
) -> None:
    monkeypatch.setattr("service.batch.table.Seen", Cramped)
    headers = {"Content-Type": TABLE, "Accept": accept}
    answer = client.post(URL, data=many(TABLE, 1000), headers=headers, buffered=True)
    assert told(answer.get_data(), accept) == (False, 0, "too-busy")
    few = client.post(URL, data=many(TABLE, 3), headers=headers, buffered=True)
    assert told(few.get_data(), accept) == (True, 3, None)


# -- what cannot be read ----------------------------------------------------------------------

SURVEY = b"case_id,equipment,symptom,check,observed,value,unit,conditions.load_volume,note\n"
LEAK = [
    b"a,microwave-oven,no-heat,display,lit,,,,\n",
    b"a,,,leakage-survey,,6.5,mW/cm2,275 mL,at the latch\n",
]
FINE = [b"b,microwave-oven,no-operation,display,dark,,,,\n"]


@pytest.mark.parametrize("accept", BODIES)
@pytest.mark.parametrize(
    "rows",
    [
        [LEAK[0], LEAK[1].replace(b"mW/cm2", b"mW/cm\xb2"), *FINE],
        [LEAK[0], LEAK[1].replace(b"at the", b"at\0the"), *FINE],
        [LEAK[0], LEAK[1].replace(b"6.5", b"6,5"), *FINE],
        [LEAK[0], b"a,,,leakage-survey,,6.5\n", *FINE],
        [LEAK[0], LEAK[1].replace(b"at the", b'"at the'), *FINE],
        [LEAK[0], *FINE, LEAK[1]],
        [LEAK[1].replace(b"a,,,", b"a\xb2,microwave-oven,no-heat,"), LEAK[0], FINE[0]],
    ],
)
def test_a_reading_that_cannot_be_read_leaves_its_case_undecided(
    client: FlaskClient, rows: list[bytes], accept: str
) -> None:
    answer = post(client, SURVEY + b"".join(rows), TABLE, accept).get_data(as_text=True)
    if accept == TABLE:
        *found, last = csv.DictReader(io.StringIO(answer, newline=""))
        decided = [one["case_id"] for one in found if not one["problem"]]
        assert last["detail"].startswith(f"{len(found)} cases, {len(decided)} assessed")
    else:
        lines = answer.splitlines()[:-1]
        results = json.loads(answer)["results"] if accept == JSON else map(json.loads, lines)
        decided = [one["case_id"] for one in results if "assessment" in one]
    assert decided == ["b"]


def test_nothing_is_decided_on_json_that_can_be_read_in_two_ways(
    client: FlaskClient, case: dict[str, Any]
) -> None:
    good = json.dumps(case)
    torn = [
        good[:-1] + ', "readings": []}',
        good[:-1] + f', "note": "{chr(0)}"' + "}",
        "\ufeff" + good,
        good + "\r" + good,
        good.replace('"readings"', '"readings\\ud800"'),
        good[:-2],
    ]
    for one in torn:
        results, summary = lines(post(client, f"{good}\n{one}\n{good}\n".encode(), LINES))
        assert ["problem" in found for found in results] == [False, True, False]
        assert summary["assessed"] == 2
        answer = post(client, f"[{good}, {one}]".encode(), JSON)
        assert answer.status_code in (400, 422) or "problem" in answer.get_json()["results"][1]
    latin = good.encode().replace(b'"no-heat"', b'"no-heat\xb2"')
    assert latin != good.encode()
    results, _ = lines(post(client, b"\n".join((good.encode(), latin)), LINES))
    assert ["problem" in found for found in results] == [False, True]
