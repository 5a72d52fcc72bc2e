"""Findings, complaint, nameplate and confirmations as the tokens that rules are written over."""

from __future__ import annotations

from collections.abc import Iterable

from service.diagnosis.case import Case
from service.diagnosis.findings import Finding
from service.ruleset.conditions import holds
from service.ruleset.model import RuleSet


def tokens(rule_set: RuleSet, case: Case, findings: Iterable[Finding]) -> frozenset[str]:
    """The tokens that hold before any rule has fired (see `service.ruleset.conditions`)."""
    standing = [finding for finding in findings if not finding.superseded]
    out = {f"symptom/{case.symptom}"}
    out |= {f"confirmed/{one}" for one in effective_confirmations(rule_set, case.confirmed)}
    values: dict[tuple[str, str], float | str] = {
        ("nameplate", name): plate.value for name, plate in case.nameplate.items()
    }
    for finding in standing:
        out.add(f"answered/{finding.check}")
        for outcome, probability in zip(finding.outcomes, finding.evidence, strict=True):
            if probability >= rule_set.tuning.certain:
                out.add(f"finding/{finding.check}/{outcome}")
            if probability >= rule_set.tuning.possible:
                out.add(f"possible/{finding.check}/{outcome}")
        if finding.value is not None:
            values[("reading", finding.check)] = finding.value
    for predicate in rule_set.predicates:
        value = values.get((predicate.subject, predicate.name))
        if value is not None and holds(predicate, value):
            out.add(predicate.token)
    return frozenset(out)


def effective_confirmations(rule_set: RuleSet, confirmed: Iterable[str]) -> frozenset[str]:
    """The confirmations that count: one that another withdraws does not.

    A cover that is back on, with the supply reconnected, takes back "disconnected" and
    "discharged"; in doubt the precaution stands.
    """
    given = frozenset(confirmed)
    return frozenset(
        one for one in given if not given.intersection(rule_set.precautions[one].withdrawn_by)
    )
