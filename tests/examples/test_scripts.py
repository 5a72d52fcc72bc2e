"""The scripts of examples/ do what they are there for, and say what keeps them from it."""

from __future__ import annotations

import json
import re
import shutil
import urllib.request
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from subprocess import CompletedProcess
from threading import Thread
from typing import Any, ClassVar
from urllib.error import HTTPError

import pytest
from click.testing import CliRunner

from service.commands.main import main

Run = Callable[..., CompletedProcess[str]]

EXAMPLES = Path(__file__).parents[2] / "examples"
JOB = json.loads((EXAMPLES / "job.json").read_text(encoding="utf-8"))
VISITS = {"sh": ("curl", "jq"), "python3": (), "node": ("node",)}
FILES = {"sh": "visit.sh", "python3": "visit.py", "node": "visit.mjs"}
TRACE = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01"


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """The keys file, and the tokens in it: of a dispatcher, and of one who must be patient."""
    file = tmp_path_factory.mktemp("keys") / "ohmpath-keys"
    made = {"file": str(file)}
    for name, more in (("dispatch", []), ("patient", ["--rate", "1", "--burst", "1"])):
        command = ["keys", "new", name, "--scope", "assess", "--to", str(file), *more]
        made[name] = CliRunner().invoke(main, command, catch_exceptions=False).stdout.strip()
    return made


@pytest.fixture(scope="module")
def guarded(start_service: Callable[..., str], keys: dict[str, str]) -> str:
    """The URL of a service that wants a key."""
    return start_service(OHMPATH_KEYS=keys["file"])


def test_three_visits_go_the_same_way(
    run: Run, guarded: str, keys: dict[str, str], need: Callable[..., None]
) -> None:
    told = {}
    for program, needed in VISITS.items():
        need(*needed)
        where = {"OHMPATH_URL": guarded, "OHMPATH_KEY": keys["dispatch"]}
        done = run(f"{program} examples/{FILES[program]}", **where)
        assert (done.returncode, done.stderr) == (0, ""), program
        told[program] = done.stdout
    visit = told["python3"]
    assert told == dict.fromkeys(VISITS, visit)
    assert re.search(r"^fault-found: .* magnetron-filament-open ", visit, re.MULTILINE)
    assert visit.splitlines()[-1].startswith("released: ")


def test_precautions_come_before_what_they_are_for(
    run: Run, guarded: str, keys: dict[str, str]
) -> None:
    where = {"OHMPATH_URL": guarded, "OHMPATH_KEY": keys["dispatch"]}
    visit = run("python3 examples/visit.py", **where).stdout
    before = visit.partition("then take off the cover")[0]
    for precaution in ("supply-disconnected", "capacitor-discharged"):
        assert f"DANGER {precaution}: " in before
    assert visit.count("DANGER capacitor-discharged: ") == 2  # in full until it is confirmed


@pytest.mark.parametrize("program", VISITS)
def test_a_visit_ends_where_it_is_refused(
    program: str, run: Run, guarded: str, keys: dict[str, str], need: Callable[..., None]
) -> None:
    need(*VISITS[program])
    command = f"{program} examples/{FILES[program]}"
    wrong = 'sed -i \'s/"display": {"observed": "lit"}/"display": {"observed": "on"}/\''
    done = run(f"{command}", OHMPATH_URL=guarded, OHMPATH_KEY="not-the-key")
    assert done.returncode == 1
    assert "401 A key is needed, and none that is known was sent\n" in done.stderr
    done = run(
        f"{wrong} examples/oven.json && {command}",
        OHMPATH_URL=guarded,
        OHMPATH_KEY=keys["dispatch"],
    )
    assert done.returncode == 1
    assert "422 The request is not valid\n  /readings/0/observed: 'on' is" in done.stderr
    done = run(command, OHMPATH_URL="http://127.0.0.1:9")
    assert done.returncode == 1
    assert "127.0.0.1" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("program", ["python3", "node"])
def test_a_visit_does_not_go_round_in_circles(
    program: str, run: Run, guarded: str, keys: dict[str, str], need: Callable[..., None]
) -> None:
    need(*VISITS[program])
    oven = json.loads((EXAMPLES / "oven.json").read_text(encoding="utf-8"))
    del oven["readings_after_repair"]["leakage-survey"]["conditions"]
    done = run(
        f"printf '%s' \"$OVEN\" > examples/oven.json && {program} examples/{FILES[program]}",
        OVEN=json.dumps(oven),
        OHMPATH_URL=guarded,
        OHMPATH_KEY=keys["dispatch"],
    )
    assert done.returncode == 1
    assert done.stderr == "leakage-survey is asked for again and again\n"


def post(url: str, job: Any, **headers: str) -> tuple[int, dict[str, Any]]:
    """HTTP status and document of a webhook's answer to a job."""
    body = json.dumps(job).encode()
    try:
        with urllib.request.urlopen(urllib.request.Request(url, body, headers), timeout=60) as got:
            return got.status, json.load(got)
    except HTTPError as got:
        return got.code, json.load(got)


def test_the_same_job_gets_the_same_card(
    start_webhook: Callable[..., str], guarded: str, keys: dict[str, str]
) -> None:
    webhook = start_webhook(guarded, OHMPATH_KEY=keys["dispatch"])
    status, card = post(webhook, JOB)
    assert (status, card["job"], card["status"]) == (200, "J-20931", "check-next")
    assert card["next_step"]["title"] == "Power taken at the plug, while it heats"
    assert any(one.startswith("WARNING: Do not run the oven if") for one in card["precautions"])
    assert "magnetron" in card["van"]
    assert post(webhook, JOB) == (200, card)


