"""What a client would live through on all of their ways."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

from service.diagnosis.assessment import Reasoner
from service.diagnosis.assessment import reasoner as reasoner_of
from service.graph.follow import follow
from service.graph.tree import Ask, LeftOut, Place, Tree, walk
from service.ruleset.catalogue import Catalogue
from tests.visits.confirm import confirm


@dataclass(frozen=True)
class Visit:
    """A place of a tree, and what the service says to a client that comes there."""

    place: Place
    sent: dict[str, Any]  # the request that leads here
    ready: dict[str, Any]  # the same once all is prepared; as sent, if this is not followed
    answer: dict[str, Any]  # to that
    confirmed: tuple[str, ...]  # on the way from the one to the other
    warned: frozenset[str]  # of the precautions on that way


@dataclass(frozen=True)
class Drawn:
    """A tree, the reasoner that it was followed with, and a visit to each place."""

    reasoner: Reasoner
    tree: Tree
    visits: tuple[Visit, ...]


@cache
def drawn_from(catalogue: Catalogue, rule_set: str, symptom: str) -> Drawn:
    """The tree of an installed rule set, made once."""
    reasoner = reasoner_of(catalogue, rule_set)
    tree = follow(reasoner, symptom)
    visits: list[Visit] = []
    for place in walk(tree):
        sent: dict[str, Any] = {"symptom": tree.symptom}
        if place.parent is not None and place.way is not None:
            above = visits[place.parent]
            assert isinstance(above.place.node, Ask)
            sent = read(above.ready, above.place.node.check, place.way.outcomes[0])
        visits.append(_visit(reasoner, place, sent))
    return Drawn(reasoner, tree, tuple(visits))


def read(case: dict[str, Any], check: str, outcome: str) -> dict[str, Any]:
    """The request with one more reading."""
    reading = {"check": check, "observed": outcome}
    return {**case, "readings": [*case.get("readings", []), reading]}


def _visit(reasoner: Reasoner, place: Place, sent: dict[str, Any]) -> Visit:
    """Do all preparations that are asked for."""
    ready, confirmed, warned = sent, list[str](), set[str]()
    for _ in range(20):
        answer = reasoner.assess(ready)
        step = answer["next_check"]
        if isinstance(place.node, LeftOut):
            return Visit(place, sent, sent, answer, (), frozenset())
        warned |= {one["id"] for one in step["precautions"]} if step else set()
        if step is None or step["kind"] != "preparation":
            return Visit(place, sent, ready, answer, tuple(confirmed), frozenset(warned))
        ready = {**ready, "confirmed": confirm(ready.get("confirmed", []), step)}
        confirmed += [one["id"] for one in step["confirms"]]
    raise AssertionError("no end of preparations")
