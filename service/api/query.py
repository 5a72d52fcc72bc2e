"""Query parameters that take one of a few words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from flask import Request

from service.documents import shown
from service.problems import INVALID_REQUEST, Problem


@dataclass(frozen=True, slots=True)
class Choice:
    """A query parameter and its words, of which the first is taken if none was sent."""

    name: str
    words: tuple[str, ...]
    description: str

    @property
    def parameter(self) -> dict[str, Any]:
        """The parameter as the OpenAPI document has it."""
        return {
            "in": "query",
            "name": self.name,
            "required": False,
            "schema": {"type": "string", "enum": list(self.words), "default": self.words[0]},
            "description": self.description,
        }


def choice(req: Request, parameter: Choice) -> str:
    """The word of a query parameter. Raises Problem."""
    got = req.args.get(parameter.name, parameter.words[0])
    if got not in parameter.words:
        message = f"must be {' or '.join(parameter.words)}, not {shown(got)}"
        raise invalid_query(f"The query parameter {parameter.name} {message}.")
    return got


def invalid_query(detail: str) -> Problem:
    """A query parameter that will not do: no place in a body to point at."""
    return Problem(INVALID_REQUEST, detail, [("", detail)])