def test_a_card_has_the_verdict_and_its_part(
    start_webhook: Callable[..., str], guarded: str, keys: dict[str, str]
) -> None:
    webhook = start_webhook(guarded, OHMPATH_KEY=keys["dispatch"])
    filament = {"check": "magnetron-filament-resistance", "over_range": True}
    confirmed = ["supply-disconnected", "capacitor-discharged"]
    readings = [*JOB["readings"], filament, filament]
    status, card = post(webhook, {**JOB, "readings": readings, "confirmed": confirmed})
    assert (status, card["status"], card["next_step"]) == (200, "fault-found", None)
    assert card["verdict"]["fault"] == "Magnetron filament open"
    assert card["van"] == ["magnetron"]


def test_a_dispatcher_is_told_what_to_do(
    start_webhook: Callable[..., str], guarded: str, keys: dict[str, str]
) -> None:
    webhook = start_webhook(guarded, OHMPATH_KEY=keys["dispatch"])
    wrong = [JOB["readings"][0], {"check": "outlet-voltage", "value": 230, "unit": "Ohm"}]
    status, said = post(webhook, {**JOB, "readings": wrong})
    assert status == 422
    assert said["message"].startswith("At /readings/1/unit: ")
    assert post(webhook, {**JOB, "complaint": "sulks"}) == (
        422,
        {"message": "Missing, or unknown here: 'sulks'"},
    )
    status, said = post(start_webhook(guarded), JOB)
    assert status == 502
    assert "tell whoever looks after the webhook" in said["message"]


def test_a_webhook_over_its_rate_waits_and_asks_again(
    start_webhook: Callable[..., str], guarded: str, keys: dict[str, str]
) -> None:
    webhook = start_webhook(guarded, OHMPATH_KEY=keys["patient"])
    assert [post(webhook, JOB)[0] for _ in range(3)] == [200, 200, 200]


class Stand(BaseHTTPRequestHandler):
    """Stands for a service: gives the answers that it was given, one after the other."""

    answers: ClassVar[list[tuple[int, dict[str, str], bytes]]] = []
    seen: ClassVar[list[str | None]] = []

    def do_POST(self) -> None:
        self.rfile.read(int(self.headers["Content-Length"]))
        self.seen.append(self.headers["traceparent"])
        status, headers, body = self.answers.pop(0)
        self.send_response(status)
        for name, value in {**headers, "Content-Length": str(len(body))}.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: Any) -> None:
        """Say nothing."""


@pytest.fixture
def stand() -> Iterator[str]:
    Stand.answers, Stand.seen = [], []
    with ThreadingHTTPServer(("127.0.0.1", 0), Stand) as server:
        Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_port}"
        server.shutdown()


def test_a_webhook_asks_again_and_passes_the_trace_on(
    start_webhook: Callable[..., str], stand: str, guarded: str, keys: dict[str, str]
) -> None:
    body = json.dumps({"equipment": "microwave-oven", "symptom": "no-heat", "case_id": "J"})
    headers = {"Authorization": f"Bearer {keys['dispatch']}", "Content-Type": "application/json"}
    asked = urllib.request.Request(f"{guarded}/v1/assessments", body.encode(), headers)
    with urllib.request.urlopen(asked, timeout=60) as got:
        whole = got.read()
    Stand.answers = [(503, {"Retry-After": "0"}, b"busy"), (200, {}, whole)]
    status, card = post(start_webhook(stand), JOB, traceparent=TRACE)
    assert (status, card["job"]) == (200, "J")
    assert Stand.seen == [TRACE, TRACE]


@pytest.mark.parametrize(
    ("headers", "asked"),
    [({"Retry-After": "0"}, 2), ({}, 2), ({"Retry-After": "3600"}, 1)],
)
def test_a_webhook_gives_up_in_time(
    headers: dict[str, str], asked: int, start_webhook: Callable[..., str], stand: str
) -> None:
    Stand.answers = [(503, headers, b"<html>")] * 2
    status, said = post(start_webhook(stand), JOB)
    assert status == 503
    assert "Send it again in a minute" in said["message"]
    assert len(Stand.seen) == asked


def test_a_webhook_says_that_nobody_is_there(start_webhook: Callable[..., str]) -> None:
    status, said = post(start_webhook("http://127.0.0.1:9"), JOB)
    assert status == 503
    assert "busy or away" in said["message"]


def test_the_shell_script_has_no_slips(run: Run) -> None:
    if shutil.which("shellcheck") is None:
        pytest.skip("shellcheck is not installed")
    done = run("shellcheck --shell=sh examples/visit.sh")
    assert done.returncode == 0, done.stdout


def test_the_first_answer_is_summed_up(run: Run, service: str) -> None:
    done = run(f"python3 examples/ask.py {service} examples/no-heat.json")
    assert (done.returncode, done.stderr) == (0, "")
    told = dict(line.split(maxsplit=1) for line in done.stdout.splitlines())
    assert list(told) == ["asked", "status", "verdict", "remedy", "first", "bring"]
    assert told["status"] == "fault-found"
    assert "capacitor-discharged (confirmed)" in told["first"]
    assert told["bring"].startswith("High-voltage transformer 9")


@pytest.mark.parametrize(("symptom", "code"), [("no-heat", 0), ("no-heaat", 1)])
def test_what_is_not_answered_fails(run: Run, service: str, symptom: str, code: int) -> None:
    case = json.dumps({"equipment": "microwave-oven", "symptom": symptom})
    done = run(f"echo '{case}' >case.json; python3 examples/ask.py {service} case.json")
    assert done.returncode == code
    assert ("next  Display" in done.stdout) == (code == 0)
    assert ("did you mean 'no-heat'?" in done.stderr) == (code != 0)
