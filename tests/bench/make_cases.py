"""Cases for a batch, as newline-delimited JSON: python tests/bench/make_cases.py 1000 > FILE

Each is one of the rule sets' own cases, cut off after some of its readings and with the measured
values changed a little. The same number gives the same file. With `distinct` after the number no
two are alike but for their ids; with `repeated` they are of a tenth as many visits, again and
again with other values, which mean the same unless a limit is near; with `alike` they are of 200
visits, with other values that surely mean the same.
"""

from __future__ import annotations

import copy
import json
import random
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from service.api.cases import load_case
from service.diagnosis.assessment import Judged, judge
from service.diagnosis.case import read_case
from service.diagnosis.findings import find_all
from service.ruleset.catalogue import Catalogue
from service.ruleset.own_cases import read_cases
from service.ruleset.source import read_document

ROOT = Path(__file__).resolve().parents[2]
RULES = ROOT / "rules"
SPREAD = 0.03  # of a value, as a share of it


def originals() -> list[dict[str, Any]]:
    """The cases of all rule sets, each with its equipment."""
    found = []
    for folder in sorted(path.parent for path in RULES.glob("*/rule-set.yaml")):
        equipment = read_document(folder / "rule-set.yaml", "").data["equipment"]
        for document in read_cases(folder):
            found += [{"equipment": equipment, **case["given"]} for case in document.data["cases"]]
    return found


def varied(case: dict[str, Any], rng: random.Random) -> dict[str, Any]:
    """The case at some moment of the visit, with readings of another meter."""
    case = copy.deepcopy(case)
    readings = case.get("readings", [])
    if "repairs" not in case:  # these name how many readings came before
        case["readings"] = readings = readings[: rng.randint(0, len(readings))]
    for one in case.get("confirmed", []):
        if isinstance(one, dict):  # it was confirmed at the latest by then
            one["after_reading"] = min(one["after_reading"], len(readings))
    for reading in readings:
        if isinstance(reading.get("value"), int | float):
            reading["value"] = float(f"{reading['value'] * rng.gauss(1, SPREAD):.4g}")
    return case


def cases(count: int, seed: int = 1) -> Iterator[dict[str, Any]]:
    """So many cases, each with an id."""
    rng, known = random.Random(seed), originals()
    for number in range(count):
        yield {"case_id": f"case-{number}", **varied(rng.choice(known), rng)}


def distinct(count: int, seed: int = 1) -> Iterator[dict[str, Any]]:
    """So many cases of which no two are alike."""
    rng, known, met = random.Random(seed), originals(), set[str]()
    while len(met) < count:
        case = varied(rng.choice(known), rng)
        written = json.dumps(case, sort_keys=True)
        if written not in met:
            met.add(written)
            yield {"case_id": f"case-{len(met)}", **case}


def repeated(count: int, seed: int = 1) -> Iterator[dict[str, Any]]:
    """So many cases of a tenth as many visits, with other values each time."""
    rng = random.Random(seed)
    known = list(cases(max(count // 10, 1), seed))
    for number in range(count):
        case = copy.deepcopy(known[number % len(known)])
        for reading in case.get("readings", []):
            if isinstance(reading.get("value"), int | float):
                reading["value"] = float(f"{reading['value'] * rng.gauss(1, SPREAD / 10):.6g}")
        yield {**case, "case_id": f"case-{number}"}


def alike(count: int) -> Iterator[dict[str, Any]]:
    """So many cases of 200 visits with other values that mean the same."""
    catalogue, known = Catalogue.load(), set[tuple[str, Judged]]()
    visits = list(cases(200))
    rng = random.Random(7)
    for number in range(count):
        visit = visits[number % len(visits)]
        case = copy.deepcopy(visit)
        for reading in case.get("readings", []):
            if isinstance(reading.get("value"), int | float):
                reading["value"] = float(f"{reading['value'] * rng.gauss(1, 0.003):.6g}")
        if judged(catalogue, case) != judged(catalogue, visit):
            case = visit
        known.add((visit["equipment"], judged(catalogue, case)))
        yield {**case, "case_id": f"case-{number}"}
    print(f"{len(known)} finding sets", file=sys.stderr)


def judged(catalogue: Catalogue, document: dict[str, Any]) -> Judged:
    """What a case comes to."""
    rule_set = catalogue.for_equipment(document["equipment"])
    assert rule_set is not None
    case = read_case(rule_set, load_case(document))
    return judge(rule_set, case, find_all(rule_set, case))


KINDS = {"any": cases, "distinct": distinct, "repeated": repeated, "alike": alike}


def main() -> None:
    different = set()
    for case in KINDS[sys.argv[2] if len(sys.argv) > 2 else "any"](int(sys.argv[1])):
        print(json.dumps(case))
        different.add(hash(json.dumps({**case, "case_id": ""})))
    print(f"{len(different)} of them differ in more than their id", file=sys.stderr)


if __name__ == "__main__":
    main()
