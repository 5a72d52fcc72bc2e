"""Faults, complaints, conditions and remedies."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from service.alike import alike
from service.ruleset.lints.found import Found, Lint, cycles
from service.ruleset.model import NO_FAULT, Check, RuleSet

# So much likelier than with every part good must some outcome be for a check to show a fault.
TELLING = 2.0


def _no_fault(rule_set: RuleSet) -> Iterator[Found]:
    if NO_FAULT not in rule_set.faults:
        yield Found(
            "faults",
            NO_FAULT,
            f"the hypothesis {NO_FAULT!r} is missing",
            "List it: nothing may be wrong, or what is wrong may come and go.",
        )
        return
    fault = rule_set.faults[NO_FAULT]
    if not fault.verdict_needs:
        yield Found(
            "faults",
            NO_FAULT,
            "nothing proves that there is no fault",
            "Name in `verdict_needs` the checks that do.",
        )
    if fault.conditions or fault.causes or rule_set.remedies[fault.remedy].parts:
        yield Found(
            "faults",
            NO_FAULT,
            "where nothing is wrong, nothing follows from it and nothing is replaced",
            "Give it no `conditions`, no `causes` and a remedy without parts.",
        )


def _unconfirmable_fault(rule_set: RuleSet) -> Iterator[Found]:
    for fault in rule_set.faults.values():
        if fault.id == NO_FAULT:
            continue
        conditions = tuple(fault.conditions)
        if not any(_shows(check, fault.id, conditions) for check in rule_set.checks.values()):
            yield Found(
                "faults",
                fault.id,
                "no check can confirm this fault",
                "Give it a row in a check in which some outcome is at least twice as likely.",
            )


def _shows(check: Check, fault: str, conditions: tuple[str, ...]) -> bool:
    rows = [check.row(fault, condition, 0.0) for condition in (None, *conditions)]
    return any(
        p >= TELLING * healthy
        for row in rows
        for p, healthy in zip(row, check.default, strict=True)
    )


def _effect_without_cause(rule_set: RuleSet) -> Iterator[Found]:
    for fault in rule_set.faults.values():
        if fault.effect and not fault.verdict_needs:
            yield Found(
                "faults",
                fault.id,
                "an effect whose causes nothing rules out",
                "Name in `verdict_needs` the checks that do.",
                ("effect",),
            )


def _fault_without_symptom(rule_set: RuleSet) -> Iterator[Found]:
    for fault in rule_set.faults.values():
        if not fault.symptoms:
            yield Found(
                "faults",
                fault.id,
                "nobody would ever complain of this fault",
                "Give P(symptom | fault) for at least one symptom.",
                ("symptoms",),
            )


def _unexplained_symptom(rule_set: RuleSet) -> Iterator[Found]:
    explained = {
        one for fault in rule_set.faults.values() if fault.id != NO_FAULT for one in fault.symptoms
    }
    for symptom in rule_set.symptoms:
        if symptom not in explained:
            yield Found(
                "symptoms",
                symptom,
                "no fault brings this symptom about",
                "Name it in the `symptoms` of the faults that do, or drop it.",
            )


def _cause_cycle(rule_set: RuleSet) -> Iterator[Found]:
    for way in cycles({fault.id: tuple(fault.causes) for fault in rule_set.faults.values()}):
        yield Found(
            "faults",
            way[0],
            f"it causes itself: {' -> '.join(way)}",
            "Keep the direction in which the damage goes, and drop the other.",
            ("causes",),
        )


def _never_alone(rule_set: RuleSet) -> Iterator[Found]:
    for fault in rule_set.faults.values():
        if fault.causes and math.fsum(fault.causes.values()) >= 1.0:
            yield Found(
                "faults",
                fault.id,
                "this fault would never be there alone",
                "Make the probabilities in `causes` sum to less than 1.",
                ("causes",),
            )


def _no_chance_left(rule_set: RuleSet) -> Iterator[Found]:
    """The conditions of an unlisted fault, and those that a complaint fixes."""
    conditions = rule_set.conditions.values()
    if math.fsum(one.unlisted for one in conditions) >= 1.0:
        yield Found(
            "conditions",
            "",
            "an unlisted fault would always leave one of the conditions",
            "Make the numbers under `unlisted` sum to less than 1.",
        )
    for symptom in rule_set.symptoms:
        fixed = [one.id for one in conditions if symptom in one.given_symptom]
        if math.fsum(rule_set.conditions[one].given_symptom[symptom] for one in fixed) >= 1.0:
            yield Found(
                "conditions",
                fixed[-1],
                f"with {symptom} nothing would be left for other conditions, or for none",
                f"Make the numbers for {symptom} under `given_symptom` sum to less than 1.",
                ("given_symptom",),
            )
        for fault in rule_set.faults.values():
            always = math.fsum(fault.conditions.values()) >= 1.0
            if always and not fault.effect and set(fault.conditions) <= set(fixed):
                yield Found(
                    "faults",
                    fault.id,
                    f"with {symptom} each of its conditions is fixed, and none of them is never",
                    "Make its `conditions` sum to less than 1.",
                    ("conditions",),
                )


def _idle_condition(rule_set: RuleSet) -> Iterator[Found]:
    brought = {one for fault in rule_set.faults.values() for one in fault.conditions}
    felt = {given for check in rule_set.checks.values() for _, given in check.given}
    for condition in rule_set.conditions:
        if condition not in brought:
            yield Found(
                "conditions",
                condition,
                "no fault leaves the equipment in this condition",
                "Name it in the `conditions` of the faults that do, or drop it.",
            )
        elif condition not in felt:
            yield Found(
                "conditions",
                condition,
                "no check feels this condition",
                "Give it a row with `given` in the checks that do, or drop it.",
            )


def _idle_remedy(rule_set: RuleSet) -> Iterator[Found]:
    named = {fault.remedy for fault in rule_set.faults.values()}
    for remedy in rule_set.remedies:
        if remedy not in named:
            yield Found(
                "remedies",
                remedy,
                "no fault asks for this remedy",
                "Name it as the `remedy` of a fault, or drop it.",
            )


def _unproven_remedy(rule_set: RuleSet) -> Iterator[Found]:
    for remedy in rule_set.remedies.values():
        if remedy.parts and not remedy.checks_after:
            yield Found(
                "remedies",
                remedy.id,
                "parts are replaced, and nothing shows that it was done well",
                "Name in `checks_after` what does.",
            )


def _unpriced_part(rule_set: RuleSet) -> Iterator[Found]:
    priced = {part for remedy in rule_set.remedies.values() for part in remedy.parts}
    users = [("conditions", one.id, "parts", one.parts) for one in rule_set.conditions.values()]
    users += [
        ("remedies", one.id, "also_replace", one.also_replace) for one in rule_set.remedies.values()
    ]
    for table, one, key, parts in users:
        for index, part in enumerate(parts):
            if part not in priced:
                yield Found(
                    table,
                    one,
                    f"the part {part!r} is among the `parts` of no remedy",
                    "Its price is not known: name a part that some remedy replaces.",
                    (key, index),
                )


def _misspelt_component(rule_set: RuleSet) -> Iterator[Found]:
    """One letter wrong, and a repair of the part does not touch what was read of it."""
    of_faults = {fault.component for fault in rule_set.faults.values()}
    of_checks = {check.component for check in rule_set.checks.values()}
    asked = [("faults", one.id, one.component, of_checks) for one in rule_set.faults.values()]
    both = of_faults & of_checks
    asked += [("checks", one.id, one.component, both) for one in rule_set.checks.values()]
    for table, one, component, known in asked:
        near = alike(component, sorted(known), cutoff=0.85)
        if component not in both and component not in known and near:
            yield Found(
                table,
                one,
                f"only here is there a component {component!r}",
                f"Did you mean {near[0]!r}?",
                ("component",),
            )


FAULTS: Mapping[str, Lint] = {
    "no-fault": _no_fault,
    "unconfirmable-fault": _unconfirmable_fault,
    "effect-without-cause": _effect_without_cause,
    "fault-without-symptom": _fault_without_symptom,
    "unexplained-symptom": _unexplained_symptom,
    "cause-cycle": _cause_cycle,
    "never-alone": _never_alone,
    "no-chance-left": _no_chance_left,
    "idle-condition": _idle_condition,
    "idle-remedy": _idle_remedy,
    "unproven-remedy": _unproven_remedy,
    "unpriced-part": _unpriced_part,
    "misspelt-component": _misspelt_component,
}
