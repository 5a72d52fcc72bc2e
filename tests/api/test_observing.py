"""What a request leaves behind: a line in the log, numbers, spans, and the id in its answer."""

from __future__ import annotations

import json
import logging
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from flask import Flask, request
from flask.testing import FlaskClient
from opentelemetry.sdk.trace import TracerProvider
from opentelemetry.sdk.trace.export import SimpleSpanProcessor
from opentelemetry.sdk.trace.export.in_memory_span_exporter import InMemorySpanExporter
from opentelemetry.sdk.trace.sampling import ALWAYS_OFF, ParentBased
from opentelemetry.trace import SpanKind, StatusCode
from prometheus_client.parser import text_string_to_metric_families

from service.api.installed import install_key
from service.app import create_app
from service.inference.rules import EngineError
from service.observe import spans
from service.observe.logs import JsonLine
from service.observe.trace import current
from service.settings import Settings, SettingsError

TRACE, SPAN = "4bf92f3577b34da6a3ce929d0e0e4736", "00f067aa0ba902b7"
PARENT = {"traceparent": f"00-{TRACE}-{SPAN}-01", "tracestate": "rojo=1"}
SECRET = "s3cret"


class Reader(FlaskClient):
    """Takes each answer to its end, as a server does."""

    def open(self, *args: Any, **kwargs: Any) -> Any:
        return super().open(*args, **{"buffered": True, **kwargs})


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return Reader(app)


class Lines(logging.Handler):
    """Keeps the lines as they would have been written, at the time at which they would."""

    def __init__(self) -> None:
        super().__init__()
        self.setFormatter(JsonLine())
        self.raw: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.raw.append(self.format(record))

    @property
    def access(self) -> list[dict[str, Any]]:
        documents = [json.loads(one) for one in self.raw]
        return [one for one in documents if one["logger"] == "ohmpath.access"]


@pytest.fixture
def lines() -> Iterator[Lines]:
    handler, root = Lines(), logging.getLogger()
    level = root.level
    root.addHandler(handler)
    root.setLevel(logging.INFO)
    yield handler
    root.removeHandler(handler)
    root.setLevel(level)


def counted(client: FlaskClient) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    families = text_string_to_metric_families(client.get("/metrics").text)
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in families
        for sample in family.samples
    }


def of(numbers: Any, name: str, **labels: str) -> float:
    found: float = numbers.get((f"ohmpath_{name}", tuple(sorted(labels.items()))), 0)
    return found


def test_access_line_says_all_that_it_should(
    client: FlaskClient, case: dict[str, Any], lines: Lines
) -> None:
    answer = client.post("/v1/assessments", json=case, headers=PARENT)
    (line,) = lines.access
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", line.pop("time"))
    assert line.pop("duration_ms") > 0
    span_id = line.pop("span_id")
    assert re.fullmatch("[0-9a-f]{16}", span_id)
    assert re.fullmatch(r"POST /v1/assessments 200, \d+\.\d ms", line.pop("message"))
    assert line == {
        "level": "INFO",
        "logger": "ohmpath.access",
        "request_id": span_id,
        "trace_id": TRACE,
        "method": "POST",
        "route": "/v1/assessments",
        "status": 200,
        "bytes": len(answer.data),
        "rule_set": "microwave-oven",
    }
    assert answer.headers["X-Request-Id"] == span_id


def test_request_id_that_was_sent_comes_back(client: FlaskClient, lines: Lines) -> None:
    answer = client.get("/healthz", headers={"X-Request-Id": "job-17"})
    assert answer.headers["X-Request-Id"] == lines.access[0]["request_id"] == "job-17"


def test_problem_is_named(client: FlaskClient, lines: Lines) -> None:
    answer = client.post("/v1/assessments", json={"equipment": "kettle", "symptom": "cold"})
    assert answer.status_code == 422
    assert lines.access[0]["problem"] == "invalid-request"
    assert "rule_set" not in lines.access[0]


def test_route_is_the_template_and_the_path_stands_nowhere(
    client: FlaskClient, lines: Lines
) -> None:
    client.get("/v1/rule-sets/microwave-oven/symptoms/no-heat/bring")
    client.get(f"/{SECRET}%0A%1B[2J%E2%80%A8?{SECRET}={SECRET}")
    assert [one["route"] for one in lines.access] == [
        "/v1/rule-sets/{rule_set_id}/symptoms/{symptom}/bring",
        "unmatched",
    ]
    assert SECRET not in "".join(lines.raw)


