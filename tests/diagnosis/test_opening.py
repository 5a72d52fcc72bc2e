"""One run or one opening, many observations: what is noted along, and the plan."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest

from service.diagnosis.assessment import Reasoner, reasoner
from service.diagnosis.decision import WORTH_ASKING
from service.diagnosis.planning import INTERRUPTION, candidates
from service.diagnosis.precautions import at_hand
from service.ruleset.catalogue import Catalogue
from service.ruleset.model import RuleSet
from tests.diagnosis.documents import reading, request, seen
from tests.diagnosis.oracle import Oracle
from tests.visits.confirm import confirm
from tests.visits.play import SURVEY
from tests.wanted import ALL

EQUIPMENT = ["microwave-oven", "tumble-dryer"]
WALKS = 24 if ALL else 12


def _walk(engine: Reasoner, rng: random.Random) -> Iterator[tuple[dict[str, Any], dict[str, Any]]]:
    """The requests and answers of a visit whose readings are drawn, as likely as not."""
    rule_set = engine.rule_set
    document: dict[str, Any] = {
        "symptom": rng.choice(sorted(rule_set.symptoms)),
        "readings": [],
        "confirmed": [],
        "unavailable": [],
    }
    for _ in range(40):
        answer = engine.assess(document)
        yield document, answer
        step = answer["next_check"]
        if step is None:
            return
        document = {**document}
        if step["kind"] == "preparation":
            document["confirmed"] = confirm(document["confirmed"], step)
            continue
        if step["kind"] == "nameplate":
            document["unavailable"] = [*document["unavailable"], step["id"]]
            continue
        taken = [step["id"], *(one["id"] for one in step["also"] if rng.random() < 0.7)]
        document["readings"] = [*document["readings"], *(_drawn(rule_set, c, rng) for c in taken)]


def _drawn(rule_set: RuleSet, name: str, rng: random.Random) -> dict[str, Any]:
    """Mostly as a healthy part gives it, so that the walk goes on."""
    check = rule_set.checks[name]
    among = check.expected if rng.random() < 0.75 else check.outcomes
    return reading(f"{name}={rng.choice(sorted(among))}")


@pytest.mark.parametrize("equipment", EQUIPMENT)
def test_what_is_noted_along_needs_nothing_of_its_own(catalogue: Catalogue, equipment: str) -> None:
    engine = reasoner(catalogue, equipment)
    rule_set, noted = engine.rule_set, Counter[str]()
    for seed in range(WALKS):
        for document, answer in _walk(engine, random.Random(seed)):
            step = answer["next_check"]
            if step is None:
                continue
            if step["kind"] in ("preparation", "nameplate"):
                assert step["also"] == []
                continue
            done = {one["check"] for one in document["readings"]}
            chosen = rule_set.checks[step["id"]]
            place = rule_set.access[chosen.access]
            for one in step["also"]:
                check = rule_set.checks[one["id"]]
                assert check.id not in done | {chosen.id} | set(document["unavailable"])
                assert check.in_passing
                assert not check.live
                assert not check.measures
                assert set(check.tools) <= set(step["tools"])
                other = rule_set.access[check.access]
                assert (other.powered, other.requires) == (place.powered, place.requires)
                assert at_hand(rule_set, check) <= {one["id"] for one in step["precautions"]}
                assert [o["outcome"] for o in one["expected"]["outcomes"]] == list(check.outcomes)
                noted[check.id] += 1
            assert len({one["id"] for one in step["also"]}) == len(step["also"]) <= 4
    if equipment == "microwave-oven":
        assert {"lamp", "cooling-fan", "heating-hum"} <= set(noted)


@pytest.mark.parametrize("equipment", EQUIPMENT)
def test_a_plan_goes_with_the_next_check(catalogue: Catalogue, equipment: str) -> None:
    engine = reasoner(catalogue, equipment)
    longest = 0
    for seed in range(WALKS):
        for _, answer in _walk(engine, random.Random(seed)):
            step, plan = answer["next_check"], answer["plan"]
            if step is None or step["kind"] == "nameplate":
                assert plan is None
                continue
            aim = step["for_check"] or step["id"]
            ids = [one["id"] for one in plan["steps"]]
            assert ids[0] == aim
            assert len(set(ids)) == len(ids)
            assert not set(ids) & {one["id"] for one in step["also"]}
            places = [
                engine.rule_set.access[engine.rule_set.checks[one].access]
                for one in [*ids, *(one["id"] for one in step["also"])]
            ]
            assert len({(one.powered, one.requires) for one in places}) == 1
            assert plan["minutes"] == pytest.approx(sum(one["minutes"] for one in plan["steps"]))
            assert (
                max(one["abnormal"] for one in plan["steps"]) <= plan["abnormal"] + 1e-4 <= 1.0001
            )
            for one in plan["steps"]:
                for fault in one["may_show"]:
                    assert fault["probability"] <= one["abnormal"] + 1e-4
            longest = max(longest, len(ids))
    assert longest >= 4


@pytest.mark.parametrize(
    ("symptom", "said"),
    [
        ("no-heat", ()),
        ("no-heat", ("display=lit", "oscillation-indicator=dark", "lamp=lit")),
        ("no-operation", ("display=dark", "outlet-voltage=normal")),
        ("turntable-stopped", ("display=lit",)),
    ],
)
def test_the_chance_that_something_shows_is_exact(
    reasoner: Reasoner, oven: RuleSet, oracle: Oracle, symptom: str, said: tuple[str, ...]
) -> None:
    """Over the oracle's states: one less the chance that all come out as of a healthy part."""
    document = request(symptom, *said)
    answer = reasoner.assess(document)
    ruled = reasoner.reason(document).conclusions
    assert not ruled.weights
    states = oracle.posterior(symptom, seen(oven, document), out=set(ruled.excluded))
    plan = answer["plan"]
    checks = [one["id"] for one in plan["steps"]]
    noted = [one["id"] for one in answer["next_check"]["also"]]

    def normal(name: str, state: Any) -> float:
        check = oven.checks[name]
        row = oracle.row(name, state)
        return sum(p for one, p in zip(check.outcomes, row, strict=True) if one in check.expected)

    silent = 0.0
    for state, chance in states.items():
        product = chance
        for name in (*checks, *noted):
            product *= normal(name, state)
        silent += product
    assert plan["abnormal"] == pytest.approx(1.0 - silent, abs=1e-4)
    for one in plan["steps"]:
        alone = sum(chance * (1.0 - normal(one["id"], s)) for s, chance in states.items())
        assert one["abnormal"] == pytest.approx(alone, abs=1e-4)
        for fault in one["may_show"]:
            both = sum(
                chance * (1.0 - normal(one["id"], s))
                for s, chance in states.items()
                if fault["fault"] in s[0]
            )
            assert fault["probability"] == pytest.approx(both, abs=1e-4)


