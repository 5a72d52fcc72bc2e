"""The common ground of building a rule set: its raw tables, and the mistakes found so far."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping
from typing import Any

from service.alike import alike
from service.physics.units import UnitError, to_si
from service.problems import sentence
from service.ruleset.compose import Path_
from service.ruleset.header import NameplateField
from service.ruleset.model import GROUPS_INSIDE, UNLISTED_FAULT
from service.ruleset.near import hint
from service.ruleset.source import Document, Issue, RuleSetError

Table = dict[str, tuple[Path_, dict[str, Any]]]

MOST_ISSUES = 1000  # who wrote it has enough to do
# Written probabilities are rounded; their sum may be off by this much.
SUM_TOLERANCE = 1e-6


class Draft:
    """Shape-checked documents, keyed by file name, on the way to a model.

    The readers of the parts build on it; each mistake goes to `issues` and reading goes on, so
    that an author sees all of them at once.
    """

    def __init__(self, documents: Mapping[str, Document]) -> None:
        self.documents = documents
        self.issues: list[Issue] = []
        self.head: dict[str, Any] = documents["rule-set"].data
        self.tools: dict[str, str] = dict(self.head["tools"])
        # Part of every row of a measured check, so it is needed before the other tuning numbers.
        self.slip = float(self.head["tuning"].get("slip", {}).get("value", 0.0))
        self.scales: dict[str, Any] = documents["checks"].data.get("scales", {})
        self.raw_plates = self.table("rule-set", "plates")
        self.raw_checks = self.table("checks", "checks")
        self.raw_faults = self.table("faults", "faults")
        self.raw_remedies = self.table("faults", "remedies")
        self.raw_parts = self.table("faults", "parts")
        self.raw_conditions = self.table("faults", "conditions")
        self.raw_symptoms = self.table("symptoms", "symptoms")
        self.raw_precautions = self.table("precautions", "precautions")
        self.raw_preparations = self.table("precautions", "preparations")
        self.raw_access = self.table("precautions", "access")
        self.check_groups = _groups(self.raw_checks)
        self.fault_groups = _groups(self.raw_faults)
        self.used_groups: set[tuple[str, str]] = set()
        self.nameplate: dict[str, NameplateField] = {}  # read first: limits follow it

    def fail(self, name: str, path: Path_, code: str, message: str, advice: str) -> None:
        """Note a mistake at a node of the document `name`."""
        self.issues.append(self.documents[name].issue(path, message, rule=code, advice=advice))
        if len(self.issues) >= MOST_ISSUES:
            raise RuleSetError(self.issues)

    def si(self, name: str, path: Path_, raw: Mapping[str, Any], quantity: str) -> float:
        try:
            return to_si(raw["value"], raw["unit"], quantity)
        except UnitError as error:
            self.fail(name, path, "unit", str(error), f"Give a {quantity} with its UCUM code.")
            return math.nan

    def known(
        self,
        name: str,
        path: Path_,
        ids: Iterable[str],
        among: Collection[str],
        what: str,
    ) -> tuple[str, ...]:
        """Those of the ids that stand at `path` (a list or a mapping) that exist."""
        keyed = isinstance(ids, Mapping)
        good = []
        for index, one in enumerate(ids):
            if one in among:
                good.append(one)
            else:
                place = (*path, one if keyed else index)
                self.unknown(name, place, what, one, among)
        return tuple(good)

    def precautions_of(self, name: str, path: Path_, raw: Mapping[str, Any]) -> tuple[str, ...]:
        """The precautions that an item lists."""
        ids = raw.get("precautions", ())
        return self.known(name, (*path, "precautions"), ids, self.raw_precautions, "precaution")

    def place(self, raw: Mapping[str, Any]) -> Mapping[str, Any]:
        """The access that an item names, as it is written; empty where there is none of that id."""
        _, written = self.raw_access.get(raw["access"], ((), {}))
        return written

    def unknown(self, name: str, path: Path_, what: str, one: str, among: Iterable[str]) -> None:
        """Note an id that does not exist, and the nearest one that does."""
        # Looking for near misses takes time; whoever has made so many mistakes can do without.
        near = sentence(hint(what, one, among)) if len(self.issues) < 100 else "Use a known id."
        self.fail(name, path, "unknown-id", f"unknown {what} {one!r}", near)

    def table(self, name: str, key: str) -> Table:
        out: Table = {}
        for index, item in enumerate(self.documents[name].data.get(key, [])):
            if item["id"] in out:
                message = f"duplicate id {item['id']!r}"
                self.fail(name, (key, index, "id"), "duplicate-id", message, "Give it its own id.")
            out[item["id"]] = ((key, index), item)
        return out

    def expand_faults(self, name: str, path: Path_, refs: Iterable[str]) -> list[str]:
        known = [*self.raw_faults, UNLISTED_FAULT]
        return self.expand(name, path, refs, known, self.fault_groups, "fault")

    def expand_checks(self, name: str, path: Path_, refs: Iterable[str]) -> list[str]:
        return self.expand(name, path, refs, self.raw_checks, self.check_groups, "check")

    def expand(
        self,
        name: str,
        path: Path_,
        refs: Iterable[str],
        known: Collection[str],
        groups: Mapping[str, list[str]],
        what: str,
    ) -> list[str]:
        """Ids as they are, and the members of each `group:NAME`."""
        out: list[str] = []
        for index, ref in enumerate(refs):
            group = ref.removeprefix("group:")
            if group != ref and group in groups:
                self.used_groups.add((what, group))
                out += groups[group]
            elif group != ref:
                self.unknown(name, (*path, index), f"{what} group", group, groups)
            elif ref in known:
                out.append(ref)
            else:
                self.unknown(name, (*path, index), what, ref, known)
        return out

    def misspelt_groups(self) -> None:
        """Note groups that nothing asks for and that are nearly one which something does: with
        one letter wrong a member escapes the rules for its group."""
        for what, name, table in (
            ("check", "checks", self.raw_checks),
            ("fault", "faults", self.raw_faults),
        ):
            used = {group for kind, group in self.used_groups if kind == what}
            used |= GROUPS_INSIDE if what == "check" else set()
            for path, raw in table.values():
                for index, group in enumerate(raw.get("groups", ())):
                    near = alike(group, sorted(used), cutoff=0.85)
                    if group not in used and near:
                        message = f"nothing asks for the {what} group {group!r}"
                        advice = f"Did you mean {near[0]!r}?"
                        self.fail(name, (*path, "groups", index), "misspelt-group", message, advice)


def _groups(table: Table) -> dict[str, list[str]]:
    out: dict[str, list[str]] = {}
    for member, (_, raw) in table.items():
        for group in raw.get("groups", ()):
            out.setdefault(group, []).append(member)
    return out