def test_nothing_of_a_client_is_logged(
    client: FlaskClient, case: dict[str, Any], lines: Lines
) -> None:
    case["case_id"] = SECRET
    case["readings"][0]["note"] = SECRET
    headers = {"Authorization": f"Bearer {SECRET}", "Cookie": SECRET, "User-Agent": SECRET}
    for body in (case, {**case, "symptom": SECRET}, SECRET):
        client.post(f"/v1/assessments?{SECRET}={SECRET}", json=body, headers=headers)
    client.open("/healthz", method=SECRET.upper())
    assert len(lines.access) == 4
    assert SECRET not in "".join(lines.raw).lower()
    assert "127.0.0.1" not in "".join(lines.raw)


def test_client_is_named_where_that_is_asked_for(lines: Lines) -> None:
    app = create_app(Settings(log_addresses=True))

    @app.before_request
    def known() -> None:
        request.environ["REMOTE_USER"] = "key-7"

    Reader(app).get("/healthz")
    assert lines.access[0]["address"] == "127.0.0.1"
    assert lines.access[0]["client"] == "key-7"


@pytest.mark.parametrize("path", ["/a%0Ab", "/a%0D%0Ab%00", "/a%1B[31mb", "/%E2%80%A8", "/%85"])
def test_failure_on_a_hostile_path_is_one_line(
    app: Flask, client: FlaskClient, lines: Lines, monkeypatch: pytest.MonkeyPatch, path: str
) -> None:
    def fail(*_: Any) -> None:
        raise RuntimeError("x\ny")

    monkeypatch.setattr(app, "dispatch_request", fail)
    assert client.get(path).status_code == 500
    assert len(lines.raw) == 2
    for raw in lines.raw:
        assert raw.isascii()
        assert raw.isprintable()
        assert json.loads(raw)["request_id"]


def test_streamed_answer_is_told_of_at_its_end(client: FlaskClient, lines: Lines) -> None:
    rows = "case_id,equipment,symptom\na,microwave-oven,no-heat\nb,microwave-oven,lamp-out\n"
    sent: dict[str, Any] = {"data": rows, "headers": {"Content-Type": "text/csv"}}
    whole = client.post("/v1/assessments/batch", **sent)
    assert lines.access[0]["bytes"] == len(whole.data)
    assert "cut_off" not in lines.access[0]
    broken = client.post("/v1/assessments/batch", buffered=False, **sent)
    first = next(broken.iter_encoded())
    broken.close()
    assert lines.access[1]["cut_off"] is True
    assert lines.access[1]["bytes"] == len(first)


def test_what_has_no_body_has_no_bytes(client: FlaskClient, lines: Lines) -> None:
    etag = client.get("/openapi.json").headers["ETag"]
    client.get("/openapi.json", headers={"If-None-Match": etag})
    client.head("/healthz")
    assert [one["bytes"] > 0 for one in lines.access] == [True, False, False]


def test_no_request_is_under_way_after_it(client: FlaskClient) -> None:
    client.get("/healthz")
    assert current.get() is None


def test_numbers_follow_the_requests(client: FlaskClient, case: dict[str, Any]) -> None:
    before = counted(client)
    client.post("/v1/assessments", json=case)
    client.post("/v1/assessments", json={})
    for path in ("/one", "/two", "/three?x=1"):
        client.get(path)
    client.open("/healthz", method="BREW")
    client.post("/v1/assessments/batch", json=[case, {"symptom": 1}, case])
    after = counted(client)

    def grown(name: str, **labels: str) -> float:
        return of(after, name, **labels) - of(before, name, **labels)

    posted = {"route": "/v1/assessments", "method": "POST"}
    assert grown("requests_total", **posted, status="200") == 1
    assert grown("requests_total", **posted, status="422") == 1
    assert grown("requests_total", route="unmatched", method="GET", status="404") == 3
    assert grown("requests_total", route="unmatched", method="_OTHER", status="405") == 1
    assert grown("requests_total", route="/metrics", method="GET", status="200") == 1
    assert grown("request_duration_seconds_count", route="/v1/assessments") == 2
    assert grown("problems_total", type="not-found") == 3
    assert grown("problems_total", type="invalid-request") == 1
    found = {"rule_set": "microwave-oven", "status": "fault-found"}
    assert grown("assessments_total", **found, fault="transformer-secondary-open") == 3
    assert grown("batch_cases_total", result="assessed") == 2
    assert grown("batch_cases_total", result="invalid-request") == 1


