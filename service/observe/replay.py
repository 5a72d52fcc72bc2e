"""A decision log, decided again: does every answer come out as it did?"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, BinaryIO

from jsonschema import Draft202012Validator

from service.documents import parse_json
from service.observe.decisions import digest
from service.problems import Problem
from service.ruleset.catalogue import Catalogue
from service.trials.difference import difference

Assess = Callable[[Any], dict[str, Any]]
"""From the document of a case to its assessment; raises Problem."""

MOST_LINE = 8 * 1024 * 1024  # bytes; a longer one is passed over in pieces

_TEXT = {"type": "string", "pattern": "^[!-~]{1,200}$"}  # nothing that commands a terminal
_TEXTS = {"type": "array", "items": _TEXT}


def _object(nullable: bool = False, **properties: Any) -> dict[str, Any]:
    kinds = ["object", "null"] if nullable else ["object"]
    return {"type": kinds, "properties": properties, "required": list(properties)}


# Of a line, what is read here; the case is checked as any other is.
_DECISION = Draft202012Validator(
    _object(
        time=_TEXT,
        trace_id={"anyOf": [_TEXT, {"type": "null"}]},
        rule_set=_object(content_hash=_TEXT),
        case={},
        status=_TEXT,
        verdict=_object(nullable=True, fault=_TEXT, confidence={"type": "number"}, remedy=_TEXT),
        next_check=_object(
            nullable=True, id=_TEXT, kind=_TEXT, for_check={"anyOf": [_TEXT, {"type": "null"}]}
        ),
        precautions=_TEXTS,
        rules=_TEXTS,
        answer=_TEXT,
    )
)


@dataclass(frozen=True, slots=True)
class Replayed:
    """One line of a log.

    broken: why it is no decision. other_rules: the rule set is not the one that decided. differs:
    what comes out otherwise, as `recorded` and `replayed`, or a list of precautions.
    """

    line: int
    time: str | None = None
    trace_id: str | None = None
    broken: str | None = None
    other_rules: bool = False
    differs: Mapping[str, Any] = field(default_factory=dict)


def replay(log: BinaryIO, catalogue: Catalogue, assess: Assess) -> Iterator[Replayed]:
    """Each line of a decision log against the installed rule sets; blank lines are passed over.

    Of the same rule set the answer must be the same to the byte; of another for the equipment,
    what it decides is held against what was decided.
    """
    for number, raw in _lines(log):
        try:
            document = parse_json(raw, MOST_LINE, number)
        except Problem as problem:
            yield Replayed(number, broken=problem.detail)
            continue
        if _DECISION.is_valid(document):
            yield _replayed(number, document, catalogue, assess)
        else:
            yield Replayed(number, broken="This is not a line of a decision log.")


def _lines(log: BinaryIO) -> Iterator[tuple[int, bytes]]:
    """The lines that are not blank, by number; of one that is too long only so much as shows it."""
    number = 0
    while raw := log.readline(MOST_LINE + 1):
        number += 1
        end = raw
        while not end.endswith(b"\n") and (more := log.readline(MOST_LINE)):
            end = more
        if not raw.isspace():
            yield number, raw


def _replayed(line: int, recorded: Any, catalogue: Catalogue, assess: Assess) -> Replayed:
    time, trace_id = recorded["time"], recorded["trace_id"]
    try:
        answer = assess(recorded["case"])
    except Problem as problem:
        refused = {"problem": {"recorded": None, "replayed": problem.detail}}
        return Replayed(line, time, trace_id, differs=refused)
    rule_set = catalogue.get(answer["rule_set"]["id"])
    other = rule_set.content_hash != recorded["rule_set"]["content_hash"]
    differs: dict[str, Any] = {}
    if other or digest(answer) != recorded["answer"]:
        differs = _named(difference(rule_set, _as_assessment(recorded), answer))
        if not differs and not other:
            # By another version of the service, say, which words something otherwise.
            differs = {"answer": {"recorded": recorded["answer"], "replayed": digest(answer)}}
    return Replayed(line, time, trace_id, other_rules=other, differs=differs)


def _as_assessment(recorded: Mapping[str, Any]) -> dict[str, Any]:
    """Of the assessment that was recorded, what `difference` reads."""
    verdict = recorded["verdict"]
    return {
        "status": recorded["status"],
        "verdict": verdict and {**verdict, "remedy": {"id": verdict["remedy"]}},
        "next_check": recorded["next_check"],
        "precautions": [{"id": one} for one in recorded["precautions"]],
        "explanation": {"rules": [{"rule": one} for one in recorded["rules"]]},
    }


def _named(found: Mapping[str, Any]) -> dict[str, Any]:
    """A difference in the words of a replay."""
    return {
        key: {"recorded": one["installed"], "replayed": one["candidate"]}
        if isinstance(one, dict)
        else one
        for key, one in found.items()
    }
