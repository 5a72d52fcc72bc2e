"""Which texts of a rule set people get to see, and where."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from service.diagnosis.findings import INCONCLUSIVE, INVALID
from service.diagnosis.precautions import NO_WAIT_HELPS
from service.ruleset.model import NO_FAULT, UNLISTED_FAULT, RuleSet

# So many uses of one text are named for a translator: `closed` is an outcome of forty checks.
USES_NAMED = 4


@dataclass(frozen=True, slots=True)
class Shown:
    """A text as the author wrote it, in English, and where it is used: `check display: title`."""

    english: str
    uses: tuple[str, ...]

    @property
    def comments(self) -> tuple[str, ...]:
        """The uses, of many only the first."""
        left = len(self.uses) - USES_NAMED
        return (*self.uses[:USES_NAMED], f"and {left} more") if left > 1 else self.uses


def word(one: str) -> str:
    """An id as people read it: `burn-marks` is "burn marks"."""
    return one.replace("-", " ").replace("_", " ")


def texts_of(rule_set: RuleSet) -> tuple[Shown, ...]:
    """What of a rule set is shown, each text once, in the order of the rule set's files.

    Templates have their figures in braces, as the author wrote them. Sources are no texts: they are
    names of documents.
    """
    uses: dict[str, dict[str, None]] = {}
    for use, text in _all(rule_set):
        if text:
            uses.setdefault(text, {})[use] = None
    return tuple(Shown(text, tuple(where)) for text, where in uses.items())


def _all(rule_set: RuleSet) -> Iterator[tuple[str, str]]:
    """Each use and its text; a text that is used again comes again."""
    yield from _header(rule_set)
    for symptom in rule_set.symptoms.values():
        yield f"symptom {symptom.id}: title", symptom.title
    yield from _faults(rule_set)
    yield from _checks(rule_set)
    yield from _rules(rule_set)
    yield from _precautions(rule_set)
    yield from _words(rule_set)


def _header(rule_set: RuleSet) -> Iterator[tuple[str, str]]:
    yield "rule set: title", rule_set.title
    yield "rule set: description", rule_set.description
    yield "rule set: jurisdictions", rule_set.jurisdictions
    for field in rule_set.nameplate.values():
        yield f"nameplate {field.id}: title", field.title
    for plate in rule_set.plates.values():
        yield f"plate {plate.id}: title", plate.title
        yield f"plate {plate.id}: why", plate.why
        for line in plate.how:
            yield f"plate {plate.id}: how", line
    for tool, title in rule_set.tools.items():
        yield f"tool {tool}: title", title


def _faults(rule_set: RuleSet) -> Iterator[tuple[str, str]]:
    for condition in rule_set.conditions.values():
        yield f"condition {condition.id}: title", condition.title
    for fault in rule_set.faults.values():
        yield f"fault {fault.id}: title", fault.title
    for remedy in rule_set.remedies.values():
        yield f"remedy {remedy.id}: action", remedy.action
    for part, title in rule_set.parts.items():
        yield f"part {part}: title", title


def _checks(rule_set: RuleSet) -> Iterator[tuple[str, str]]:
    for check in rule_set.checks.values():
        name = f"check {check.id}"
        yield f"{name}: title", check.title
        yield f"{name}: why", check.why
        for step in check.how:
            yield f"{name}: how", step
        yield f"{name}: expected", check.expected_text
        yield f"{name}: why live", check.why_live or ""
        yield f"{name}: instrument category", check.instrument_category or ""
        for condition in check.conditions:
            yield f"{name}: condition of a reading", condition.title


def _rules(rule_set: RuleSet) -> Iterator[tuple[str, str]]:
    for rule in rule_set.rules:
        yield f"rule {rule.id}: because", rule.because
        for one in rule.consequences:
            if one.kind in ("stop", "contradiction"):
                yield f"rule {rule.id}: {one.kind}", one.text


def _precautions(rule_set: RuleSet) -> Iterator[tuple[str, str]]:
    for precaution in rule_set.precautions.values():
        yield f"precaution {precaution.id}: signal word", precaution.signal_word
        yield f"precaution {precaution.id}: text", precaution.text
    for step in rule_set.preparations.values():
        yield f"preparation {step.id}: title", step.title
        yield f"preparation {step.id}: why", step.why
        for line in step.how:
            yield f"preparation {step.id}: how", line
    for access in rule_set.access.values():
        yield f"place {access.id}: title", access.title
    if rule_set.capacitor is not None:
        yield "in place of a time to wait", NO_WAIT_HELPS


def _words(rule_set: RuleSet) -> Iterator[tuple[str, str]]:
    """The ids that are read as words."""
    for check in rule_set.checks.values():
        for outcome in check.outcomes:
            yield f"outcome of {check.id}", word(outcome)
        for condition in check.conditions:
            for choice in condition.choices:
                yield f"a choice of {check.id}, {condition.id}", word(choice)
    for field in rule_set.nameplate.values():
        for choice in field.choices:
            yield f"a choice of nameplate {field.id}", word(choice)
    for one in (INCONCLUSIVE, INVALID):
        yield "in place of an outcome", word(one)
    for one in (UNLISTED_FAULT, NO_FAULT):
        yield "in place of a fault", word(one)
    for checked in rule_set.checks.values():
        yield f"component of check {checked.id}", word(checked.component)
    for fault in rule_set.faults.values():
        yield f"component of fault {fault.id}", word(fault.component)