def test_rule_sets_are_told_by_their_content(client: FlaskClient) -> None:
    numbers = counted(client)
    for one in client.get("/v1/rule-sets").get_json():
        named = {key: one[key] for key in ("id", "version", "content_hash")}
        assert of(numbers, "rule_set_info", **named) == 1


def test_metrics_come_as_openmetrics_if_asked_for(client: FlaskClient) -> None:
    asked = {"Accept": "application/openmetrics-text;version=1.0.0,text/plain;q=0.3"}
    assert client.get("/metrics").headers["Content-Type"] == (
        "text/plain; version=0.0.4; charset=utf-8"
    )
    answer = client.get("/metrics", headers=asked)
    assert answer.mimetype == "application/openmetrics-text"
    assert answer.text.endswith("# EOF\n")


def test_failures_of_the_engine_are_counted(
    app: Flask, client: FlaskClient, case: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: Any) -> None:
        raise EngineError("broken")

    monkeypatch.setattr(app.extensions[install_key], "for_equipment", fail)
    before = of(counted(client), "engine_failures_total")
    new = {**case, "case_id": "not asked before"}
    assert client.post("/v1/assessments", json=new).status_code == 500
    assert client.get("/readyz").status_code == 503
    batch = client.post("/v1/assessments/batch", json=[case]).get_json()
    assert batch["summary"]["problems"] == {"internal-error": 1}
    assert of(counted(client), "engine_failures_total") == before + 3


# -- spans -----------------------------------------------------------------------------------------


@pytest.fixture
def exported() -> Iterator[InMemorySpanExporter]:
    exporter, provider = InMemorySpanExporter(), TracerProvider(shutdown_on_exit=False)
    provider.add_span_processor(SimpleSpanProcessor(exporter))
    spans.use(provider)
    yield exporter
    spans.use(None)


def test_request_is_a_span_below_the_callers(
    client: FlaskClient, case: dict[str, Any], exported: InMemorySpanExporter, lines: Lines
) -> None:
    client.post("/v1/assessments?q=secret", json=case, headers=PARENT)
    stage, server = exported.get_finished_spans()
    assert server.name == "POST /v1/assessments"
    assert server.kind is SpanKind.SERVER
    assert server.context is not None
    assert server.parent is not None
    assert f"{server.parent.trace_id:032x}-{server.parent.span_id:016x}" == f"{TRACE}-{SPAN}"
    assert server.parent.is_remote
    assert server.context.trace_state["rojo"] == "1"
    assert dict(server.attributes or {}) == {
        "http.request.method": "POST",
        "url.path": "/v1/assessments",
        "url.scheme": "http",
        "http.route": "/v1/assessments",
        "http.response.status_code": 200,
    }
    assert server.status.status_code is StatusCode.UNSET
    assert stage.name == "assess"
    assert stage.parent == server.context
    (line,) = lines.access
    assert line["trace_id"] == TRACE
    assert line["span_id"] == f"{server.context.span_id:016x}"


def test_request_without_a_parent_starts_a_trace(
    client: FlaskClient, exported: InMemorySpanExporter
) -> None:
    client.get("/nowhere", headers={"traceparent": f"00-{'0' * 32}-{SPAN}-01"})
    (server,) = exported.get_finished_spans()
    assert server.parent is None
    assert server.name == "GET"
    assert "http.route" not in (server.attributes or {})
    assert server.status.status_code is StatusCode.UNSET


