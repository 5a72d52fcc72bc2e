"""Follow what the service asks for, from the bare complaint on, by asking it again and again.

The likeliest ways are followed first, so that what there is no room for is the least likely.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from heapq import heappop, heappush
from itertools import count
from typing import Any

import numpy as np

from service.diagnosis.arrays import Vector
from service.diagnosis.assessment import Reasoned, Reasoner
from service.diagnosis.belief import repeated
from service.graph.tree import Ask, End, Found, LeftOut, Node, Tree, Warned, Way

LEAST_PROBABILITY = 0.05
"""A way that is less likely is not followed, unless told otherwise."""

# A way that ends at once takes no more room than the note that it was left out: it is drawn down
# to this share of the least probability.
GLANCE = 0.1
STOPPED = "stop-work"  # use ends here, though dead checks may go on
# More is not asked for one tree: it would take too long, and nobody could read it.
MOST_ASSESSMENTS = 250


def follow(reasoner: Reasoner, symptom: str, least_probability: float = LEAST_PROBABILITY) -> Tree:
    """The tree for a complaint of which nothing more is known.

    Raises:
        CaseError: the rule set does not know the symptom.
    """
    return _Following(reasoner, symptom, least_probability).tree()


def chances(reasoner: Reasoner, reasoned: Reasoned, check: str) -> Vector:
    """P(outcome | all that was read), (outcomes,), of a check that is read now; sums to 1.

    Of one that has been read before, a share `persists` of what made the reading wrong
    makes it wrong again, as in `belief.likelihood`.
    """
    states, table = reasoned.belief.states, reasoner.model.tables[check]
    before = next((one for one in reasoned.findings if one.check == check and one.stands), None)
    if before is not None:
        persists = reasoner.model.persists[check]
        seen = before.outcomes.index(before.outcome)
        once = table[:, seen]
        twice = repeated(once, before.repeats + 1, persists)
        same = twice / repeated(once, before.repeats, persists)
        table = table * ((1.0 - same) / np.maximum(1.0 - once, np.finfo(float).tiny))[:, None]
        table[:, seen] = same
    out: Vector = states @ table
    return out


@dataclass(slots=True)
class _Step:
    """A place on a way while the tree grows. `node` is none as long as it is not followed."""

    case: Mapping[str, Any]
    chance: float
    node: Node | None = None
    next: list[tuple[str, float, _Step]] = field(default_factory=list)


class _Following:
    """One tree as it grows."""

    def __init__(self, reasoner: Reasoner, symptom: str, least: float) -> None:
        self._reasoner = reasoner
        self._symptom = symptom
        self._least = least
        self._left = MOST_ASSESSMENTS

    def tree(self) -> Tree:
        rule_set = self._reasoner.rule_set
        root = _Step({"symptom": self._symptom}, 1.0)
        followed: list[_Step] = []
        number = count()
        waiting = [(-root.chance, next(number), root)]
        while waiting and self._left > 0:
            *_, step = heappop(waiting)
            followed.append(step)
            self._go_on(step)
            for _, _, one in step.next:
                if one.chance >= self._least:
                    heappush(waiting, (-one.chance, next(number), one))
        whole = not waiting and all(step.node is not None for step in followed)
        for step in reversed(followed):  # what follows is built before what it follows
            if isinstance(step.node, Ask):
                step.node = replace(step.node, ways=_ways(step))
        return Tree(
            rule_set=rule_set.id,
            version=rule_set.version,
            content_hash=rule_set.content_hash,
            symptom=self._symptom,
            title=rule_set.symptoms[self._symptom].title,
            least_probability=self._least,
            whole=whole,
            always=rule_set.always,
            root=root.node or LeftOut(1.0),
        )

    def _go_on(self, step: _Step) -> None:
        """Ask what comes next at a place, once all that has to be confirmed is, and look ahead."""
        case, first = step.case, list[str]()
        precautions: dict[str, Warned] = {}
        rule_set = self._reasoner.rule_set
        for _ in range(len(rule_set.preparations) + len(rule_set.plates) + 1):
            reasoned, answer = self._assessed(case)
            check = answer["next_check"]
            if check is None or answer["status"] == STOPPED:
                step.node = _ended(answer, step.chance)
                return
            precautions |= {one["id"]: _warned(one) for one in check["precautions"]}
            if check["kind"] == "nameplate":  # a picture for all equipment of its kind has none
                case = {**case, "unavailable": [*case.get("unavailable", ()), check["id"]]}
                continue
            if check["kind"] != "preparation":
                break
            kept = [one for one in case.get("confirmed", ()) if one["id"] not in check["withdraws"]]
            case = {**case, "confirmed": kept + check["confirms"]}
            first += [one["id"] for one in check["confirms"]]
        else:
            return  # preparations that undo one another
        step.node = Ask(
            check=check["id"],
            title=check["title"],
            again=check["recheck"],
            first=tuple(first),
            precautions=tuple(precautions.values()),
            chance=step.chance,
            ways=(),
        )
        outcomes = self._reasoner.rule_set.checks[check["id"]].outcomes
        probable = chances(self._reasoner, reasoned, check["id"]).tolist()
        for outcome, probability in zip(outcomes, probable, strict=True):
            reading = {"check": check["id"], "observed": outcome}
            readings = [*case.get("readings", ()), reading]
            one = _Step({**case, "readings": readings}, step.chance * probability)
            step.next.append((outcome, probability, one))
            if GLANCE * self._least <= one.chance < self._least and self._left > 0:
                _, answer = self._assessed(one.case)
                if answer["next_check"] is None or answer["status"] == STOPPED:
                    one.node = _ended(answer, one.chance)

    def _assessed(self, case: Mapping[str, Any]) -> tuple[Reasoned, dict[str, Any]]:
        self._left -= 1
        reasoned = self._reasoner.reason(case)
        return reasoned, self._reasoner.answer(reasoned)


def _ways(step: _Step) -> tuple[Way, ...]:
    """The ways from a check; what is not followed is one of them."""
    ways = [Way((name,), p, one.node) for name, p, one in step.next if one.node is not None]
    rest = [(name, p) for name, p, one in step.next if one.node is None]
    if rest:
        probability = math.fsum(p for _, p in rest)
        left_out = LeftOut(step.chance * probability)
        ways.append(Way(tuple(name for name, _ in rest), probability, left_out))
    return tuple(ways)


def _ended(answer: Mapping[str, Any], chance: float) -> End:
    verdict = answer["verdict"]
    return End(
        status=answer["status"],
        chance=chance,
        verdict=None if verdict is None else _found(verdict),
        also_found=() if verdict is None else tuple(map(_found, verdict["also_found"])),
        because=answer["reasons"][0]["text"] if answer["reasons"] else "",
    )


def _found(one: Mapping[str, Any]) -> Found:
    return Found(one["fault"], one["title"], one["confidence"], one["remedy"]["action"])


def _warned(one: Mapping[str, Any]) -> Warned:
    return Warned(one["id"], one["signal_word"], one["text"])
