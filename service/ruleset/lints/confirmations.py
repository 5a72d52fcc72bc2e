"""Precautions that must be confirmed, the steps that do so, and what takes them back."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from service.ruleset.lints.found import Found, Lint, cycles
from service.ruleset.model import RuleSet


def _unconfirmable_need(rule_set: RuleSet) -> Iterator[Found]:
    """What an access or a step waits for must be confirmable, and some step must say how."""
    prepared = {step.confirms for step in rule_set.preparations.values()}
    needs = [
        ("access", one.id, key, getattr(one, key))
        for one in rule_set.access.values()
        for key in ("requires", "closes_with")
    ]
    needs += [
        ("preparations", one.id, "after", one.after) for one in rule_set.preparations.values()
    ]
    for table, waiting, key, wanted in needs:
        for index, need in enumerate(wanted):
            if not rule_set.precautions[need].confirm:
                yield Found(
                    table,
                    waiting,
                    f"it waits for {need!r}, which cannot be confirmed",
                    "Give that precaution `confirm: true`.",
                    (key, index),
                )
            elif need not in prepared:
                yield Found(
                    table,
                    waiting,
                    f"it waits for {need!r}, and no preparation confirms that",
                    "Add a preparation that does, or nothing here is ever offered.",
                    (key, index),
                )


def _circles(rule_set: RuleSet) -> list[tuple[str, ...]]:
    steps = rule_set.preparations.values()
    return cycles({one.confirms: (*one.after, *one.precautions) for one in steps})


def _needs_out_of_order(rule_set: RuleSet) -> Iterator[Found]:
    """The needs of an access are met one after another, so a step's own come before it."""
    if _circles(rule_set):
        return  # no order is right
    steps = {step.confirms: step for step in rule_set.preparations.values()}
    for access in rule_set.access.values():
        for index, need in enumerate(access.requires):
            step = steps.get(need)
            asked = (*step.after, *step.precautions) if step else ()
            for first in asked:
                confirmable = rule_set.precautions[first].confirm
                if confirmable and first not in access.requires[:index] and first != need:
                    yield Found(
                        "access",
                        access.id,
                        f"{need!r} would be asked for before {first!r}",
                        f"List {first!r} in `requires` before {need!r}.",
                        ("requires", index),
                    )


def _preparation_cycle(rule_set: RuleSet) -> Iterator[Found]:
    steps = {step.confirms: step for step in rule_set.preparations.values()}
    for way in _circles(rule_set):
        step = steps[way[0]]
        yield Found(
            "preparations",
            step.id,
            f"it waits for itself: {' after '.join(way)}",
            "Drop one of these from `after` or `precautions`.",
            ("after",) if step.after else ("precautions",),
        )


def _preparation_twice(rule_set: RuleSet) -> Iterator[Found]:
    seen: dict[str, str] = {}
    for step in rule_set.preparations.values():
        other = seen.setdefault(step.confirms, step.id)
        if other != step.id:
            yield Found(
                "preparations",
                step.id,
                f"{other} confirms {step.confirms!r} already",
                "Make one step of the two: only the first would be asked for.",
                ("confirms",),
            )


def _waited_for(rule_set: RuleSet) -> set[str]:
    """The precautions that something waits for, or that a rule asks to be confirmed."""
    out: set[str] = set()
    for access in rule_set.access.values():
        out |= {*access.requires, *access.closes_with}
    for step in rule_set.preparations.values():
        out |= set(step.after)
    for rule in rule_set.rules:
        for branch in rule.branches:
            tokens = (*branch.all_of, *branch.none_of)
            out |= {one.removeprefix("confirmed/") for one in tokens if one[:10] == "confirmed/"}
    return out


def _idle_preparation(rule_set: RuleSet) -> Iterator[Found]:
    waited_for = _waited_for(rule_set)
    for step in rule_set.preparations.values():
        if not rule_set.precautions[step.confirms].confirm:
            yield Found(
                "preparations",
                step.id,
                f"{step.confirms!r} does not have to be confirmed",
                "Give that precaution `confirm: true`, or drop the preparation.",
                ("confirms",),
            )
        elif step.confirms not in waited_for:
            yield Found(
                "preparations",
                step.id,
                f"nothing waits for {step.confirms!r}, so this step is never asked for",
                "Name that precaution in `requires` or `closes_with` of an access.",
                ("confirms",),
            )


