"""Small rule sets cut out of the microwave oven's, and loaded as any rule set is.

A sub-problem keeps some faults and some checks, with their rates, rows, conditions, minutes,
remedies, preparations and places as they are. What would decide instead of the decision theory is
left out: rules, `verdict_needs` (but the one that the loader asks of `no-fault-present`, which any
check answers), effects of other faults, and a second fault. A reading taken again shows the same
and tells nothing new, so `misread_persists` is 1.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from copy import deepcopy
from dataclasses import dataclass
from functools import cache
from typing import Any

from service.ruleset.build import build, read_folder
from service.ruleset.catalogue import bundled_rules
from service.ruleset.model import NO_FAULT, UNLISTED_FAULT, RuleSet
from service.ruleset.shape import shape_issues
from service.ruleset.source import Document

Raw = dict[str, Any]

# They make confirmations stale, belong to ovens fed by an inverter, or prove a repair only.
LEFT_OUT = frozenset(
    {
        "transformer-primary-voltage",
        "inverter-inspection",
        "inverter-fuse-resistance",
        "inverter-input-resistance",
        "relay-drive-voltage",
        "inverter-supply-voltage",
        "reassembly",
        "interlock-function",
        "leakage-survey",
    }
)


@dataclass(frozen=True)
class SubProblem:
    """A name, a complaint, and the ids that are kept."""

    name: str
    symptom: str
    faults: tuple[str, ...]
    checks: tuple[str, ...]


@cache
def _whole() -> dict[str, Raw]:
    return {
        name: document.data
        for name, document in read_folder(bundled_rules() / "microwave-oven").items()
    }


@cache
def _dormant() -> frozenset[str]:
    conditions = _whole()["faults"]["conditions"]
    return frozenset(one["id"] for one in conditions if one.get("dormant"))


@cache
def cut(problem: SubProblem, *, conflicts: bool = True) -> RuleSet:
    """The rule set of a sub-problem, built as any other is.

    Without `conflicts`, no readings count as contradicting each other: `conflict_ratio` is 0.
    """
    documents = {
        name: Document(f"{name}.yaml", data, {})
        for name, data in _documents(problem, conflicts).items()
    }
    assert not [issue for name, one in documents.items() for issue in shape_issues(one, name)]
    # Not linted: what is left has tools and complaints that nothing of it needs.
    return build(documents)


def _documents(problem: SubProblem, conflicts: bool) -> dict[str, Raw]:
    whole = deepcopy(_whole())
    listed = {one["id"]: one for one in whole["faults"]["faults"]}
    kept = [listed[name] for name in (*problem.faults, NO_FAULT)]
    for one in kept:
        # A fault that comes and goes shows in no check, so it says nothing of their order.
        chances = one.get("conditions", {})
        one["conditions"] = {name: p for name, p in chances.items() if name not in _dormant()}
    groups = {group for one in kept for group in one.get("groups", ())}
    conditions = {name for one in kept for name in one.get("conditions", {})}
    remedies = {one["remedy"] for one in kept}
    checks = [one for one in whole["checks"]["checks"] if one["id"] in problem.checks]

    for fault in kept:
        for key in ("verdict_needs", "causes", "effect", "unnoticed"):
            fault.pop(key, None)
    kept[-1]["verdict_needs"] = [list(problem.checks)]
    refs = {one["id"] for one in kept} | {f"group:{name}" for name in groups} | {UNLISTED_FAULT}
    for check in checks:
        check.pop("by_rule", None)  # no rule is left to admit it
        check.pop("asked_of", None)  # a question waits for the cover: the reference knows no such
        _filter(check, "dead_alternatives", problem.checks)
        _filter(check, "instead", problem.checks)
        check["rows"] = list(_rows(check["rows"], refs, conditions))
    for one in whole["faults"]["remedies"]:
        _filter(one, "checks_after", problem.checks)
    for one in whole["symptoms"]["symptoms"]:
        one.pop("verdict_needs", None)
        _filter(one, "proven_by", problem.checks)

    whole["faults"]["faults"] = kept
    whole["faults"]["conditions"] = _those(whole["faults"]["conditions"], conditions)
    whole["faults"]["remedies"] = _those(whole["faults"]["remedies"], remedies)
    whole["checks"]["checks"] = checks
    whole["rules"]["rules"] = []
    _keep_used_precautions(whole)
    head = whole["rule-set"]
    head["id"] = head["equipment"] = "sub-problem"
    _filter(head, "after_every_repair", problem.checks)
    for field in head["nameplate"].values():
        _filter(field, "deduce_from", problem.checks)
    head.pop("plates", None)  # what is read as an outcome hangs on none
    head["tuning"]["second_fault"]["value"] = 0.0
    # The reference goes on for as long as anything is told, however long it takes.
    head["tuning"]["least_rate"]["value"] = 0.0
    for name in ("misread_persists", "look_persists"):
        head["tuning"][name]["value"] = 1.0
    if not conflicts:
        head["tuning"]["conflict_ratio"]["value"] = 0.0
    return whole


def _those(items: Iterable[Raw], ids: Collection[str]) -> list[Raw]:
    return [one for one in items if one["id"] in ids]


def _filter(raw: Raw, key: str, among: Collection[str]) -> None:
    if key in raw:
        raw[key] = [one for one in raw[key] if one in among]


def _rows(rows: Iterable[Raw], refs: Collection[str], conditions: Collection[str]) -> Iterable[Raw]:
    """The rows that still speak of anything, less the faults and conditions that are gone."""
    for row in rows:
        _filter(row, "for", refs)
        _filter(row, "given", conditions)
        if all(row[key] for key in ("for", "given") if key in row):
            yield row


def _keep_used_precautions(whole: Mapping[str, Raw]) -> None:
    """Drop the precautions that nothing kept asks for: the loader refuses those."""
    precautions = whole["precautions"]
    used = set(whole["rule-set"]["always"])
    places = {one["access"] for one in whole["checks"]["checks"]}
    places |= {one["access"] for one in whole["faults"]["remedies"]}
    precautions["access"] = _those(precautions["access"], places)
    for access in precautions["access"]:
        for key in ("requires", "precautions", "closes_with"):
            used |= set(access.get(key, ()))
    steps = [one for one in precautions["preparations"] if one["confirms"] in used]
    precautions["preparations"] = steps
    for one in (*steps, *whole["checks"]["checks"], *whole["faults"]["remedies"]):
        used |= set(one.get("precautions", ()))
    precautions["precautions"] = _those(precautions["precautions"], used)
    _filter(whole["rule-set"], "when_not_released", used)
    for one in precautions["precautions"]:
        _filter(one, "withdrawn_by", used)
