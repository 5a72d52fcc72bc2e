"""Whatever clients do with `confirmed`, nobody is sent to a charged capacitor or an open run."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest

from service.diagnosis.assessment import Reasoner, reasoner
from service.diagnosis.case import read_case
from service.diagnosis.confirmations import Void, confirmations
from service.ruleset.catalogue import Catalogue
from tests.diagnosis.documents import reading
from tests.visits.confirm import confirm
from tests.wanted import ALL

INSIDE, RUNNING = "behind the cover", "energised"
MOST_STEPS = 40
WALKS = 12 if ALL else 8
"""Of each kind of client, for each rule set."""

# What a client makes of `confirmed` and of the step that has been done.
Keeps = Callable[[list[Any], dict[str, Any], random.Random], list[Any]]


def _obeys(confirmed: list[Any], step: dict[str, Any], _: random.Random) -> list[Any]:
    return confirm(confirmed, step)


def _forgets(confirmed: list[Any], step: dict[str, Any], _: random.Random) -> list[Any]:
    return confirmed + step["confirms"]


def _forgets_at_times(confirmed: list[Any], step: dict[str, Any], rng: random.Random) -> list[Any]:
    return (_obeys if rng.random() < 0.5 else _forgets)(confirmed, step, rng)


def _leaves_out_the_place(
    confirmed: list[Any], step: dict[str, Any], _: random.Random
) -> list[Any]:
    return [*confirmed, *(one["id"] for one in step["confirms"])]


def _obeys_without_places(
    confirmed: list[Any], step: dict[str, Any], _: random.Random
) -> list[Any]:
    kept = [one for one in confirmed if one not in step["withdraws"]]
    return kept + [one["id"] for one in step["confirms"]]


def _mixes(confirmed: list[Any], step: dict[str, Any], rng: random.Random) -> list[Any]:
    keeps = rng.choice([_obeys, _forgets, _leaves_out_the_place])
    out = keeps(confirmed, step, rng)
    rng.shuffle(out)
    return out


CLIENTS: dict[str, Keeps] = {
    "obeys": _obeys,
    "forgets": _forgets,
    "forgets at times": _forgets_at_times,
    "forgets, leaves out the place": _leaves_out_the_place,
    "obeys, leaves out the place": _obeys_without_places,
    "mixes": _mixes,
}


@dataclass
class Equipment:
    """As it stands there. Whoever energises it charges its capacitors."""

    plugged: bool = True
    closed: bool = True
    charged: bool = True
    done: list[str] = field(default_factory=list)

    def prepare(self, confirms: str, closing: set[str]) -> str | None:
        """Carry out what a preparation says; what is wrong with doing it now, if anything."""
        if confirms in closing:
            self.plugged = self.closed = True
            return None
        if confirms == "supply-disconnected":
            self.plugged = False
            return None
        # Discharging and isolating are work inside.
        self.closed = False
        wrong = f"{confirms} with the plug in" if self.plugged else None
        if confirms.endswith("discharged"):
            self.charged = False
        elif self.charged and wrong is None:
            wrong = f"{confirms} beside a charged capacitor"
        return wrong

    def check(self, requires: tuple[str, ...], powered: bool) -> str | None:
        """Carry out a check; what is wrong with doing it now, if anything."""
        wrong = None
        if requires:
            discharged = any(one.endswith("discharged") for one in requires)
            if self.plugged:
                wrong = "behind the cover with the plug in"
            elif discharged and self.charged:
                wrong = "behind the cover beside a charged capacitor"
            self.closed = False
        if powered:
            if not requires and not self.closed:
                wrong = "run with the cover off"
            self.plugged = self.charged = True
        return wrong


def _outcome(engine: Reasoner, name: str, rng: random.Random) -> dict[str, Any]:
    check = engine.rule_set.checks[name]
    outcome = rng.choice(check.expected if rng.random() < 0.6 else check.outcomes)
    return reading(f"{name}={outcome}")


def _walk(engine: Reasoner, keeps: Keeps, rng: random.Random, seen: Counter[str]) -> list[str]:
    """One visit with repairs and proofs; what was dangerous in it."""
    rule_set, stands, wrong = engine.rule_set, Equipment(), list[str]()
    closing = {one for access in rule_set.access.values() for one in access.closes_with}
    case: dict[str, Any] = {
        "symptom": rng.choice(sorted(rule_set.symptoms)),
        "readings": [],
        "confirmed": [],
        "unavailable": [],
        "repairs": [],
        "phase": "diagnose",
    }
    for _ in range(MOST_STEPS):
        answer = engine.assess(case)
        step = answer["next_check"]
        void = {one["id"] for one in answer["precautions"] if one["void_because"]}
        if step is None:
            if len(case["repairs"]) >= 3:
                break
            # Whatever is said, somebody repairs something, and goes on.
            remedy = rng.choice(sorted(rule_set.remedies))
            if rule_set.access[rule_set.remedies[remedy].access].requires:
                stands.plugged = stands.closed = stands.charged = False
            case["repairs"] = [
                *case["repairs"],
                {"remedy": remedy, "readings_before": len(case["readings"])},
            ]
            case["phase"] = rng.choice(["verify-repair", "diagnose"])
            seen["repairs"] += 1
            continue
        seen["steps"] += 1
        # A step withdraws all that the answer itself counts as void.
        assert void <= set(step["withdraws"]), (case, void, step["withdraws"])
        if step["kind"] == "preparation":
            told = stands.prepare(step["confirms"][0]["id"], closing)
            before = list(case["confirmed"])
            case["confirmed"] = keeps(before, step, rng)
            if case["confirmed"] == before:
                seen["stuck"] += 1
                break
        elif rng.random() < 0.15:
            case["unavailable"] = [*case["unavailable"], step["id"]]
            continue
        else:
            access = rule_set.access[rule_set.checks[step["id"]].access]
            told = stands.check(access.requires, access.powered)
            seen[INSIDE if access.requires else RUNNING if access.powered else "outside"] += 1
            case["readings"] = [*case["readings"], _outcome(engine, step["id"], rng)]
        if told is not None:
            wrong.append(f"{told}: {step['id']} after {case}")
    return wrong


@pytest.mark.parametrize("equipment", ["microwave-oven", "tumble-dryer"])
@pytest.mark.parametrize("client", CLIENTS)
def test_no_client_is_sent_to_a_charged_capacitor(
    catalogue: Catalogue, equipment: str, client: str
) -> None:
    engine, seen, wrong = reasoner(catalogue, equipment), Counter[str](), list[str]()
    for seed in range(WALKS):
        wrong += _walk(engine, CLIENTS[client], random.Random(f"{client} {seed}"), seen)
    assert wrong == []
    assert seen[INSIDE] > 10
    assert seen[RUNNING] > 10
    if client in ("obeys", "forgets"):
        assert seen["stuck"] == 0  # who keeps the places gets on


def _case(engine: Reasoner, **given: Any) -> dict[str, str]:
    """By confirmation, `counts` or why it does not."""
    case = read_case(engine.rule_set, {"symptom": "no-heat", **given})
    found = confirmations(engine.rule_set, case)
    return {**dict.fromkeys(sorted(found.effective), "counts"), **found.void}


def _at(name: str, place: int) -> dict[str, Any]:
    return {"id": name, "after_reading": place}


OFF, DISCHARGED, COVER = "supply-disconnected", "capacitor-discharged", "cover-fitted"
LOOK = reading("visual-inspection=clean")
RUN = reading("display=lit")
LIVE = reading("transformer-primary-voltage=present")


@pytest.fixture(scope="module")
def engine(catalogue: Catalogue) -> Reasoner:
    return reasoner(catalogue, "microwave-oven")


def test_a_closed_oven_is_disconnected_and_discharged_anew(engine: Reasoner) -> None:
    case: dict[str, Any] = {"symptom": "no-heat", "phase": "verify-repair", "readings": []}
    case["confirmed"] = [OFF, DISCHARGED, COVER]
    step = engine.assess(case)["next_check"]
    assert step["confirms"] == [_at(OFF, 0)]
    assert set(step["withdraws"]) == {OFF, DISCHARGED, COVER}
    case["confirmed"] = confirm(case["confirmed"], step)
    assert engine.assess(case)["next_check"]["confirms"] == [_at(DISCHARGED, 0)]


def test_the_order_of_events_decides(engine: Reasoner) -> None:
    placed = [_at(OFF, 1), _at(DISCHARGED, 1)]
    # Energised before, and not since.
    assert _case(engine, readings=[RUN, LOOK], confirmed=placed) == {
        OFF: "counts",
        DISCHARGED: "counts",
    }
    for energised in (RUN, LIVE):
        assert _case(engine, readings=[RUN, LOOK, energised], confirmed=placed) == {
            OFF: Void.ENERGISED,
            DISCHARGED: Void.ENERGISED,
        }
    again = [_at(OFF, 3), _at(DISCHARGED, 1)]
    assert _case(engine, readings=[RUN, LOOK, RUN], confirmed=again) == {
        OFF: "counts",
        DISCHARGED: Void.ENERGISED,
    }
    reversed_ = [_at(OFF, 1), _at(DISCHARGED, 0)]
    assert _case(engine, readings=[LOOK], confirmed=reversed_)[DISCHARGED] == Void.TOO_EARLY
    assert _case(engine, readings=[], confirmed=[_at(OFF, 0), DISCHARGED]) == {
        OFF: "counts",
        DISCHARGED: Void.NO_PLACE,
    }


def test_without_a_place_it_counts_for_one_opening(engine: Reasoner) -> None:
    bare = [OFF, DISCHARGED]
    assert set(_case(engine, readings=[RUN, LOOK, LOOK], confirmed=bare).values()) == {"counts"}
    assert set(_case(engine, readings=[RUN, LOOK, RUN], confirmed=bare).values()) == {
        Void.ENERGISED
    }
    assert set(_case(engine, readings=[LIVE], confirmed=bare).values()) == {Void.ENERGISED}
    assert _case(engine, readings=[LOOK, RUN], confirmed=[COVER]) == {COVER: "counts"}
    assert _case(engine, readings=[LOOK, RUN, LOOK], confirmed=[COVER]) == {COVER: Void.OPENED}


def test_opening_ends_that_the_cover_is_fitted(engine: Reasoner) -> None:
    assert _case(engine, readings=[LOOK], confirmed=[_at(COVER, 0)]) == {COVER: Void.OPENED}
    reopened = [_at(COVER, 1), _at(OFF, 2)]
    assert _case(engine, readings=[LOOK, RUN], confirmed=reopened) == {
        COVER: Void.OPENED,
        OFF: "counts",
    }
    closed = [_at(OFF, 0), _at(DISCHARGED, 0), _at(COVER, 1)]
    assert _case(engine, readings=[LOOK], confirmed=closed) == {
        OFF: Void.WITHDRAWN,
        DISCHARGED: Void.WITHDRAWN,
        COVER: "counts",
    }


def test_a_repair_inside_opens_the_oven(engine: Reasoner) -> None:
    made = [{"remedy": "replace-diode", "readings_before": 1}]
    given = {"readings": [RUN], "repairs": made, "phase": "verify-repair"}
    assert _case(engine, confirmed=[_at(COVER, 0)], **given) == {COVER: Void.OPENED}
    assert _case(engine, confirmed=[_at(COVER, 1)], **given) == {COVER: "counts"}
