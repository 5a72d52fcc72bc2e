"""Texts and their figures, sources, and what is listed without a use."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from service.problems import sentence
from service.ruleset.lints.found import Found, Lint
from service.ruleset.model import RuleSet
from service.ruleset.near import hint

# Figures that texts may name in braces; `service.diagnosis.precautions.figures` works them out.
FIGURES = frozenset(
    {
        *("wait", "energy", "charge", "peak"),
        *("resistor", "resistor-power", "insulation"),
        *("first-current", "first-power", "discharge-time"),
    }
)
_BRACES = re.compile(r"\{([^{}]*)\}|[{}]")


def _texts(rule_set: RuleSet) -> Iterator[tuple[str, str, str, str, bool]]:
    """Table, id, field and text of what is shown, and whether figures are put into it."""
    for precaution in rule_set.precautions.values():
        yield "precautions", precaution.id, "text", precaution.text, True
    for step in rule_set.preparations.values():
        yield "preparations", step.id, "title", step.title, False
        for key, lines in (("why", (step.why,)), ("how", step.how)):
            for line in lines:
                yield "preparations", step.id, key, line, True
    for check in rule_set.checks.values():
        for line in check.how:
            yield "checks", check.id, "how", line, True
        for key in ("title", "why", "expected_text"):
            yield "checks", check.id, key, getattr(check, key), False
    for fault in rule_set.faults.values():
        yield "faults", fault.id, "title", fault.title, False
    for remedy in rule_set.remedies.values():
        yield "remedies", remedy.id, "action", remedy.action, False
    for part, title in rule_set.parts.items():
        yield "parts", part, "title", title, False
    for rule in rule_set.rules:
        yield "rules", rule.id, "because", rule.because, False
        for one in rule.consequences:
            if one.kind in ("stop", "contradiction"):
                yield "rules", rule.id, "then", one.text, False


def _unknown_figure(rule_set: RuleSet) -> Iterator[Found]:
    for table, one, field, text, filled in _texts(rule_set):
        known = FIGURES if filled and rule_set.capacitor is not None else frozenset[str]()
        for match in _BRACES.finditer(text):
            name = match[1]
            if name is None or name not in known:
                yield Found(
                    table,
                    one,
                    f"unknown figure {match[0]}",
                    sentence(hint("figure", name or "", known))
                    if known
                    else "No figure is put in here: write the text without braces.",
                    (field,),
                )


def _used_precautions(rule_set: RuleSet) -> set[str]:
    used = {*rule_set.always, *rule_set.when_not_released}
    for access in rule_set.access.values():
        used |= {*access.requires, *access.precautions, *access.closes_with}
    for check in rule_set.checks.values():
        used |= set(check.precautions)
    for remedy in rule_set.remedies.values():
        used |= set(remedy.precautions)
    for step in rule_set.preparations.values():
        used |= {step.confirms, *step.precautions, *step.after}
    for rule in rule_set.rules:
        for one in rule.consequences:
            if one.kind == "require":
                used |= set(one.targets)
    return used


def _idle_precaution(rule_set: RuleSet) -> Iterator[Found]:
    used = _used_precautions(rule_set)
    for precaution in rule_set.precautions:
        if precaution not in used:
            yield Found(
                "precautions",
                precaution,
                "nothing ever asks for this precaution",
                "Name it at an access, a check, a remedy or in a rule, or drop it.",
            )


def _idle_tool(rule_set: RuleSet) -> Iterator[Found]:
    used = {tool for check in rule_set.checks.values() for tool in check.tools}
    used |= {tool for step in rule_set.preparations.values() for tool in step.tools}
    for tool in rule_set.tools:
        if tool not in used:
            yield Found(
                "tools",
                tool,
                "no check and no preparation needs this tool",
                "Name it in `tools` of what does, or drop it.",
            )


def _idle_part(rule_set: RuleSet) -> Iterator[Found]:
    used = {part for one in rule_set.conditions.values() for part in one.parts}
    for remedy in rule_set.remedies.values():
        used |= {*remedy.parts, *remedy.also_replace}
    for part in rule_set.parts:
        if part not in used:
            yield Found(
                "parts",
                part,
                "no remedy and no condition replaces this part",
                "Name it in `parts` of what does, or drop it.",
            )


def _idle_access(rule_set: RuleSet) -> Iterator[Found]:
    used = {check.access for check in rule_set.checks.values()}
    used |= {remedy.access for remedy in rule_set.remedies.values()}
    for access in rule_set.access:
        if access not in used:
            yield Found(
                "access",
                access,
                "no check and no remedy is at this place",
                "Name it as the `access` of what is, or drop it.",
            )


TEXTS: Mapping[str, Lint] = {
    "unknown-figure": _unknown_figure,
    "idle-precaution": _idle_precaution,
    "idle-tool": _idle_tool,
    "idle-part": _idle_part,
    "idle-access": _idle_access,
}