@pytest.mark.parametrize("equipment", EQUIPMENT)
def test_nobody_is_sent_to_look_twice_or_to_ask_again(catalogue: Catalogue, equipment: str) -> None:
    """The same eyes see the same; and with the cover off a question costs who asks it an errand."""
    engine = reasoner(catalogue, equipment)
    questions = 0
    for seed in range(WALKS):
        opened = False
        for document, answer in _walk(engine, random.Random(1000 + seed)):
            step = answer["next_check"]
            if step is None or step["kind"] in ("preparation", "nameplate"):
                opened = opened or (step is not None and step["confirms"] != [])
                continue
            check = engine.rule_set.checks[step["id"]]
            if step["recheck"]:
                assert check.measures or engine.rule_set.access[check.access].powered, check.id
            if check.asked_of == "customer":
                if opened:
                    told = engine._decide(engine.reason(document)).information()[check.id]
                    least = engine.rule_set.tuning.least_rate
                    assert told / (check.minutes + INTERRUPTION) >= least
                assert step["asked_of"] == "customer"
                assert step["kind"] == "question"
                assert step["tools"] == []
                questions += 1
    assert questions > 0 or equipment == "tumble-dryer"


def test_what_tells_too_little_for_its_minutes_is_not_asked(reasoner: Reasoner) -> None:
    rule_set = reasoner.rule_set
    weighed, waited, least = 0, 0, rule_set.tuning.least_information
    for seed in range(WALKS):
        for document, answer in _walk(reasoner, random.Random(2000 + seed)):
            step = answer["next_check"]
            if step is None or step["kind"] in ("preparation", "nameplate") or step["recheck"]:
                continue
            if step["why"] != rule_set.checks[step["id"]].why:
                continue  # a verdict waits for it, or a second fault is looked for
            reasoned = reasoner.reason(document)
            if step["id"] in reasoned.conclusions.preferred:
                continue
            decided = reasoner._decide(reasoned)
            told = decided.information()[step["id"]]
            assert told >= rule_set.tuning.least_information
            if step["id"] in rule_set.after_every_repair and told < WORTH_ASKING:
                # Every proof reads it anyway, so it waits for whatever else tells enough.
                rest = [one for one in decided.decision.offered() if one.information >= least]
                rest = [one for one in rest if one.worth >= rule_set.tuning.least_rate]
                assert {one.check.id for one in rest} <= {*rule_set.after_every_repair}
                waited += 1
            assert told / step["minutes"] >= rule_set.tuning.least_rate
            weighed += 1
    assert weighed > 30
    assert waited > 0


