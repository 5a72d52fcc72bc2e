"""Requests for the tests: written out in short, or drawn at random; and what counts of them."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from typing import Any

from service.diagnosis.case import read_case
from service.diagnosis.findings import find_all
from service.ruleset.model import RuleSet
from tests.diagnosis.oracle import Seen
from tests.visits.confirm import confirm
from tests.visits.play import SURVEY

READY = ["supply-disconnected", "capacitor-discharged"]
PLATE = {
    "supply_voltage": {"value": 120, "unit": "V"},
    "rated_output": {"value": 1000, "unit": "W"},
}


def reading(text: str) -> dict[str, Any]:
    """`check=OL`, `check=0.4 Ohm` or `check=outcome`."""
    check, _, said = text.partition("=")
    if said == "OL":
        return {"check": check, "over_range": True}
    if " " in said:
        value, unit = said.split()
        return {"check": check, "value": float(value), "unit": unit}
    return {"check": check, "observed": said}


def request(symptom: str, *readings: str, **more: Any) -> dict[str, Any]:
    """A request about a microwave oven, dead and discharged unless said otherwise."""
    return {
        "equipment": "microwave-oven",
        "symptom": symptom,
        "nameplate": PLATE,
        "readings": [reading(text) for text in readings],
        "confirmed": READY,
        **more,
    }


def drawn_reading(rule_set: RuleSet, name: str, rng: random.Random) -> dict[str, Any]:
    check = rule_set.checks[name]
    resistive = [m for m in check.measures if m.quantity == "resistance"]
    draw = rng.random()
    if resistive and draw < 0.4:
        # Near a limit, so that findings are soft.
        limit = rng.choice(resistive[0].limits).factor
        return {"check": name, "value": limit * rng.uniform(0.9, 1.1), "unit": "Ohm"}
    if resistive and draw < 0.55:
        return {"check": name, "over_range": True}
    return {"check": name, "observed": rng.choice(check.outcomes)}


def drawn(rule_set: RuleSet, rng: random.Random, *, repairs: int = 0) -> dict[str, Any]:
    """Some readings, some of them again (alike or not), with so many repairs among them."""
    readings = []
    for name in rng.sample(sorted(rule_set.checks), rng.randint(1, 9)):
        readings.append(drawn_reading(rule_set, name, rng))
        if rng.random() < 0.4:
            readings += [readings[-1]] * rng.choice([1, 1, 2])
        if rng.random() < 0.25:
            readings.append(drawn_reading(rule_set, name, rng))
    rng.shuffle(readings)
    places = sorted(rng.randint(0, len(readings)) for _ in range(repairs))
    made = [
        {"remedy": rng.choice(sorted(rule_set.remedies)), "readings_before": place}
        for place in places
    ]
    symptom = rng.choice(sorted(rule_set.symptoms))
    return {"symptom": symptom, "readings": readings, "repairs": made}


def seen(rule_set: RuleSet, document: dict[str, Any]) -> list[Seen]:
    """What counts of a request: the last reading of each check between two repairs, and the last
    answer of the customer.

    How probable its outcomes are is taken from the findings, which have tests of their own.
    """
    found = find_all(rule_set, read_case(rule_set, document))
    places: Sequence[int] = [one["readings_before"] for one in document.get("repairs") or ()]
    by_check: dict[tuple[int, str], list[int]] = {}
    for index, raw in enumerate(document["readings"]):
        stage = len([place for place in places if place <= index])
        if rule_set.checks[raw["check"]].asked_of == "customer":
            stage = 0  # what is told is of the time before any repair
        by_check.setdefault((stage, raw["check"]), []).append(index)
    out = []
    for (stage, check), indices in by_check.items():
        outcomes = [found[index].outcome for index in indices]
        before = outcomes[:-1].count(outcomes[-1])
        out.append(Seen(check, found[indices[-1]].evidence, before, stage))
    return out


def carry_on(
    assess: Callable[[dict[str, Any]], dict[str, Any]],
    rule_set: RuleSet,
    document: dict[str, Any],
    world: dict[str, str],
) -> tuple[dict[str, Any], list[str]]:
    """Do what is asked for until nothing more is: the last answer, and the checks asked for.

    `world`: what each check would give, as in `reading`; the others read as a healthy part.
    The readings and confirmations are added to the document.
    """
    asked: list[str] = []
    for _ in range(80):
        answer = assess(document)
        step = answer["next_check"]
        if step is None:
            return answer, asked
        if step["kind"] == "preparation":
            document["confirmed"] = confirm(document["confirmed"], step)
            continue
        if step["kind"] == "nameplate":  # read by nobody: what is assumed has to do
            document["unavailable"] = [*document.get("unavailable", ()), step["id"]]
            continue
        asked.append(step["id"])
        check = rule_set.checks[step["id"]]
        taken = reading(f"{check.id}={world.get(check.id, check.expected[0])}")
        if check.conditions:
            taken["conditions"] = SURVEY
        document["readings"] = [*document["readings"], taken]
    raise AssertionError(f"no end of questions: {asked}")


def after_repair(document: dict[str, Any], remedy: str) -> dict[str, Any]:
    """The same case once a repair has been made, the oven closed again and nothing cured."""
    made = {"remedy": remedy, "readings_before": len(document["readings"])}
    return {**document, "repairs": [*document.get("repairs", []), made], "confirmed": []}
