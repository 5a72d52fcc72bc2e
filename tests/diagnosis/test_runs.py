"""Nothing is run on a possible short, without its fan or where it has burnt, nor without end."""

from __future__ import annotations

from typing import Any

import pytest

from service.diagnosis.assessment import Reasoner, reasoner
from service.ruleset.catalogue import Catalogue
from tests.diagnosis.documents import carry_on, reading
from tests.visits.confirm import confirm
from tests.wanted import ALL

OVEN = Catalogue.load().get("microwave-oven")
PLATES: dict[str, dict[str, Any]] = {
    "transformer": {"high_voltage_supply": "transformer"},
    "inverter": {"high_voltage_supply": "inverter"},
}
# What was read -> the groups of dead checks of which one each must be read good before a run; none
# of them where nothing but a repair will do.
HIGH_VOLTAGE = {
    "transformer": [
        {"capacitor-resistance"},
        {"capacitor-to-case"},
        {"diode-reverse", "diode-with-battery"},
        {"transformer-to-chassis"},
        {"magnetron-to-case"},
    ],
    "inverter": [{"inverter-inspection"}, {"inverter-input-resistance"}, {"magnetron-to-case"}],
}
FAN = [{"fan-motor-resistance"}, {"air-path"}]
# Only where none of them shows a short, and the fuse is whole, is it run under watch.
BLOWS = [
    {"monitor-switch"},
    {"primary-interlock-switch-door-open"},
    {"secondary-interlock-switch-door-open"},
    {"door-switch-order"},
    {"main-fuse-resistance"},
    {"filter-board-insulation"},
    {"wiring-insulation"},
]
ACCUSING: dict[str, list[set[str]] | None] = {
    "heating-hum=loud": HIGH_VOLTAGE["transformer"],
    "cooling-fan=stopped": FAN,
    "main-fuse-resistance=open": None,
    "visual-inspection=burn-marks": None,
    "filament-connector=burnt": None,
    "high-voltage-leads=burnt": None,
    "waveguide-cover=burnt": None,
    "cavity-inspection=burnt": None,
    "magnetron-antenna=burnt": None,
}


def _powered(name: str) -> bool:
    return OVEN.access[OVEN.checks[name].access].powered and not OVEN.checks[name].live


def _visit(
    engine: Reasoner, symptom: str, plate: dict[str, Any], *known: str
) -> tuple[list[str], dict[str, Any]]:
    """The checks asked for, each answered as a healthy part does, and the last answer."""
    case: dict[str, Any] = {
        "symptom": symptom,
        "nameplate": plate,
        "readings": [reading(one) for one in known],
        "confirmed": [],
        "required_confidence": 0.999,  # so that it goes on for as long as there is something to ask
    }
    answer, asked = carry_on(engine.assess, OVEN, case, {})
    return asked, answer


@pytest.fixture(scope="module")
def engine(catalogue: Catalogue) -> Reasoner:
    return reasoner(catalogue, "microwave-oven")


def _run_too_early(asked: list[str], clearing: list[set[str]] | None) -> str | None:
    """The first run that comes before all that clears the oven for it."""
    for number, name in enumerate(asked):
        # A look at the display makes no heat, so it needs no fan.
        harmless = clearing is FAN and "powered-run" not in OVEN.checks[name].groups
        if _powered(name) and not harmless:
            before = set(asked[:number])
            if clearing is None or not all(before & group for group in clearing):
                return name
    return None


@pytest.mark.parametrize("symptom", list(OVEN.symptoms)[:: 2 if ALL else 4])
@pytest.mark.parametrize("read", ACCUSING)
def test_what_is_accused_is_cleared_before_a_run(engine: Reasoner, symptom: str, read: str) -> None:
    asked, answer = _visit(engine, symptom, PLATES["transformer"], read)
    assert _run_too_early(asked, ACCUSING[read]) is None, asked
    assert asked or answer["status"] != "check-next"


@pytest.mark.parametrize("plate", PLATES)
@pytest.mark.parametrize("symptom", ["loud-hum", "fan-stopped", "blows-fuse"])
def test_a_complaint_that_accuses_begins_with_dead_checks(
    engine: Reasoner, symptom: str, plate: str
) -> None:
    asked, _ = _visit(engine, symptom, PLATES[plate])
    high_voltage = HIGH_VOLTAGE[plate]
    clearing = {
        "loud-hum": high_voltage,
        "fan-stopped": FAN,
        "blows-fuse": [*BLOWS, *high_voltage],
    }[symptom]
    assert not _powered(asked[0])
    assert _run_too_early(asked, clearing) is None, asked


def test_a_stopped_fan_is_not_run_for_long(engine: Reasoner) -> None:
    asked, _ = _visit(engine, "fan-stopped", PLATES["transformer"], "cooling-fan=stopped")
    assert not {"long-run", "water-load-power", "leakage-survey"} & set(asked)


@pytest.mark.parametrize("equipment", ["microwave-oven", "tumble-dryer"])
def test_every_run_has_an_end_and_somebody_beside_it(catalogue: Catalogue, equipment: str) -> None:
    """Of every check that energises the equipment, as an answer shows it."""
    engine = reasoner(catalogue, equipment)
    rule_set = engine.rule_set
    shown = set()
    for symptom in rule_set.symptoms:
        for phase in ("diagnose", "verify-repair"):
            case: dict[str, Any] = {"symptom": symptom, "phase": phase}
            case |= {"readings": [], "confirmed": [], "unavailable": []}
            for _ in range(150):
                answer = engine.assess(case)
                step = answer["next_check"]
                if step is None:
                    break
                if step["kind"] == "preparation":
                    assert step["longest_run"] is None
                    case["confirmed"] = confirm(case["confirmed"], step)
                    continue
                powered = rule_set.access[rule_set.checks[step["id"]].access].powered
                assert (step["longest_run"] is not None) == powered
                ending = [
                    one["id"]
                    for one in step["precautions"]
                    if rule_set.precautions[one["id"]].ends_run and one["applies_now"]
                ]
                assert bool(ending) or not powered
                if powered:
                    shown.add(step["id"])
                    assert step["how"][0].startswith("Energise it for ")
                    assert step["longest_run"]["unit"] == "s"
                case["unavailable"] = [*case["unavailable"], step["id"]]
    assert len(shown) >= 6
