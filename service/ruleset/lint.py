"""What is wrong with a rule set that builds: mistakes of modelling, and above all of safety."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from itertools import pairwise

from service.inference.rules import RuleListError, checked_strata
from service.physics.calculations import CALCULATIONS
from service.ruleset.limits import limit_edge
from service.ruleset.model import NO_FAULT, UNLISTED_FAULT, Check, Limit, RuleSet
from service.ruleset.source import Document, Issue
from service.ruleset.tokens import token_rules

Found = tuple[str, str, str]  # file name, id, message

# Figures that texts may name in braces; `service.diagnosis.precautions.figures` works them out.
FIGURES = frozenset({"wait", "energy", "charge", "peak"})


def lint(rule_set: RuleSet, documents: Mapping[str, Document]) -> list[Issue]:
    """Every modelling mistake, each with the file and line of the thing that it is about."""
    issues = []
    for check in LINTS:
        code = check.__name__.strip("_").replace("_", "-")
        for name, one, message in check(rule_set):
            issues.append(documents[name].issue(_path(documents[name], one), message, code))
    return issues


def _path(document: Document, one: str) -> tuple[str | int, ...]:
    for key, items in document.data.items():
        if isinstance(items, list):
            for index, item in enumerate(items):
                if isinstance(item, dict) and item.get("id") == one:
                    return (key, index)
        if isinstance(items, dict) and one in items:
            return (key, one)
    return ()


def _no_live_work_on_high_voltage(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        powered = rule_set.access[check.access].powered
        high = "high-voltage-parts" in check.groups
        if high and (check.live or powered):
            yield "checks", check.id, "a live or powered check on high-voltage parts may not exist"
        measures_volts = any(m.quantity in ("voltage", "current") for m in check.measures)
        if measures_volts and high and check.measures[0].quantity in ("voltage", "current"):
            yield "checks", check.id, "voltage or current is never measured on high-voltage parts"


def _live_check_says_why(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        if not check.live:
            continue
        if not check.instrument_category:
            yield "checks", check.id, "a live check must name the instrument's category"
        if not check.dead_alternatives and not check.why_live:
            yield "checks", check.id, "a live check names its dead alternatives or says why_live"


def _live_alternatives_are_dead(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        for other in check.dead_alternatives:
            if rule_set.checks[other].live:
                yield "checks", check.id, f"{other} is live itself, no dead alternative"


def _what_a_live_check_leaves_is_stale(rule_set: RuleSet) -> Iterator[Found]:
    """After a live reading the plug may still be in: dead checks need it all confirmed anew."""
    dead = [check for check in rule_set.checks.values() if not check.live]
    shared = {need for check in dead for need in rule_set.access[check.access].requires}
    for check in rule_set.checks.values():
        needs = rule_set.access[check.access].requires if check.live else ()
        for need in needs:
            if need in shared and check.id not in rule_set.precautions[need].stale_after:
                yield "precautions", need, f"the live check {check.id} must be in its stale_after"
        if needs and shared.issuperset(needs):
            message = "its access must require a precaution of its own, which marks its time"
            yield "checks", check.id, message


def _high_voltage_needs_discharge(rule_set: RuleSet) -> Iterator[Found]:
    if rule_set.capacitor is None:
        return
    needed = {"supply-disconnected", "capacitor-discharged"}
    for check in rule_set.checks.values():
        if "high-voltage-parts" in check.groups or "behind-cover" in check.groups:
            lacking = needed - set(rule_set.access[check.access].requires)
            if lacking:
                message = f"access {check.access!r} must require {', '.join(sorted(lacking))}"
                yield "checks", check.id, message
    for remedy in rule_set.remedies.values():
        access = rule_set.access[remedy.access]
        if remedy.parts and access.requires and needed - set(access.requires):
            yield "faults", remedy.id, "parts behind the cover need a discharge first"


def _limits_rise(rule_set: RuleSet) -> Iterator[Found]:
    """At the assumed nameplate and at both ends of each field that a limit follows."""
    for check in rule_set.checks.values():
        for measure in check.measures:
            names = {limit.nameplate for limit in measure.limits if limit.nameplate}
            ends: list[dict[str, float]] = [{}]
            for name in sorted(names):
                field = rule_set.nameplate[name]
                ends += [{name: end} for end in (field.least, field.most) if end is not None]
            for values in ends:
                edges = [_at(rule_set, limit, values) for limit in measure.limits]
                if any(low >= high for low, high in pairwise(edges)):
                    where = f" with {values}" if values else ""
                    yield "checks", check.id, f"a limit is not above the one before it{where}"
                    break


def _at(rule_set: RuleSet, limit: Limit, values: Mapping[str, float]) -> float:
    if limit.nameplate is None:
        return limit.factor
    assumed = float(rule_set.nameplate[limit.nameplate].default)
    return limit_edge(limit, values.get(limit.nameplate, assumed)).value


def _rules_can_be_chained(rule_set: RuleSet) -> Iterator[Found]:
    """No circle through a negation, and none of the engine's limits overstepped."""
    try:
        checked_strata(token_rules(rule_set.rules))
    except RuleListError as error:
        yield "rules", (error.rule or "").rsplit("#", 1)[0], str(error)


