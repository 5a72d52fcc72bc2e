"""Which check comes next: most information about the remedy per minute of work and risk."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import chain

from service.diagnosis.case import Case
from service.diagnosis.chaining import Conclusions
from service.diagnosis.confirmations import confirmations, may_stand_open, worked_inside
from service.diagnosis.findings import INCONCLUSIVE, INVALID, Finding
from service.ruleset.header import Plate, Tuning
from service.ruleset.model import Check, Preparation, RuleSet

# A dead check serves in place of a live one if it tells at least this share of it.
DEAD_SHARE = 0.1
# Minutes to lay the tools down and ask what the telephone could have told.
INTERRUPTION = 2.0


@dataclass(frozen=True, slots=True)
class Candidate:
    """A check that may be carried out, with what it promises and costs."""

    check: Check
    information: float  # bits
    cost: float  # minutes, risk counted as minutes
    unmet: tuple[str, ...]  # precautions still to confirm before it
    preferred: bool
    work: float  # the same without the preparations
    again: bool = False  # it has been read, and the reading is to be taken again

    @property
    def worth(self) -> float:
        """Bits per minute."""
        return self.information / self.cost


@dataclass(frozen=True, slots=True)
class Plan:
    """The next thing to do: a check, a plate to read, or the preparation that it waits for."""

    check: Check
    preparation: Preparation | None
    recheck: bool
    because: str
    plate: Plate | None = None  # to be read for the check

    @property
    def aim(self) -> Check | Plate:
        """What is done, once nothing has to be prepared."""
        return self.check if self.plate is None else self.plate


def unmet(rule_set: RuleSet, case: Case, aim: Check | Plate) -> tuple[str, ...]:
    """The precautions to confirm before a check is offered, in the order to take them."""
    access = rule_set.access[aim.access]
    needed = list(access.requires)
    effective = confirmations(rule_set, case).effective
    if access.closes_with and may_stand_open(rule_set, case):
        after = {step.confirms: step.after for step in rule_set.preparations.values()}
        for one in access.closes_with:
            needed += [one] if one in effective else [*after[one], one]
    return tuple(one for one in needed if one not in effective)


def may_be_offered(conclusions: Conclusions, case: Case, check: Check) -> bool:
    """Whether a check can be done and rules admit it now. Barring wins over admitting."""
    if check.id in conclusions.barred or check.id in case.unavailable:
        return False
    return not check.by_rule or check.id in conclusions.admitted


def _blind(case: Case, check: Check) -> bool:
    """Whether the stated meter cannot tell what this check asks (its test voltage is too low)."""
    return (
        check.test_voltage is not None
        and case.test_voltage is not None
        and case.test_voltage < check.test_voltage.least
    )


def candidates(
    rule_set: RuleSet,
    information: Mapping[str, float],
    case: Case,
    conclusions: Conclusions,
    checks: Iterable[str],
) -> list[Candidate]:
    """The checks among `checks` that may be offered, unanswered or to be repeated.

    `information`: what each check of the rule set promises, in bits.

    A live check waits for each of its dead alternatives that may be offered and would tell at
    least a tenth of what the live one would. What was just opened is not closed again before
    something inside has been read, if anything there is worth it.
    """
    answered = case.answered

    def promises(name: str) -> float:
        return 0.0 if _blind(case, rule_set.checks[name]) else information[name]

    def serves(name: str, live: float) -> bool:
        enough = max(rule_set.tuning.least_information, DEAD_SHARE * live)
        other = rule_set.checks[name]
        allowed = name not in answered and may_be_offered(conclusions, case, other)
        return allowed and promises(name) >= enough

    waiting_at: dict[str, tuple[str, ...]] = {}  # by access: alike for every check there
    late = worked_inside(rule_set, case, case.repairs)
    back = _way_back(rule_set, case)
    minutes = {step.confirms: step.minutes for step in rule_set.preparations.values()}
    out = []
    for name in checks:
        check = rule_set.checks[name]
        if not may_be_offered(conclusions, case, check):
            continue
        promised = promises(name)
        if any(serves(other, promised) for other in check.dead_alternatives):
            continue
        if check.access not in waiting_at:
            waiting_at[check.access] = unmet(rule_set, case, check)
        waiting = waiting_at[check.access]
        closes = not set(rule_set.access[check.access].closes_with).isdisjoint(waiting)
        work = check.minutes + (rule_set.tuning.live_risk_minutes if check.live else 0.0)
        interrupts = bool(late) and check.asked_of == "customer"
        if interrupts:
            work += INTERRUPTION
        out.append(
            Candidate(
                check=check,
                information=promised,
                cost=work + sum(minutes[one] for one in waiting) + (back if closes else 0.0),
                unmet=waiting,
                preferred=name in conclusions.preferred and not interrupts,
                work=work,
            )
        )
    if _just_opened(rule_set, case):
        tuning = rule_set.tuning
        inside = [one for one in out if not rule_set.access[one.check.access].closes_with]
        if any(tells_enough(one, tuning) and _is_quick_enough(one, tuning) for one in inside):
            return inside
    return out


def _just_opened(rule_set: RuleSet, case: Case) -> bool:
    """Whether the equipment was opened since the last reading."""
    undone = _undone_by_closing(rule_set, case)
    now = len(case.readings)
    return any(one.id in undone and one.after_reading == now for one in case.confirmed)


def _undone_by_closing(rule_set: RuleSet, case: Case) -> frozenset[str]:
    """The confirmations that count and that closing the equipment takes back."""
    counts = confirmations(rule_set, case).effective
    return frozenset(one for one in counts if rule_set.precautions[one].withdrawn_by)


def tells_enough(one: Candidate, tuning: Tuning) -> bool:
    """Whether a check promises enough bits, or a rule prefers it for reasons of its own."""
    return one.preferred or one.information >= tuning.least_information


def _is_quick_enough(one: Candidate, tuning: Tuning) -> bool:
    return one.preferred or one.worth >= tuning.least_rate


def _way_back(rule_set: RuleSet, case: Case) -> float:
    """Minutes to open the equipment again once it has been closed for a run.

    Most repairs are made inside, so who closes it in the midst of the work comes back.
    """
    undone = _undone_by_closing(rule_set, case)
    return sum(step.minutes for step in rule_set.preparations.values() if step.confirms in undone)


def choose(found: Iterable[Candidate], tuning: Tuning, doubt: float) -> Candidate | None:
    """Preferred checks first, then the most bits per minute; ties by id.

    doubt: the entropy over sets of remedies, in bits.

    A check that promises less than `least_information` bits, or less than `least_rate` bits per
    minute, is not worth asking for, unless a rule prefers it: rules know reasons that are not
    about which fault it is. Preparations are paid once for all the checks that wait for the same
    ones, so these are weighed together: see `_as_one`.
    """
    worthy = [one for one in found if tells_enough(one, tuning)]
    together: dict[tuple[str, ...], list[Candidate]] = {}
    for one in worthy:
        together.setdefault(one.unmet, []).append(one)
    weighed = [_as_one(alike, doubt) if unmet else alike for unmet, alike in together.items()]
    return _most_worth(one for one in chain.from_iterable(weighed) if _is_quick_enough(one, tuning))


def _as_one(alike: Sequence[Candidate], doubt: float) -> list[Candidate]:
    """The checks that wait for the same preparations, as one candidate: the best of them.

    Its bits and minutes are those of the checks that are worth the opening together: in the order
    of their bits per minute of work, as many as make the ratio of all bits to all minutes, with
    the preparations, the highest. Several checks tell less than the sum of what each promises
    (information is submodular: Krause & Guestrin 2005, from memory), so each takes its share of
    the doubt that is left.
    """
    first = _most_worth(replace(one, cost=one.work) for one in alike)
    if first is None:
        return []
    minutes = max(one.cost - one.work for one in alike)
    left, best = doubt, first
    for one in sorted(alike, key=lambda one: (-one.information / one.work, one.check.id)):
        left *= max(0.0, 1.0 - one.information / doubt) if doubt > 0.0 else 1.0
        minutes += one.work
        if best is first or (doubt - left) / minutes > best.worth:
            best = replace(first, information=doubt - left, cost=minutes)
    return [best]


def _most_worth(worthy: Iterable[Candidate]) -> Candidate | None:
    return min(
        worthy,
        key=lambda one: (not one.preferred, -round(one.worth, 12), one.check.id),
        default=None,
    )


def cheapest(found: Iterable[Candidate]) -> Candidate | None:
    """The least cost first; preferred ones before others."""
    return min(found, key=lambda one: (not one.preferred, one.cost, one.check.id), default=None)


def plan(rule_set: RuleSet, candidate: Candidate, because: str, *, recheck: bool = False) -> Plan:
    """The candidate itself, or the preparation for the first thing it waits for."""
    waiting = candidate.unmet
    preparation = preparation_for(rule_set, waiting[0]) if waiting else None
    return Plan(candidate.check, preparation, recheck, because)


def preparation_for(rule_set: RuleSet, precaution: str) -> Preparation:
    """The step after which a precaution can be confirmed."""
    return next(one for one in rule_set.preparations.values() if one.confirms == precaution)


def unanswered(rule_set: RuleSet, findings: Iterable[Finding]) -> list[str]:
    """Checks without a reading, or with a single one that decided nothing, in the set's order."""
    readings = [finding for finding in findings if not finding.reading.past]
    times = Counter(finding.check for finding in readings)
    vague = {f.check for f in readings if f.outcome in (INCONCLUSIVE, INVALID)}
    return [
        name for name in rule_set.checks if not times[name] or (name in vague and times[name] == 1)
    ]


@lru_cache(maxsize=16)
def energising(rule_set: RuleSet) -> frozenset[str]:
    """The checks for which the equipment is energised."""
    return frozenset(
        check.id
        for check in rule_set.checks.values()
        if check.live or rule_set.access[check.access].powered
    )
