"""What may never be asked for, and what must be confirmed first."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from service.ruleset.lints.found import Found, Lint
from service.ruleset.model import RuleSet

_DISCHARGED = ("supply-disconnected", "capacitor-discharged")


def _live_on_high_voltage(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        if "high-voltage-parts" not in check.groups:
            continue
        if check.live or rule_set.access[check.access].powered:
            yield Found(
                "checks",
                check.id,
                "a live or powered check on high-voltage parts may not exist",
                "Test the part dead, disconnected and discharged, or leave the check out.",
                ("live",) if check.live else ("access",),
            )
        # A diode is measured in ohms or, second, in the volts of the meter's own diode range.
        if check.measures and check.measures[0].quantity in ("voltage", "current"):
            yield Found(
                "checks",
                check.id,
                "voltage or current is never measured on high-voltage parts",
                "Measure resistance, capacitance or inductance on the part when it is dead.",
                ("measures",),
            )


def _live_check_unexplained(rule_set: RuleSet) -> Iterator[Found]:
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


def _not_stale_after_live(rule_set: RuleSet) -> Iterator[Found]:
    """After a live reading the plug may still be in: dead checks need it all confirmed anew."""
    dead = [check for check in rule_set.checks.values() if not check.live]
    shared = {need for check in dead for need in rule_set.access[check.access].requires}
    for check in rule_set.checks.values():
        needs = rule_set.access[check.access].requires if check.live else ()
        for need in needs:
            if need in shared and check.id not in rule_set.precautions[need].stale_after:
                yield Found(
                    "precautions",
                    need,
                    f"it stays confirmed after the live check {check.id}",
                    f"{check.id} must be in its stale_after: the plug may still be in.",
                    ("stale_after",),
                )
        if needs and shared.issuperset(needs):
            yield Found(
                "checks",
                check.id,
                "nothing marks the time of this live check",
                "Its access must require a precaution of its own, which marks its time.",
                ("access",),
            )


def _not_discharged(rule_set: RuleSet) -> Iterator[Found]:
    if rule_set.capacitor is None:
        return
    for check in rule_set.checks.values():
        if "high-voltage-parts" in check.groups or "behind-cover" in check.groups:
            requires = rule_set.access[check.access].requires
            lacking = [one for one in _DISCHARGED if one not in requires]
            if lacking:
                yield Found(
                    "checks",
                    check.id,
                    f"access {check.access!r} does not require {' and '.join(lacking)}",
                    "Whatever touches parts behind the cover requires both.",
                    ("access",),
                )
    for remedy in rule_set.remedies.values():
        requires = rule_set.access[remedy.access].requires
        if remedy.parts and requires and set(_DISCHARGED) - set(requires):
            yield Found(
                "remedies",
                remedy.id,
                "parts behind the cover are replaced without a discharge",
                f"Its access must require {' and '.join(_DISCHARGED)}.",
                ("access",),
            )


def _unconfirmable_need(rule_set: RuleSet) -> Iterator[Found]:
    """What an access waits for must be confirmable, and some preparation must say how."""
    prepared = {step.confirms for step in rule_set.preparations.values()}
    for access in rule_set.access.values():
        for field, needs in (("requires", access.requires), ("closes_with", access.closes_with)):
            for index, need in enumerate(needs):
                if not rule_set.precautions[need].confirm:
                    yield Found(
                        "access",
                        access.id,
                        f"{need!r} is required but cannot be confirmed",
                        "Give that precaution `confirm: true`.",
                        (field, index),
                    )
                if need not in prepared:
                    yield Found(
                        "access",
                        access.id,
                        f"no preparation confirms {need!r}",
                        "Add a preparation that does, or the checks here are never offered.",
                        (field, index),
                    )


SAFETY: Mapping[str, Lint] = {
    "live-on-high-voltage": _live_on_high_voltage,
    "live-check-unexplained": _live_check_unexplained,
    "live-alternative": _live_alternative,
    "not-stale-after-live": _not_stale_after_live,
    "not-discharged": _not_discharged,
    "unconfirmable-need": _unconfirmable_need,
}
