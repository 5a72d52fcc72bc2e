"""Texts and their figures, and what is listed without a use."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from service.ruleset.lints.found import Found, Lint
from service.ruleset.model import RuleSet
from service.ruleset.near import hint, sentence

# Figures that texts may name in braces; `service.diagnosis.precautions.figures` works them out.
FIGURES = frozenset({"wait", "energy", "charge", "peak"})


def _unknown_figure(rule_set: RuleSet) -> Iterator[Found]:
    texts = [("precautions", one.id, "text", one.text) for one in rule_set.precautions.values()]
    for step in rule_set.preparations.values():
        texts.append(("preparations", step.id, "why", step.why))
        texts += [("preparations", step.id, "how", line) for line in step.how]
    known = FIGURES if rule_set.capacitor is not None else frozenset()
    for table, one, field, text in texts:
        for name in re.findall(r"\{([^}]*)\}", text):
            if name not in known:
                yield Found(
                    table,
                    one,
                    f"unknown figure {{{name}}}",
                    sentence(hint("figure", name, known)),
                    (field,),
                )


def _unused_precaution(rule_set: RuleSet) -> Iterator[Found]:
    used = {*rule_set.always, *rule_set.when_not_released}
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
            yield Found(
                "precautions",
                precaution,
                "nothing ever asks for this precaution",
                "Name it at an access, a check, a remedy or in a rule, or drop it.",
            )


TEXTS: Mapping[str, Lint] = {
    "unknown-figure": _unknown_figure,
    "unused-precaution": _unused_precaution,
}
