"""Findings, complaint, nameplate and confirmations as the tokens that rules are written over."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

from service.diagnosis.case import DIAGNOSE, Case
from service.diagnosis.findings import Finding
from service.diagnosis.nameplate import NameplateValue
from service.frozen import Frozen
from service.ruleset.conditions import holds
from service.ruleset.model import RuleSet


def tokens(rule_set: RuleSet, case: Case, findings: Iterable[Finding]) -> frozenset[str]:
    """The tokens that hold before any rule has fired (see `service.ruleset.conditions`)."""
    everything = list(findings)
    standing = [finding for finding in everything if finding.stands]
    out = {f"phase/{case.phase}"}
    if case.phase == DIAGNOSE:
        out.add(f"symptom/{case.symptom}")
    for remedy in case.repairs:
        done = rule_set.remedies[remedy]
        out |= {f"replaced/{part}" for part in (*done.parts, *done.also_replace)}
    out |= {f"confirmed/{one}" for one in effective_confirmations(rule_set, case)}
    out |= _plate_tokens(rule_set, case.nameplate)
    values: dict[str, float] = {}
    for finding in standing:
        out.add(f"answered/{finding.check}")
        for outcome, probability in zip(finding.outcomes, finding.evidence, strict=True):
            if probability >= rule_set.tuning.certain:
                out.add(f"finding/{finding.check}/{outcome}")
        if finding.value is not None:
            values[finding.check] = finding.value
    # A contact that was closed once and open the next time is the danger itself: what safety rules
    # ask for is not superseded.
    for finding in everything:
        if finding.invalid:
            continue
        kind = "earlier" if finding.stage < len(case.repairs) else "possible"
        warns = finding.reading.unmended or not finding.reading.past
        kinds = {kind, "possible"} if warns else {kind}
        for outcome, probability in zip(finding.outcomes, finding.evidence, strict=True):
            if probability >= rule_set.tuning.possible:
                out |= {f"{kind}/{finding.check}/{outcome}" for kind in kinds}
    if values:
        for predicate in rule_set.predicates:
            value = values.get(predicate.name) if predicate.subject == "reading" else None
            if value is not None and holds(predicate, value):
                out.add(predicate.token)
    return frozenset(out)


@lru_cache(maxsize=1024)
def _plate_tokens(rule_set: RuleSet, nameplate: Frozen[str, NameplateValue]) -> frozenset[str]:
    """The comparisons that hold for a nameplate."""
    return frozenset(
        one.token
        for one in rule_set.predicates
        if one.subject == "nameplate" and holds(one, nameplate[one.name].value)
    )


def effective_confirmations(rule_set: RuleSet, case: Case) -> frozenset[str]:
    """The confirmations that count; in doubt the precaution stands.

    A cover that is back on, with the supply reconnected, takes back "disconnected" and
    "discharged". So does a live check that has been read, as long as what was confirmed for it
    alone is still there: the plug may still be in. And who says "discharged" and not "disconnected"
    may have discharged what was charged again.
    """
    given = frozenset(case.confirmed)
    return frozenset(
        one
        for one in given
        if rests_on(rule_set, one) <= given and withdrawn(rule_set, case, one) is None
    )


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


def withdrawn(rule_set: RuleSet, case: Case, one: str) -> str | None:
    """What takes a confirmation back: another one that must be dropped first. None if nothing."""
    precaution = rule_set.precautions[one]
    given = frozenset(case.confirmed)
    by = sorted(given.intersection(precaution.withdrawn_by))
    for check in case.answered.intersection(precaution.stale_after):
        # Of all that a live check asked for, what nothing else asks for marks its time.
        by += [
            need
            for need in rule_set.access[rule_set.checks[check].access].requires
            if check not in rule_set.precautions[need].stale_after and need in given
        ]
    return min(by, default=None)