def _calculations_are_known(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        if check.calculation is None:
            continue
        if check.calculation not in CALCULATIONS:
            known = ", ".join(CALCULATIONS)
            yield "checks", check.id, f"no calculation {check.calculation!r}; known: {known}"
        elif not check.measures:
            yield "checks", check.id, "a calculation makes a reading: the check must be measured"


def _no_fault_has_no_row(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        if NO_FAULT in check.rows:
            yield "checks", check.id, f"{NO_FAULT} takes the default row: drop its own"


def _every_fault_can_be_confirmed(rule_set: RuleSet) -> Iterator[Found]:
    for fault in rule_set.faults:
        if fault == NO_FAULT:
            continue
        conditions = rule_set.faults[fault].conditions
        if not any(_shows(check, fault, tuple(conditions)) for check in rule_set.checks.values()):
            yield "faults", fault, "no check can confirm this fault"


def _shows(check: Check, fault: str, conditions: tuple[str, ...]) -> bool:
    rows = [check.row(fault, condition, 0.0) for condition in (None, *conditions)]
    return any(
        p >= 2.0 * healthy for row in rows for p, healthy in zip(row, check.default, strict=True)
    )


def _no_fault_is_listed(rule_set: RuleSet) -> Iterator[Found]:
    if NO_FAULT not in rule_set.faults:
        yield "faults", NO_FAULT, f"the hypothesis {NO_FAULT!r} is missing"
    elif not rule_set.faults[NO_FAULT].verdict_needs:
        yield "faults", NO_FAULT, "say what proves that there is no fault: verdict_needs"


def _effects_name_their_causes(rule_set: RuleSet) -> Iterator[Found]:
    for fault in rule_set.faults.values():
        if fault.effect and not fault.verdict_needs:
            yield "faults", fault.id, "an effect needs verdict_needs: checks that rule out a cause"


def _unlisted_stays(rule_set: RuleSet) -> Iterator[Found]:
    for rule in rule_set.rules:
        for consequence in rule.consequences:
            if consequence.kind == "exclude" and UNLISTED_FAULT in consequence.targets:
                yield "rules", rule.id, f"{UNLISTED_FAULT} cannot be excluded"


def _states_are_derived_and_used(rule_set: RuleSet) -> Iterator[Found]:
    derived = {
        target
        for rule in rule_set.rules
        for one in rule.consequences
        if one.kind == "derive"
        for target in one.targets
    }
    for rule in rule_set.rules:
        for branch in rule.branches:
            for token in (*branch.all_of, *branch.none_of):
                if token.startswith("state/") and token[6:] not in derived:
                    yield "rules", rule.id, f"no rule derives the state {token[6:]!r}"


def _rules_can_be_reached(rule_set: RuleSet) -> Iterator[Found]:
    produced = {
        f"{one.kind}/{target}"
        for rule in rule_set.rules
        for one in rule.consequences
        if one.kind in ("admit", "require")
        for target in one.targets
    }
    for rule in rule_set.rules:
        for branch in rule.branches:
            for token in branch.all_of:
                if token.startswith(("admit/", "require/")) and token not in produced:
                    yield "rules", rule.id, f"no rule brings about {token!r}"


def _by_rule_checks_are_admitted(rule_set: RuleSet) -> Iterator[Found]:
    admitted = {
        target
        for rule in rule_set.rules
        for one in rule.consequences
        if one.kind == "admit"
        for target in one.targets
    }
    for check in rule_set.checks.values():
        if check.by_rule and check.id not in admitted:
            yield "checks", check.id, "by_rule, but no rule admits it"


def _figures_are_known(rule_set: RuleSet) -> Iterator[Found]:
    for precaution in rule_set.precautions.values():
        for name in re.findall(r"\{([^}]*)\}", precaution.text):
            if name not in FIGURES or rule_set.capacitor is None:
                yield "precautions", precaution.id, f"unknown figure {{{name}}}"
    for step in rule_set.preparations.values():
        for line in (step.why, *step.how):
            for name in re.findall(r"\{([^}]*)\}", line):
                if name not in FIGURES or rule_set.capacitor is None:
                    yield "precautions", step.id, f"unknown figure {{{name}}}"


def _precautions_are_used(rule_set: RuleSet) -> Iterator[Found]:
    used = set(rule_set.always)
    for access in rule_set.access.values():
        used |= {*access.requires, *access.precautions, *access.closes_with}
    for check in rule_set.checks.values():
        used |= set(check.precautions)
    for remedy in rule_set.remedies.values():
        used |= set(remedy.precautions)
    for step in rule_set.preparations.values():
        used |= {step.confirms, *step.precautions}
    for rule in rule_set.rules:
        for one in rule.consequences:
            if one.kind == "require":
                used |= set(one.targets)
    for precaution in rule_set.precautions:
        if precaution not in used:
            yield "precautions", precaution, "nothing ever asks for this precaution"


LINTS: tuple[Callable[[RuleSet], Iterator[Found]], ...] = (
    _no_live_work_on_high_voltage,
    _live_check_says_why,
    _live_alternatives_are_dead,
    _what_a_live_check_leaves_is_stale,
    _high_voltage_needs_discharge,
    _limits_rise,
    _rules_can_be_chained,
    _calculations_are_known,
    _no_fault_has_no_row,
    _every_fault_can_be_confirmed,
    _no_fault_is_listed,
    _effects_name_their_causes,
    _unlisted_stays,
    _states_are_derived_and_used,
    _rules_can_be_reached,
    _by_rule_checks_are_admitted,
    _figures_are_known,
    _precautions_are_used,
)