def _idle_confirmation(rule_set: RuleSet) -> Iterator[Found]:
    waited_for = _waited_for(rule_set)
    prepared = {step.confirms for step in rule_set.preparations.values()}
    for precaution in rule_set.precautions.values():
        if precaution.confirm and precaution.id not in waited_for | prepared:
            yield Found(
                "precautions",
                precaution.id,
                "it is to be confirmed, and nothing waits for that",
                "Name it in `requires` of an access, or drop `confirm`: a rule only warns.",
                ("confirm",),
            )


def _never_withdrawn(rule_set: RuleSet) -> Iterator[Found]:
    """Closing the equipment up takes back what was confirmed for work inside."""
    closing = [access.closes_with for access in rule_set.access.values() if access.closes_with]
    inside = {one for access in rule_set.access.values() for one in access.requires}
    for precaution in rule_set.precautions.values():
        for index, by in enumerate(precaution.withdrawn_by):
            if not rule_set.precautions[by].confirm or by == precaution.id:
                yield Found(
                    "precautions",
                    precaution.id,
                    f"{by!r} takes nothing back",
                    "Name in `withdrawn_by` another precaution that is confirmed.",
                    ("withdrawn_by", index),
                )
        for together in closing if precaution.confirm and precaution.id in inside else ():
            if not {precaution.id, *precaution.withdrawn_by}.intersection(together):
                yield Found(
                    "precautions",
                    precaution.id,
                    f"it would stay confirmed after {together[0]!r}",
                    f"Name {together[0]!r} in its `withdrawn_by`: the supply is back on then.",
                )


def _never_closed(rule_set: RuleSet) -> Iterator[Found]:
    """Where equipment can be opened, running it asks for its cover first."""
    if not any(access.requires for access in rule_set.access.values()):
        return
    for access in rule_set.access.values():
        if access.powered and not access.requires and not access.closes_with:
            yield Found(
                "access",
                access.id,
                "the equipment is run here, and may stand open",
                "Name in `closes_with` the precaution that closes it up again.",
                ("powered",),
            )


def _outlives_energising(rule_set: RuleSet) -> Iterator[Found]:
    """What is confirmed for work inside is to be done anew once the equipment was energised."""
    inside = {one for access in rule_set.access.values() for one in access.requires}
    for precaution in rule_set.precautions.values():
        if precaution.id in inside and not precaution.void_when_energised:
            yield Found(
                "precautions",
                precaution.id,
                "it still counts after the equipment has been energised",
                "Give it `void_when_energised: true`: the plug may be in, and capacitors charged.",
            )


def _live_without_isolation(rule_set: RuleSet) -> Iterator[Found]:
    """Equipment that stands open is energised only with a part of it isolated."""
    dead = [check for check in rule_set.checks.values() if not check.live]
    shared = {need for check in dead for need in rule_set.access[check.access].requires}
    for access in rule_set.access.values():
        live = any(check.live and check.access == access.id for check in rule_set.checks.values())
        if live and access.requires and shared.issuperset(access.requires):
            yield Found(
                "access",
                access.id,
                "the equipment is energised open here, and nothing isolates what is touched",
                "Require a precaution of its own, such as leads pulled off.",
                ("requires",),
            )


CONFIRMATIONS: Mapping[str, Lint] = {
    "unconfirmable-need": _unconfirmable_need,
    "needs-out-of-order": _needs_out_of_order,
    "preparation-cycle": _preparation_cycle,
    "preparation-twice": _preparation_twice,
    "idle-preparation": _idle_preparation,
    "idle-confirmation": _idle_confirmation,
    "never-withdrawn": _never_withdrawn,
    "never-closed": _never_closed,
    "outlives-energising": _outlives_energising,
    "live-without-isolation": _live_without_isolation,
}