def test_failure_is_an_error_in_its_span(
    app: Flask,
    client: FlaskClient,
    exported: InMemorySpanExporter,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def fail(*_: Any) -> None:
        raise RuntimeError

    monkeypatch.setattr(app, "dispatch_request", fail)
    client.open("/healthz", method="BREW")
    (server,) = exported.get_finished_spans()
    assert server.name == "HTTP"
    assert server.attributes is not None
    assert server.attributes["http.request.method"] == "_OTHER"
    assert server.attributes["error.type"] == "internal-error"
    assert server.status.status_code is StatusCode.ERROR


def test_request_that_is_not_sampled_is_logged_all_the_same(
    client: FlaskClient, lines: Lines
) -> None:
    spans.use(TracerProvider(sampler=ParentBased(ALWAYS_OFF), shutdown_on_exit=False))
    try:
        client.get("/healthz")
        client.get("/healthz", headers=PARENT)
    finally:
        spans.use(None)
    first, second = lines.access
    assert re.fullmatch("(?!0{32})[0-9a-f]{32}", first["trace_id"])
    assert second["trace_id"] == TRACE


@pytest.mark.parametrize(
    "environment",
    [
        {},
        {"OTEL_TRACES_EXPORTER": "none"},
        {"OTEL_TRACES_EXPORTER": "otlp", "OTEL_SDK_DISABLED": "true"},
    ],
)
def test_no_spans_are_made_unless_asked_for(environment: dict[str, str]) -> None:
    spans.set_up(environment)
    assert spans.begin(None, "GET", "/", "http") is None


def test_exporter_that_is_not_there_is_logged(lines: Lines) -> None:
    spans.set_up({"OTEL_TRACES_EXPORTER": "pigeon"})
    assert spans.begin(None, "GET", "/", "http") is None
    assert "no exporter pigeon is installed" in lines.raw[0]


# -- decisions -------------------------------------------------------------------------------------


@pytest.mark.parametrize("batches", [False, True])
def test_decisions_are_written_down(tmp_path: Path, case: dict[str, Any], batches: bool) -> None:
    path = tmp_path / "decisions"
    settings = Settings(decision_log=str(path), decision_log_batches=batches)
    client = Reader(create_app(settings))
    client.post("/v1/assessments", json=case, headers=PARENT)
    client.post("/v1/assessments", json={**case, "symptom": "none"})  # nothing is decided
    client.post("/v1/assessments/batch", json=[case, 1, case])
    written = [json.loads(one) for one in path.read_bytes().splitlines()]
    assert len(written) == (3 if batches else 1)
    assert written[0]["trace_id"] == TRACE
    assert len({one["answer"] for one in written}) == 1


def test_decision_log_that_cannot_be_opened_is_told_at_the_start(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="OHMPATH_DECISION_LOG cannot be opened"):
        create_app(Settings(decision_log=str(tmp_path / "missing" / "file")))


def test_decision_log_on_a_full_disk_costs_no_answer(case: dict[str, Any]) -> None:
    client = Reader(create_app(Settings(decision_log="/dev/full")))
    assert client.post("/v1/assessments", json=case).status_code == 200


@pytest.mark.parametrize(
    ("name", "wrong"),
    [
        ("OHMPATH_LOG", "xml"),
        ("OHMPATH_LOG_ADDRESSES", "maybe"),
        ("OHMPATH_DECISION_LOG_BATCHES", "1"),
    ],
)
def test_settings_that_mean_nothing_are_refused(name: str, wrong: str) -> None:
    with pytest.raises(SettingsError, match=name):
        Settings.from_environment({name: wrong})
    assert Settings.from_environment({name: " "}) == Settings()


# -- the README ------------------------------------------------------------------------------------

SECTION = (
    (Path(__file__).parents[2] / "README.md")
    .read_text(encoding="utf-8")
    .split("### Watching it", 1)[1]
    .split("\n##", 1)[0]
)


def test_readme_lists_every_metric(client: FlaskClient) -> None:
    told = set(re.findall("^# TYPE (ohmpath_[a-z_]+) ", client.get("/metrics").text, re.MULTILINE))
    told = {one for one in told if not one.endswith("_created")}
    table = "\n".join(line for line in SECTION.splitlines() if line.startswith("| `"))
    assert set(re.findall("`(ohmpath_[a-z_]+)`", table)) == told


def test_readmes_lines_have_the_names_of_real_ones(
    tmp_path: Path, case: dict[str, Any], lines: Lines
) -> None:
    client = Reader(create_app(Settings(decision_log=str(tmp_path / "log"))))
    client.post("/v1/assessments", json=case, headers=PARENT)
    access, decision = re.findall(r"^    (\{.*?\})\n\n", SECTION, re.DOTALL | re.MULTILINE)
    assert json.loads(access).keys() == lines.access[0].keys()
    written = (tmp_path / "log").read_text()
    assert set(re.findall(r'"(\w+)":', decision)) <= set(re.findall(r'"(\w+)":', written))
    assert json.loads(written).keys() <= set(re.findall(r'"(\w+)":', decision))
