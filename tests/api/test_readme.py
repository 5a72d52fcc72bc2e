"""The README's one question gets the answer that the README shows."""

from __future__ import annotations

import json
import re
from pathlib import Path
from textwrap import dedent
from typing import Any

from click.testing import CliRunner
from flask.testing import FlaskClient

from service.api.cases import assess_case
from service.api.response_schemas import STATUSES
from service.app import create_app
from service.candidates import Job, work
from service.commands.main import main
from service.guard.access import PATHS, SCOPES
from service.physics.calculations import calculate
from service.ruleset.catalogue import Catalogue
from service.settings import AT_A_TIME, BURST, RATE, Settings
from service.trials.submission import Part, Submission

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def test_the_readmes_question_gets_the_readmes_answer(catalogue: Any) -> None:
    question = re.search(r"-d '(\{.*?\})'\n", README, re.DOTALL)
    assert question is not None
    answer = assess_case(catalogue, json.loads(question[1]))
    shown = README.split("The answer, shortened:", 1)[1].split("`status` is one of", 1)[0]
    verdict = answer["verdict"]
    assert f'"status": "{answer["status"]}"' in shown
    assert f'"confidence": {verdict["confidence"]},' in shown
    assert f'"action": "{verdict["remedy"]["action"]}"' in shown
    assert f'"parts": {json.dumps(verdict["parts"])}' in shown
    assert f'"part_titles": {json.dumps(verdict["part_titles"])}' in shown
    top = answer["hypotheses"][0]
    assert f'"fault": "{top["fault"]}", "probability": {top["probability"]}' in shown
    discharge = next(one for one in answer["precautions"] if one["id"] == "capacitor-discharged")
    for words in re.findall(r'"text": "\.\.\. (.*?) \.\.\. (.*?) \.\.\."', shown)[0]:
        assert words in discharge["text"]


def test_the_readme_lists_every_status() -> None:
    table = README.split("`status` is one of", 1)[1].split("\n\n", 2)[1]
    listed = set(re.findall(r"^\| `([a-z-]+)`", table, re.MULTILINE))
    statuses = set(STATUSES)
    assert listed == statuses


def test_the_readmes_calculation_gets_the_readmes_result() -> None:
    section = README.split("### Calculations", 1)[1].split("\n###", 1)[0]
    question = re.search(r"/v1/calculations/([a-z-]+) .*-d '(\{.*?\})'\n", section, re.DOTALL)
    assert question is not None
    answer = calculate(question[1], json.loads(question[2]))
    outputs = {(one["name"], one["value"], one["unit"]) for one in answer["outputs"]}
    listed = re.findall(r'\{"name": "(\w+)", "value": ([^,]+), "unit": "(.)", \.\.\.\}', section)
    assert len(listed) == 3
    assert {(name, float(value), unit) for name, value, unit in listed} <= outputs
    (clock,) = (one for one in answer["inputs"] if one["name"] == "clock")
    assert json.dumps(clock) in section
    assert answer["warnings"] == []


def test_the_readmes_table_gets_the_readmes_rows(client: FlaskClient) -> None:
    section = README.split("### Many cases", 1)[1]
    found = re.search(r"<<'END'\n(.*?)\nEND\n```\n\n(.*?)\n\n", section, re.DOTALL)
    assert found is not None
    sent, shown = (dedent(part).strip() for part in found.groups())
    answer = client.post(
        "/v1/assessments/batch",
        data=sent,
        headers={"Content-Type": "text/csv"},
        buffered=True,
    )
    assert answer.get_data(as_text=True).split("\r\n")[:-1] == shown.split("\n")


def test_the_readmes_trial_loses_what_the_readme_says(catalogue: Catalogue) -> None:
    section = README.split("### Rule sets of your own", 1)[1]
    sent = re.search(r"<<'END'\n(.*?)\nEND\n```\n", section, re.DOTALL)
    shown = re.search(r"errors come first:\n\n(.*?)\n\n", section, re.DOTALL)
    assert sent is not None
    assert shown is not None
    part = Part("body", dedent(sent[1]).encode(), "yaml")
    job = Job("trial", Submission((part,)), catalogue, changed_only=True)
    answer = work(job)
    for error in answer["errors"]:
        assert f'"kind": "{error["kind"]}", "lost": "{error["lost"]}"' in shown[1]
        assert f'"where": {{"cases": ["{error["where"]["cases"][0]}", ...]}}' in shown[1]
    assert answer["errors"][0]["message"].startswith("PRECAUTION LOST: do-not-use (cases: ")
    counts = {key: answer["summary"][key] for key in ("cases", "problems", "changed")}
    assert json.dumps(counts)[:-1] + ", ...}" in shown[1]
    first = answer["cases"][0]
    assert f'"case_id": "{first["case_id"]}"' in shown[1]
    assert f'"difference": {json.dumps(first["difference"])[:60]}' in shown[1]
    assert f'"unmet": {json.dumps(first["unmet"])[:30]}' in shown[1]


def test_the_readmes_drawing_gets_the_readmes_lines(client: FlaskClient) -> None:
    section = README.split("### The order of checks", 1)[1].split("\n###", 1)[0]
    commands = re.findall(r"curl -s 'http://[^/]*(/[^']*)'(?: .*-H 'Accept: ([^']*)')?", section)
    (picture, nothing), (text, accept) = commands
    assert nothing == ""
    assert client.get(picture).mimetype == "image/svg+xml"
    answer = client.get(text, headers={"Accept": accept})
    assert answer.mimetype == accept
    shown = dedent(section.rsplit("\n\n", 1)[1]).splitlines()
    shown = [line for line in shown if line.strip() != "..."]
    assert len(shown) == 3
    assert set(shown) <= set(answer.text.splitlines())
    low, high = re.findall(r"\((0\.\d+) to (0\.\d+)\)", section)[0]
    # What is drawn for the lower one takes a while.
    assert client.get(f"{text}&least_probability={high}").status_code == 200
    for beyond in (f"{high}1", low.replace("5", "4")):
        assert client.get(f"{text}&least_probability={beyond}").status_code == 422


def test_the_readmes_key_opens_what_the_readme_says(tmp_path: Path) -> None:
    section = README.split("### Who may call", 1)[1].split("\n## ", 1)[0]
    made = re.search(r"ohmpath (keys new .*?)  ", section)
    called = re.search(r"http://[^/]*(/\S+) -H 'Authorization: (Bearer \w+_)\.\.\.'", section)
    assert made is not None
    assert called is not None
    file = tmp_path / "ohmpath-keys"
    done = CliRunner().invoke(main, made[1].replace("ohmpath-keys", str(file)).split())
    token = done.stdout.strip()
    assert f"Bearer {token}".startswith(called[2])
    client = create_app(Settings(keys=file)).test_client()
    assert client.get(called[1]).status_code == 401
    headers = {"Authorization": f"Bearer {token}"}
    assert client.get(called[1], headers=headers).status_code == 200

    table = dict(re.findall(r"^\| `([a-z]+)` \| (.*) \|$", section, re.MULTILINE))
    assert list(table) == list(SCOPES)
    for scope, opens in table.items():
        for path in re.findall(r"`(?:GET|POST) (\S+)`", opens):
            assert scope in PATHS[path]
    assert f"{RATE} requests a second, {BURST} at once" in section
    assert f"have {AT_A_TIME} batches" in section
