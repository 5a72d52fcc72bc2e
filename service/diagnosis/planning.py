"""Which check comes next: most information about the remedy per minute of work and risk."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from service.diagnosis.case import Case
from service.diagnosis.chaining import Conclusions
from service.diagnosis.facts import effective_confirmations, rests_on, withdrawn
from service.diagnosis.findings import INCONCLUSIVE, INVALID, Finding
from service.ruleset.model import Check, Preparation, RuleSet

# A dead check serves in place of a live one if it tells at least this share of it.
DEAD_SHARE = 0.1


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
    """The next thing to do: a check, or the preparation that it waits for."""

    check: Check
    preparation: Preparation | None
    recheck: bool
    because: str


def opened(rule_set: RuleSet, case: Case) -> bool:
    """Whether the equipment may stand open: said so, or read or repaired behind the cover."""
    effective = effective_confirmations(rule_set, case)
    if any(
        rule_set.precautions[one].withdrawn_by and withdrawn(rule_set, case, one) is None
        for one in case.confirmed
    ):
        return True
    if not effective.isdisjoint(_closing(rule_set)):
        return False
    return worked_inside(rule_set, case, case.repairs)


def worked_inside(rule_set: RuleSet, case: Case, remedies: Iterable[str]) -> bool:
    """Whether these remedies or what has been done so far need the equipment opened."""
    closing = _closing(rule_set)
    if any(one in closing or rule_set.precautions[one].withdrawn_by for one in case.confirmed):
        return True
    done = [rule_set.remedies[remedy].access for remedy in remedies]
    done += [rule_set.checks[reading.check].access for reading in case.readings]
    return any(rule_set.access[access].requires for access in done)


def _closing(rule_set: RuleSet) -> frozenset[str]:
    """The precautions that close the equipment up again."""
    return frozenset(one for access in rule_set.access.values() for one in access.closes_with)


def unmet(rule_set: RuleSet, case: Case, check: Check) -> tuple[str, ...]:
    """The precautions to confirm before a check is offered, in the order to take them."""
    access = rule_set.access[check.access]
    needed = list(access.requires)
    effective = effective_confirmations(rule_set, case)
    if access.closes_with and opened(rule_set, case):
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
    least a tenth of what the live one would. One that makes confirmations stale follows no other
    such: what was confirmed for the first may no longer hold, and a request does not tell when it
    was confirmed.
    """
    answered = case.answered
    stales = {name for one in rule_set.precautions.values() for name in one.stale_after}
    barred = stales if stales & answered else set()

    def promises(name: str) -> float:
        return 0.0 if _blind(case, rule_set.checks[name]) else information[name]

    def serves(name: str, live: float) -> bool:
        enough = max(rule_set.tuning.least_information, DEAD_SHARE * live)
        other = rule_set.checks[name]
        allowed = name not in answered and may_be_offered(conclusions, case, other)
        return allowed and promises(name) >= enough

    waiting_at: dict[str, tuple[str, ...]] = {}  # by access: alike for every check there
    minutes = {step.confirms: step.minutes for step in rule_set.preparations.values()}
    out = []
    for name in checks:
        check = rule_set.checks[name]
        if name in barred or not may_be_offered(conclusions, case, check):
            continue
        promised = promises(name)
        if any(serves(other, promised) for other in check.dead_alternatives):
            continue
        if check.access not in waiting_at:
            waiting_at[check.access] = unmet(rule_set, case, check)
        waiting = waiting_at[check.access]
        work = check.minutes + (rule_set.tuning.live_risk_minutes if check.live else 0.0)
        out.append(
            Candidate(
                check=check,
                information=promised,
                cost=work + sum(minutes[one] for one in waiting),
                unmet=waiting,
                preferred=name in conclusions.preferred,
                work=work,
            )
        )
    return out


def choose(found: Iterable[Candidate], least_information: float) -> Candidate | None:
    """Preferred checks first, then the most bits per minute; ties by id.

    A check that promises less than `least_information` bits is not worth asking for, unless a
    rule prefers it: rules know reasons that are not about which fault it is. Once preparations
    are due, they are paid for all checks that wait for the same ones, so the first of these is
    the one with the most bits per minute of its own work.
    """
    worthy = [one for one in found if one.preferred or one.information >= least_information]
    best = _most_worth(worthy)
    if best is None or not best.unmet:
        return best
    alike = [replace(one, cost=one.work) for one in worthy if one.unmet == best.unmet]
    return _most_worth(alike)


def _most_worth(worthy: Iterable[Candidate]) -> Candidate | None:
    return min(
        worthy,
        key=lambda one: (not one.preferred, -round(one.worth, 12), one.check.id),
        default=None,
    )


def cheapest(found: Iterable[Candidate]) -> Candidate | None:
    """The least cost first; preferred ones before others."""
    return min(found, key=lambda one: (not one.preferred, one.cost, one.check.id), default=None)


def withdraws(rule_set: RuleSet, case: Case, step: Preparation) -> tuple[str, ...]:
    """The confirmations sent so far that do not hold once a preparation is done."""
    against = withdrawn(rule_set, case, step.confirms)
    given = step.confirms in case.confirmed
    return tuple(
        one
        for one in case.confirmed
        if one == against
        or step.confirms in rule_set.precautions[one].withdrawn_by
        or (not given and step.confirms in rests_on(rule_set, one))
    )


def plan(rule_set: RuleSet, candidate: Candidate, because: str, *, recheck: bool = False) -> Plan:
    """The candidate itself, or the preparation for the first thing it waits for."""
    preparation = None
    if candidate.unmet:
        preparation = next(
            step for step in rule_set.preparations.values() if step.confirms == candidate.unmet[0]
        )
    return Plan(candidate.check, preparation, recheck, because)


def unanswered(rule_set: RuleSet, findings: Iterable[Finding]) -> list[str]:
    """Checks without a reading, or with a single one that decided nothing, in the set's order."""
    readings = [finding for finding in findings if not finding.reading.past]
    times = Counter(finding.check for finding in readings)
    vague = {f.check for f in readings if f.outcome in (INCONCLUSIVE, INVALID)}
    return [
        name for name in rule_set.checks if not times[name] or (name in vague and times[name] == 1)
    ]
