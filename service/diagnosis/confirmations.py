"""Which confirmations count: each has its place in the visit, and what follows may end it.

The visit is one line of events: readings and repairs, each with its place, the number of readings
before it. A confirmation with a place counts until the equipment is energised after it, or until
another confirmation takes it back. One without a place may be old, so it counts for one opening
of the equipment only. In doubt it does not count, and its precaution stands.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

from service.diagnosis.case import Case, Confirmation
from service.frozen import Frozen
from service.ruleset.header import Plate
from service.ruleset.model import Check, Preparation, RuleSet


class Void(StrEnum):
    """Why a confirmation does not count."""

    ENERGISED = "energised"  # the equipment has been energised since
    OPENED = "opened"  # the equipment has been opened since it was closed
    WITHDRAWN = "withdrawn"  # the equipment has been closed since, so that it may be connected
    TOO_EARLY = "too-early"  # what comes before it does not count, or was confirmed later
    NO_PLACE = "no-place"  # it has no place, and another that it goes with has one


@dataclass(frozen=True, slots=True)
class Confirmations:
    """The confirmations of a case: those that count, and of each other one why not."""

    effective: frozenset[str]
    void: Frozen[str, Void]
    taken_back_by: Frozen[str, str]  # by void confirmation: the other that took it back


@dataclass(frozen=True, slots=True)
class _Event:
    """A reading or a repair. It ends a confirmation whose place is `at` or less."""

    at: int
    inside: bool  # the equipment stands open for it
    powered: bool


def confirmations(rule_set: RuleSet, case: Case) -> Confirmations:
    """What of `case.confirmed` counts now."""
    return _judged(rule_set, case.confirmed, _events(rule_set, case))


def _events(rule_set: RuleSet, case: Case) -> tuple[_Event, ...]:
    out = []
    for reading in case.readings:
        place = rule_set.access[rule_set.checks[reading.check].access]
        out.append(_Event(reading.index, bool(place.requires), place.powered))
    for number, remedy in enumerate(case.repairs):
        place = rule_set.access[rule_set.remedies[remedy].access]
        before = sum(reading.stage <= number for reading in case.readings)
        # It follows the last of these readings. A confirmation after as many came after it.
        out.append(_Event(before - 1, bool(place.requires), place.powered))
    return tuple(sorted(out, key=lambda one: one.at))


@lru_cache(maxsize=4096)
def _judged(
    rule_set: RuleSet, given: tuple[Confirmation, ...], events: tuple[_Event, ...]
) -> Confirmations:
    place = {one.id: one.after_reading for one in given}
    void: dict[str, Void] = {}
    by: dict[str, str] = {}
    for name in place:
        reason, other = _ended(rule_set, place, name, events)
        if reason is not None:
            void[name] = reason
            if other is not None:
                by[name] = other
    # What rests on a confirmation that does not count does not count either, and so on.
    while late := _too_early(rule_set, place, void):
        void |= late
    return Confirmations(frozenset(place.keys() - void.keys()), Frozen(void), Frozen(by))


def _ended(
    rule_set: RuleSet, place: dict[str, int | None], name: str, events: tuple[_Event, ...]
) -> tuple[Void | None, str | None]:
    """Whether something since has ended a confirmation, and which other one did, if any."""
    precaution, at = rule_set.precautions[name], place[name]
    for other in sorted(place.keys() & set(precaution.withdrawn_by)):
        closed = place[other]
        if at is None or (closed is not None and closed >= at):
            return Void.WITHDRAWN, other
    for other in sorted(place.keys() & opening(rule_set, name)):
        opened = place[other]
        # At the same place the closing counts: the cover comes off with the next step only.
        if opened is not None and (at is None or opened > at):
            return Void.OPENED, other
    closes = name in closing_precautions(rule_set)
    if precaution.void_when_energised and _happened(events, at, powered=True):
        return Void.ENERGISED, None
    if closes and _happened(events, at, powered=False):
        return Void.OPENED, None
    return None, None


def _happened(events: tuple[_Event, ...], at: int | None, *, powered: bool) -> bool:
    """Whether the equipment was energised (or opened) after a confirmation.

    Without a place, the confirmation may be as old as the first opening: it has ended once the
    equipment was opened and energised, and, for one that it is closed, opened anew.
    """
    if at is not None:
        return any(one.at >= at and (one.powered if powered else one.inside) for one in events)
    opened = energised = False
    for one in events:
        if energised and one.inside and not powered:
            return True
        opened = opened or one.inside
        energised = energised or (opened and one.powered)
    return energised and powered


def _too_early(
    rule_set: RuleSet, place: dict[str, int | None], void: dict[str, Void]
) -> dict[str, Void]:
    out: dict[str, Void] = {}
    for name in place.keys() - void.keys():
        at = place[name]
        for before in rests_on(rule_set, name):
            if before in void or before not in place:
                out[name] = Void.TOO_EARLY
                continue
            first = place[before]
            if first is not None and at is None:
                out[name] = Void.NO_PLACE
            elif first is not None and at is not None and first > at:
                out[name] = Void.TOO_EARLY
    return out


@lru_cache(maxsize=256)
def rests_on(rule_set: RuleSet, confirmation: str) -> frozenset[str]:
    """What is to be confirmed beside a confirmation for it to count: its step comes after that."""
    return frozenset(
        one
        for step in rule_set.preparations.values()
        if step.confirms == confirmation
        for one in step.precautions
        if rule_set.precautions[one].confirm
    )


@lru_cache(maxsize=256)
def opening(rule_set: RuleSet, closing: str) -> frozenset[str]:
    """The confirmations of work inside, which say that the equipment is no longer closed."""
    return frozenset(one.id for one in rule_set.precautions.values() if closing in one.withdrawn_by)


@lru_cache(maxsize=16)
def closing_precautions(rule_set: RuleSet) -> frozenset[str]:
    """The precautions that close the equipment up again."""
    return frozenset(one for access in rule_set.access.values() for one in access.closes_with)


def may_stand_open(rule_set: RuleSet, case: Case) -> bool:
    """Whether the equipment may be open now: it was worked on inside, and nothing closed it."""
    counts = confirmations(rule_set, case).effective
    if not counts.isdisjoint(closing_precautions(rule_set)):
        return False
    return worked_inside(rule_set, case, case.repairs)


def worked_inside(rule_set: RuleSet, case: Case, remedies: Iterable[str]) -> bool:
    """Whether these remedies or what has been done so far need the equipment opened."""
    closing = closing_precautions(rule_set)
    if any(one.id in closing or _inside(rule_set, one.id) for one in case.confirmed):
        return True
    done = [rule_set.remedies[remedy].access for remedy in remedies]
    done += [rule_set.checks[reading.check].access for reading in case.readings]
    return any(rule_set.access[access].requires for access in done)


def _inside(rule_set: RuleSet, name: str) -> bool:
    return bool(rule_set.precautions[name].withdrawn_by)


def withdrawn_with(
    rule_set: RuleSet, case: Case, step: Preparation | Check | Plate
) -> tuple[str, ...]:
    """The confirmations sent so far that do not hold once a step is done, sorted.

    Those that count for nothing already, those that the step ends, and what rests on them.
    """
    found = confirmations(rule_set, case)
    given = {one.id for one in case.confirmed}
    gone = {*found.void, *_ends(rule_set, step, found.effective)}
    while more := {one for one in given - gone if not gone.isdisjoint(rests_on(rule_set, one))}:
        gone |= more
    return tuple(sorted(gone))


def _ends(
    rule_set: RuleSet, step: Preparation | Check | Plate, counting: frozenset[str]
) -> Iterator[str]:
    """Which of the confirmations that count a step ends."""
    if isinstance(step, Preparation):
        opened = rule_set.precautions[step.confirms].withdrawn_by
        for one in counting:
            if one in opened or step.confirms in rule_set.precautions[one].withdrawn_by:
                yield one
        return
    place = rule_set.access[step.access]
    for one in counting:
        if place.powered and rule_set.precautions[one].void_when_energised:
            yield one
        if place.requires and one in closing_precautions(rule_set):
            yield one
