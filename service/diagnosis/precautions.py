"""Which precautions stand, in order, with their figures worked out. In doubt, one more."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from service.diagnosis.case import Case
from service.diagnosis.confirmations import Void, confirmations
from service.physics.discharge import SAFE_VOLTAGE, discharge_figures, discharge_tool
from service.ruleset.header import Plate
from service.ruleset.model import Check, Precaution, Remedy, RuleSet

# In place of a wait, where the bleed resistor is too large or missing.
NO_WAIT_HELPS = "no time that helps"
# Beside a precaution that the case confirms, and whose confirmation does not count.
NOT_COUNTED = {
    Void.ENERGISED: "Confirmed earlier, but the equipment has been energised since. Do it again.",
    Void.OPENED: "Confirmed earlier, but the equipment has been opened since. Do it again.",
    Void.WITHDRAWN: "Confirmed earlier, but the equipment has been closed since, and may be "
    "connected. Do it again.",
    Void.TOO_EARLY: "Confirmed, but not after what comes before it. Do that first, then this "
    "again.",
    Void.NO_PLACE: "Confirmed without its place, so it may be older than what comes before it. "
    "Do it again, and confirm it with its place.",
}


@dataclass(frozen=True, slots=True)
class StandingPrecaution:
    """A precaution as shown in one answer."""

    precaution: Precaution
    text: str
    confirmed: bool
    void_because: Void | None  # why the confirmation that was sent does not count
    withdrawn_by: str | None  # the other confirmation that took it back, if one did


def figures(rule_set: RuleSet, case: Case) -> dict[str, str]:
    """Figures that a precaution's or a step's text may name in braces.

    From the capacitor's ratings on the nameplate (or the rule set's assumption): `wait` from peak
    voltage to 42.4 V through the bleed resistor, rounded up to 5 s; `energy`; `peak`; `charge`.
    Of the discharge tool: `resistor`, `resistor-power`, `insulation`, `first-current`,
    `first-power`, and `discharge-time` to 42.4 V.
    """
    names = rule_set.capacitor
    if names is None:
        return {}
    plate = case.nameplate
    found = discharge_figures(
        float(plate[names.capacitance].value),
        float(plate[names.rated_voltage].value),
        float(plate[names.bleed_resistance].value),
        SAFE_VOLTAGE,
    )
    tool = discharge_tool(float(plate[names.capacitance].value), found.peak_voltage)
    wait = found.wait if found.wait is not None else math.inf
    return {
        "wait": f"{5 * math.ceil(wait / 5):d} s" if math.isfinite(wait) else NO_WAIT_HELPS,
        "energy": f"{found.energy:.1f} J",
        "charge": f"{found.charge * 1e6:.0f} µC",
        "peak": f"{found.peak_voltage / 1000:.1f} kV",
        "resistor": _resistance(tool.resistance),
        "resistor-power": f"{tool.rated_power:.0f} W",
        "insulation": f"{tool.insulation / 1000:g} kV",
        "first-current": f"{tool.first_current * 1000:.0f} mA",
        "first-power": f"{tool.first_power:.0f} W",
        "discharge-time": f"{math.ceil(tool.time * 10) / 10:.1f} s",
    }


def _resistance(ohms: float) -> str:
    return f"{ohms / 1000:g} kΩ" if ohms < 1e6 else f"{ohms / 1e6:g} MΩ"


def standing(
    rule_set: RuleSet, case: Case, wanted: Iterable[str], worked_out: dict[str, str]
) -> tuple[StandingPrecaution, ...]:
    """The wanted precautions in the rule set's order, those to confirm with their state."""
    ids = set(wanted)
    found = confirmations(rule_set, case)
    out = []
    for precaution in rule_set.precautions.values():
        if precaution.id not in ids:
            continue
        text, why = fill(precaution.text, worked_out), found.void.get(precaution.id)
        if why is not None:
            text += f" {NOT_COUNTED[why]}"
        confirmed = precaution.id in found.effective
        by = found.taken_back_by.get(precaution.id)
        out.append(StandingPrecaution(precaution, text, confirmed, why, by))
    return tuple(out)


def fill(text: str, worked_out: dict[str, str]) -> str:
    """Put the figures in place of their names in braces."""
    for name, value in worked_out.items():
        text = text.replace("{" + name + "}", value)
    return text


def at_hand(rule_set: RuleSet, step: Check | Plate | Remedy) -> set[str]:
    """The precautions of a check, a plate or a repair: its own, and all those of its place."""
    access = rule_set.access[step.access]
    return {*access.requires, *access.precautions, *step.precautions}
