"""Rating plates and labels: which is read next, and why."""

from __future__ import annotations

from collections.abc import Sequence

from service.diagnosis.case import Case
from service.diagnosis.findings import Finding, measure_of
from service.diagnosis.planning import Plan, preparation_for, unmet
from service.ruleset.header import Plate
from service.ruleset.model import RuleSet

# A reading whose outcome is surer than this stays what it is under every plausible plate.
SURE = 0.98


def plate_to_read(rule_set: RuleSet, case: Case, findings: Sequence[Finding]) -> Plan | None:
    """The plate that says how a reading is to be judged, if one is still to be read."""
    for finding in findings:
        if not finding.stands or finding.probability >= SURE:
            continue
        unstated = _rests_on(rule_set, case, finding)
        for plate in rule_set.plates.values():
            if plate.id in case.unavailable or unstated.isdisjoint(plate.fields):
                continue
            check = rule_set.checks[finding.check]
            wanted = ", ".join(rule_set.nameplate[name].title for name in sorted(unstated))
            because = f"{plate.why} The reading of {check.title} rests on it: {wanted}."
            waiting = unmet(rule_set, case, plate)
            step = preparation_for(rule_set, waiting[0]) if waiting else None
            return Plan(check, step, False, because, plate)
    return None


def _rests_on(rule_set: RuleSet, case: Case, finding: Finding) -> set[str]:
    """The nameplate fields, not stated, that the limits of a reading rest on."""
    if finding.reading.quantity is None:
        return set()
    measure = measure_of(rule_set.checks[finding.check], finding.reading)
    return {name for name in measure.nameplate_fields if not _stated(case, name)}


def missing_fields(case: Case, plate: Plate) -> list[str]:
    """The fields of a plate that nobody has stated."""
    return [name for name in plate.fields if not _stated(case, name)]


def _stated(case: Case, name: str) -> bool:
    return case.nameplate[name].origin == "stated"
