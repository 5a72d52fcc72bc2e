"""What may never be asked for, and what must be confirmed first."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from service.ruleset.lints.found import Found, Lint
from service.ruleset.model import GROUPS_INSIDE, RuleSet

LOW_VOLTAGE = 1000.0  # V, the most that is measured live
_HIGH = "high-voltage-parts"
_DISCHARGED = ("supply-disconnected", "capacitor-discharged")
_ENERGISED = ("voltage", "current")


def _live_on_high_voltage(rule_set: RuleSet) -> Iterator[Found]:
    """A part counts as one of high voltage if its dead tests are in that group, too."""
    grouped = [one for one in rule_set.checks.values() if _HIGH in one.groups]
    places = {one.access for one in grouped}
    mixed = {
        one.component
        for one in rule_set.checks.values()
        if one.scope == "component" and not one.live and _HIGH not in one.groups
    }
    parts = {one.component for one in grouped} - mixed
    for check in rule_set.checks.values():
        powered = rule_set.access[check.access].powered
        high = _HIGH in check.groups or check.access in places
        if (high and (check.live or powered)) or (check.live and check.component in parts):
            yield Found(
                "checks",
                check.id,
                "a live or powered check on high-voltage parts may not exist",
                "Test the part dead, disconnected and discharged, or leave the check out.",
                ("live",) if check.live else ("access",),
            )
        # A diode is measured in ohms or, second, in the volts of the meter's own diode range.
        elif high and check.measures and check.measures[0].quantity in _ENERGISED:
            yield Found(
                "checks",
                check.id,
                "voltage or current is never measured on high-voltage parts",
                "Measure resistance, capacitance or inductance on the part when it is dead.",
                ("measures",),
            )


def _live_without_bound(rule_set: RuleSet) -> Iterator[Found]:
    """Low voltage ends at 1000 V a.c. (IEC 60038), and so do the meters that are meant for it."""
    for check in rule_set.checks.values():
        for index, measure in enumerate(check.measures if check.live else ()):
            most = math.inf if measure.most is None else measure.most
            if measure.quantity == "voltage" and most > LOW_VOLTAGE:
                yield Found(
                    "checks",
                    check.id,
                    "a live reading that may be of high voltage",
                    f"Give its measure a `most` of {LOW_VOLTAGE:g} V or less.",
                    ("measures", index),
                )


def _live_not_marked(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        dead = not check.live and _HIGH not in check.groups
        if dead and check.measures and check.measures[0].quantity in _ENERGISED:
            yield Found(
                "checks",
                check.id,
                f"{check.measures[0].quantity} is measured, and the check is not marked live",
                "Give it `live: true`, an instrument category and what makes it safe.",
                ("measures",),
            )


def _live_unexplained(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        if not check.live:
            continue
        if not check.instrument_category:
            yield Found(
                "checks",
                check.id,
                "a live check that names no instrument category",
                "Give `instrument_category`, such as CAT II 300 V.",
            )
        if not check.dead_alternatives and not check.why_live:
            yield Found(
                "checks",
                check.id,
                "a live check with neither `dead_alternatives` nor `why_live`",
                "Name the dead checks that tell the same, or say why none does.",
            )


def _live_alternative(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        for index, other in enumerate(check.dead_alternatives):
            if rule_set.checks[other].live:
                yield Found(
                    "checks",
                    check.id,
                    f"{other} is live itself, no dead alternative",
                    "List checks there that are done with the supply off.",
                    ("dead_alternatives", index),
                )


def _alternatives_of_dead(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        if check.dead_alternatives and not check.live:
            yield Found(
                "checks",
                check.id,
                "dead alternatives to a check that is not live",
                "Drop them: only a live check waits for others. Or mark it live.",
                ("dead_alternatives",),
            )


def _not_discharged(rule_set: RuleSet) -> Iterator[Found]:
    """What is behind the cover is touched only disconnected and, with a capacitor, discharged."""
    needed = _DISCHARGED[: 2 if rule_set.capacitor is not None else 1]
    for access in rule_set.access.values():
        wanted = needed[:1] if access.outside else needed
        lacking = [one for one in wanted if one not in access.requires]
        if access.requires and lacking:
            yield Found(
                "access",
                access.id,
                f"it does not require {' and '.join(lacking)}",
                "Whatever asks for a confirmation at all asks for the supply to be off first.",
                ("requires",),
            )
    parts = {one.component for one in rule_set.checks.values() if _HIGH in one.groups}
    for check in rule_set.checks.values():
        inside = GROUPS_INSIDE.intersection(check.groups)
        touched = check.scope == "component" and check.measures and check.component in parts
        access = rule_set.access[check.access]
        if (inside or touched) and (access.outside or not access.requires):
            yield Found(
                "checks",
                check.id,
                f"it is behind the cover, and access {check.access!r} is not",
                f"Choose an access that requires {' and '.join(needed)}.",
                ("access",),
            )


SAFETY: Mapping[str, Lint] = {
    "live-on-high-voltage": _live_on_high_voltage,
    "live-without-bound": _live_without_bound,
    "live-not-marked": _live_not_marked,
    "live-unexplained": _live_unexplained,
    "live-alternative": _live_alternative,
    "alternatives-of-dead": _alternatives_of_dead,
    "not-discharged": _not_discharged,
}
