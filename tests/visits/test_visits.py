"""Visits played to their end: whatever the service asks for on the way is safe to do."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pytest
from numpy.random import default_rng

from service.diagnosis.assessment import Reasoner
from service.ruleset.catalogue import Catalogue
from tests.visits.diagram import draw
from tests.visits.play import (
    MOST_STEPS,
    RIGHT,
    UNRESOLVED,
    WRONG,
    Course,
    play,
    speaks_against,
    visit_of,
)
from tests.visits.policies import TEXTBOOK
from tests.visits.population import Visit, describe, draw_nameplate, make_oven
from tests.visits.report import calibration, course, courses
from tests.visits.steps import steps
from tests.visits.technician import PROFILES, draw_technician


@pytest.fixture(scope="module")
def reasoner() -> Reasoner:
    return Reasoner(Catalogue.load().get("microwave-oven"))


@pytest.mark.parametrize("seed", range(16))
def test_nothing_unsafe_is_asked_for(reasoner: Reasoner, seed: int) -> None:
    found = play(reasoner, *visit_of(seed))
    assert found.unsafe == []
    assert found.result in (RIGHT, UNRESOLVED, WRONG)
    assert found.checks < MOST_STEPS
    assert found.status != "check-next", "a visit comes to an end"
    # A visit is right only if the oven is whole afterwards and nothing good was replaced.
    assert (found.result == RIGHT) == (found.cured and all(good for _, _, good in found.verdicts))


@pytest.mark.parametrize(
    ("fault", "symptom"),
    [
        ("cavity-cutout-open", "no-operation"),
        ("diode-shorted", "no-heat"),
        ("lamp-open", "lamp-out"),
        ("magnetron-filament-open", "no-heat"),
        ("turntable-motor-open", "turntable-stopped"),
    ],
)
def test_a_mended_oven_is_released(reasoner: Reasoner, fault: str, symptom: str) -> None:
    """One lasting fault, all tools, no slips: found, mended, proven and handed back."""
    rng = default_rng(11)
    oven = make_oven((fault,), rng, lasting=True)
    assert not oven.build.inverter or fault in ("lamp-open", "turntable-motor-open")
    faults, remedies, consequences = describe(oven)
    plate = draw_nameplate(oven.build, rng)
    visit = Visit(symptom, plate, oven, "single", faults, remedies, consequences)
    hand = draw_technician(rng)
    careful = replace(hand, missing=frozenset(), clumsiness=0.0, has_high_test_volt=True)
    found = play(reasoner, visit, careful, rng)
    assert (found.result, found.released, found.left) == (RIGHT, True, ())


def test_a_seed_gives_the_same_visit_again() -> None:
    assert course(3) == course(3)


@pytest.mark.parametrize("policy", ["textbook", "probability", "random"])
def test_other_policies_play_the_same_oven(policy: str) -> None:
    assert course(5, policy).faults == course(5).faults


def test_every_check_has_its_place_in_print(reasoner: Reasoner) -> None:
    assert set(TEXTBOOK) == set(reasoner.rule_set.checks)


def test_calibration_of_a_known_sample() -> None:
    sure = Course("no-heat", "", (), verdicts=[("a", 0.9, True)] * 9 + [("a", 0.9, False)])
    rows, error = calibration([sure], bins=1)
    assert rows == [(pytest.approx(0.9), pytest.approx(0.9), 10)]
    assert error == pytest.approx(0.0)
    off = Course("no-heat", "", (), verdicts=[("a", 0.9, False)] * 4)
    assert calibration([off], bins=1)[1] == pytest.approx(0.9)


def test_visits_that_were_kept_are_not_played_again(tmp_path: Path) -> None:
    kept = tmp_path / "service.jsonl"
    first = courses([7, 8], "service", processes=1, kept=kept)
    lines = kept.read_text(encoding="utf-8")
    assert courses([8, 7], "service", processes=1, kept=kept) == first[::-1]
    assert kept.read_text(encoding="utf-8") == lines


def test_the_diagram_is_drawn_alike_each_time(tmp_path: Path) -> None:
    rows = [(0.91, 0.89, 400), (0.95, 0.96, 400), (0.99, 0.98, 400)]
    for name in ("one.svg", "two.svg"):
        draw(rows, 0.013, tmp_path / name)
    one = (tmp_path / "one.svg").read_bytes()
    assert one == (tmp_path / "two.svg").read_bytes()
    words = "".join(ElementTree.fromstring(one).itertext())
    assert "1,200 verdicts, mean error 0.013" in words


def test_the_steps_tell_how_a_visit_went() -> None:
    told, found = steps(3, "careful"), course(3, profile="careful")
    assert told[0] == f"3, careful: {found.symptom}; there is {', '.join(found.faults)}"
    assert told[-1].startswith(f"  {found.result}: ")
    assert f"{found.checks} checks, {found.taps} noted along" in told[-1]
    remedies = [remedy for remedy, _, _ in found.verdicts]
    assert [one for one in remedies if f": {one} " in "\n".join(told[:-1])] == remedies
    assert steps(3, "careful") == told, "listening is over"


@pytest.mark.parametrize(
    ("reasons", "against"),
    [
        ([("check-unavailable", "leakage-survey")], False),
        ([("check-failed", "capacitor-resistance")], False),
        ([("check-failed", "display")], True),
        ([("earth-lost", None), ("check-unavailable", "leakage-survey")], True),
    ],
)
def test_a_proof_that_only_lacks_a_reading_opens_no_further_search(
    reasons: list[tuple[str, str | None]], against: bool
) -> None:
    findings = [
        {"check": "capacitor-resistance", "outcome": "inconclusive"},
        {"check": "display", "outcome": "dark"},
    ]
    told = [{"code": code, "check": check} for code, check in reasons]
    assert speaks_against({"findings": findings, "reasons": told}) is against


def test_an_oven_without_its_bleed_resistor_is_never_handed_back(reasoner: Reasoner) -> None:
    """The heating is as ever, so only the measurement tells."""
    proven = 0
    for seed in range(6):
        rng = default_rng(seed)
        oven = make_oven(("capacitor-bleed-open",), rng, lasting=True)
        faults, remedies, consequences = describe(oven)
        plate = draw_nameplate(oven.build, rng)
        visit = Visit("low-heat", plate, oven, "single", faults, remedies, consequences)
        found = play(reasoner, visit, PROFILES["careful"](draw_technician(rng)), rng)
        assert found.released is not True or found.left == ()
        proven += found.released is True
    assert proven > 0
