"""Findings, complaint, nameplate and confirmations as the tokens that rules are written over."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

from service.diagnosis.case import DIAGNOSE, Case
from service.diagnosis.confirmations import confirmations
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
    out |= {f"confirmed/{one}" for one in confirmations(rule_set, case).effective}
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
