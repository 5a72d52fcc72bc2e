"""The requests that the OpenAPI document has as examples, and what the service answers to them.

python -m tests.api.asked        writes the example answers of the document anew
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from service.api.example_answers import shortened
from service.api.examples import NO_HEAT
from service.app import create_app
from service.settings import Settings
from tests.api.documented import DOCUMENT

KEPT = Path(__file__).parents[2] / "service" / "api" / "example_answers.json"
# Drawn, counted or written by rules of their own: what the document says of them is enough, or
# they have examples beside each of their requests.
WITHOUT = {"image/svg+xml", "text/html", "application/pdf"}
HAS_ITS_OWN = {"runCalculation"}
# Only what leads to few checks makes a text that one can look through.
SMALL = {"getGraph": {"symptom": "runs-with-door-open", "least_probability": "0.5"}}


class Asked(NamedTuple):
    """A request of the document's."""

    operation: str
    method: str
    path: str
    query: dict[str, str]
    body: Any
    sent_as: str | None
    wanted: str

    def answered(self, client: FlaskClient) -> TestResponse:
        """The real answer."""
        text = isinstance(self.body, str)
        return client.open(
            self.path,
            method=self.method,
            query_string=self.query,
            data=None if self.body is None else self.body if text else json.dumps(self.body),
            headers={"Accept": self.wanted},
            content_type=self.sent_as,
        )

    def shown(self, client: FlaskClient) -> Any:
        """The answer as the document is to show it."""
        answer = self.answered(client)
        assert answer.status_code == 200, answer.text
        if self.operation == "getMetrics":
            # Of the rule sets, which do not depend on what has been asked before.
            return "".join(
                line + "\n" for line in answer.text.splitlines() if "rule_set_info" in line
            )
        if answer.mimetype == "application/json":
            return shortened(answer.get_json())
        if answer.mimetype == "application/x-ndjson":
            lines = [json.dumps(shortened(json.loads(one))) for one in answer.text.splitlines()]
            return "".join(line + "\n" for line in (lines[0], lines[-1]))
        return answer.text


def operations() -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Path, method and description of each operation."""
    for path, item in DOCUMENT["paths"].items():
        shared = item.get("parameters", [])
        for method, operation in item.items():
            if isinstance(operation, dict) and "responses" in operation:
                parameters = [*shared, *operation.get("parameters", [])]
                yield path, method, {**operation, "parameters": parameters}


def asked() -> Iterator[Asked]:
    """Of each operation its first example, once for each form of the answer."""
    for path, method, operation in operations():
        name = operation["operationId"]
        if name in HAS_ITS_OWN:
            continue
        examples = {
            (one["in"], one["name"]): one["example"]
            for one in operation["parameters"]
            if "example" in one
        }
        for (place, parameter), value in examples.items():
            if place == "path":
                path = path.replace(f"{{{parameter}}}", str(value))
        query = {
            parameter: value for (place, parameter), value in examples.items() if place == "query"
        }
        content = operation.get("requestBody", {}).get("content", {})
        sent_as, body = next(
            ((kind, one["example"]) for kind, one in content.items()), (None, None)
        )
        for wanted in operation["responses"]["200"]["content"]:
            if wanted not in WITHOUT:
                yield Asked(
                    name, method, path, {**query, **SMALL.get(name, {})}, body, sent_as, wanted
                )


def problems(client: FlaskClient) -> dict[str, Any]:
    """A real problem for each status that a request can bring about at once."""
    wrong = {**NO_HEAT, "readings": [{"check": "display", "observed": "glowing"}]}
    sent: dict[str, TestResponse] = {
        "BAD_REQUEST": client.post(
            "/v1/assessments", data='{"equipment": ', content_type="application/json"
        ),
        "NOT_FOUND": client.get("/v1/rule-sets/toaster"),
        "NOT_ACCEPTABLE": client.post(
            "/v1/assessments/batch", json=[], headers={"Accept": "text/plain"}
        ),
        "UNSUPPORTED_MEDIA_TYPE": client.post(
            "/v1/assessments", data="a: 1", content_type="text/plain"
        ),
        "UNPROCESSABLE_ENTITY": client.post("/v1/assessments", json=wrong),
        "UNAUTHORIZED": client.post(
            "/v1/assessments", json=NO_HEAT, base_url="http://198.51.100.7"
        ),
    }
    return {name: shortened(answer.get_json()) for name, answer in sent.items()}


def real_answers(client: FlaskClient) -> dict[str, Any]:
    """What is to be kept."""
    kept: dict[str, dict[str, Any]] = {}
    for one in asked():
        kept.setdefault(one.operation, {})[one.wanted] = one.shown(client)
    return {**kept, "problems": problems(client)}


def main() -> None:
    found = real_answers(create_app(Settings()).test_client())
    KEPT.write_text(json.dumps(found, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