@pytest.mark.parametrize("remedy", ["replace-diode", "replace-control-board", "adjust-door-latch"])
def test_a_proof_notes_what_runs_along_and_looks_at_no_old_marks(
    reasoner: Reasoner, remedy: str
) -> None:
    rule_set, noted = reasoner.rule_set, set[str]()
    document: dict[str, Any] = {
        "symptom": "no-heat",
        "phase": "verify-repair",
        "repairs": [{"remedy": remedy, "readings_before": 0}],
        "readings": [],
        "confirmed": [],
    }
    for _ in range(40):
        answer = reasoner.assess(document)
        step = answer["next_check"]
        assert answer["plan"] is None
        if step is None:
            break
        if step["kind"] == "preparation":
            assert step["also"] == []
            document = {**document, "confirmed": confirm(document["confirmed"], step)}
            continue
        ids = [step["id"], *(one["id"] for one in step["also"])]
        read = {one["check"] for one in document["readings"]}
        for one in ids[1:]:
            check = rule_set.checks[one]
            assert rule_set.access[check.access].powered
            assert check.in_passing
            assert one not in read
        noted |= set(ids[1:])
        taken = [reading(f"{one}={rule_set.checks[one].expected[0]}") for one in ids]
        for one in taken:
            if rule_set.checks[one["check"]].conditions:
                one["conditions"] = SURVEY
        document = {**document, "readings": [*document["readings"], *taken]}
    assert answer["status"] == "released"
    assert {"display", "lamp", "turntable"} <= noted
    # What stands still in the run of a proof keeps the oven from being handed back.
    at = next(i for i, one in enumerate(document["readings"]) if one["check"] == "turntable")
    readings = [*document["readings"]]
    readings[at] = reading("turntable=stopped")
    kept = reasoner.assess({**document, "readings": readings, "confirmed": []})
    assert kept["status"] != "released"


def test_a_run_while_the_cover_is_off_costs_the_way_back(reasoner: Reasoner, oven: RuleSet) -> None:
    """Most repairs are made inside: who closes the oven in the midst of the work comes back."""
    document = request(
        "no-heat",
        "display=lit",
        "primary-interlock-switch=closed",
        confirmed=["supply-disconnected", "capacitor-discharged"],
    )
    reasoned = reasoner.reason(document)
    (run,) = candidates(
        oven,
        dict.fromkeys(oven.checks, 1.0),
        reasoned.case,
        reasoned.conclusions,
        ["oscillation-indicator"],
    )
    minutes = {one.confirms: one.minutes for one in oven.preparations.values()}
    again = minutes["supply-disconnected"] + minutes["capacitor-discharged"]
    assert run.cost == pytest.approx(run.work + minutes["cover-fitted"] + again)
