"""From the documents of a rule set folder to the immutable model.

Shape first (the JSON Schema files beside this module, the same that editors use), then meaning:
ids that exist, probabilities that sum to 1, limits in increasing order, units of the right
dimension. Everything that is wrong is collected, with file and line, before anything is raised.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from service.ruleset import model as m
from service.ruleset.content_hash import content_hash
from service.ruleset.read_checks import CheckReader
from service.ruleset.read_faults import FaultReader
from service.ruleset.read_header import HeaderReader
from service.ruleset.read_precautions import PrecautionReader
from service.ruleset.read_rules import RuleReader
from service.ruleset.shape import shape_issues
from service.ruleset.source import Document, Issue, RuleSetError, read_document

FILES = ("rule-set", "symptoms", "faults", "checks", "rules", "precautions")


def read_folder(folder: Path) -> dict[str, Document]:
    """Read and shape-check the files of a rule set folder.

    Raises:
        RuleSetError: naming every file that is missing, unreadable or of the wrong shape.
    """
    documents: dict[str, Document] = {}
    issues: list[Issue] = []
    for name in FILES:
        shown = f"{folder.name}/{name}.yaml"
        try:
            document = read_document(folder / f"{name}.yaml", shown)
        except RuleSetError as error:
            issues.extend(error.issues)
            continue
        issues.extend(shape_issues(document, name))
        documents[name] = document
    if issues:
        raise RuleSetError(issues)
    return documents


def build(documents: Mapping[str, Document]) -> m.RuleSet:
    """Build the model from shape-checked documents, keyed as in `FILES`.

    Raises:
        RuleSetError: with every modelling mistake found, each with file and line.
    """
    return _Reader(documents).rule_set()


class _Reader(HeaderReader, PrecautionReader, CheckReader, FaultReader, RuleReader):
    """All the readers over one draft."""

    def rule_set(self) -> m.RuleSet:
        head = self.head
        if m.UNLISTED_FAULT in self.raw_faults:
            path, _ = self.raw_faults[m.UNLISTED_FAULT]
            message = f"{m.UNLISTED_FAULT} is built in"
            self.fail("faults", path, "built-in-fault", message, "Do not list it.")

        nameplate = {k: self.nameplate_field(k, v) for k, v in head["nameplate"].items()}
        self.nameplate = nameplate
        plates = {k: self.plate(k, path, raw) for k, (path, raw) in self.raw_plates.items()}
        instruments = {k: self.instrument(k, v) for k, v in head["instruments"].items()}
        capacitor = self.capacitor(head.get("capacitor"))
        precautions = {k: self.precaution(p, raw) for k, (p, raw) in self.raw_precautions.items()}
        preparations = {k: self.preparation(p, r) for k, (p, r) in self.raw_preparations.items()}
        access = {k: self.access(p, raw) for k, (p, raw) in self.raw_access.items()}
        symptoms = {k: self.symptom(p, raw) for k, (p, raw) in self.raw_symptoms.items()}
        checks = {k: self.check(p, raw) for k, (p, raw) in self.raw_checks.items()}
        remedies = {k: self.remedy(p, raw) for k, (p, raw) in self.raw_remedies.items()}
        parts = {k: raw["title"] for k, (_, raw) in self.raw_parts.items()}
        conditions = {k: self.condition(p, raw) for k, (p, raw) in self.raw_conditions.items()}
        faults = {k: self.fault(p, raw) for k, (p, raw) in self.raw_faults.items()}
        rules, predicates = self.rules()
        always = self.known("rule-set", ("always",), head["always"], precautions, "precaution")
        after = self.known(
            "rule-set", ("after_every_repair",), head["after_every_repair"], checks, "check"
        )
        unreleased = self.known(
            "rule-set",
            ("when_not_released",),
            head.get("when_not_released", ()),
            precautions,
            "precaution",
        )
        tuning = self.tuning(head["tuning"])
        self.misspelt_groups()
        costs = self.costs(head["costs"])
        if self.issues:
            raise RuleSetError(self.issues)
        return m.RuleSet(
            id=head["id"],
            equipment=head["equipment"],
            version=head["version"],
            title=head["title"],
            description=head["description"],
            jurisdictions=head["jurisdictions"],
            sources=tuple(head["sources"]),
            content_hash=content_hash({k: d.data for k, d in self.documents.items()}),
            nameplate=nameplate,
            plates=plates,
            instruments=instruments,
            capacitor=capacitor,
            tuning=tuning,
            minutes_source=head["minutes_source"],
            always=always,
            after_every_repair=after,
            when_not_released=unreleased,
            costs=costs,
            tools=self.tools,
            symptoms=symptoms,
            conditions=conditions,
            faults=faults,
            remedies=remedies,
            parts=parts,
            checks=checks,
            precautions=precautions,
            preparations=preparations,
            access=access,
            rules=rules,
            predicates=predicates,
        )
