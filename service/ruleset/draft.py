"""The common ground of building a rule set: its raw tables, and the mistakes found so far."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from service.physics.units import UnitError, to_si
from service.ruleset.model import UNLISTED_FAULT, NameplateField
from service.ruleset.source import Document, Issue, Path_

Table = dict[str, tuple[Path_, dict[str, Any]]]


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
        self.scales: dict[str, Any] = documents["checks"].data.get("scales", {})
        self.raw_checks = self.table("checks", "checks")
        self.raw_faults = self.table("faults", "faults")
        self.raw_remedies = self.table("faults", "remedies")
        self.raw_conditions = self.table("faults", "conditions")
        self.raw_symptoms = self.table("symptoms", "symptoms")
        self.raw_precautions = self.table("precautions", "precautions")
        self.raw_preparations = self.table("precautions", "preparations")
        self.raw_access = self.table("precautions", "access")
        self.check_groups = _groups(self.raw_checks)
        self.fault_groups = _groups(self.raw_faults)
        self.nameplate: dict[str, NameplateField] = {}  # read first: limits follow it

    def fail(self, name: str, path: Path_, message: str, rule: str = "") -> None:
        self.issues.append(self.documents[name].issue(path, message, rule))

    def si(self, name: str, path: Path_, raw: Mapping[str, Any], quantity: str) -> float:
        try:
            return to_si(raw["value"], raw["unit"], quantity)
        except (UnitError, ValueError) as error:
            self.fail(name, path, str(error))
            return math.nan

    def known(
        self, name: str, path: Path_, ids: Iterable[str], among: Iterable[str], what: str
    ) -> tuple[str, ...]:
        table = set(among)
        good = []
        for one in ids:
            if one in table:
                good.append(one)
            else:
                self.fail(name, path, f"unknown {what} {one!r}")
        return tuple(good)

    def table(self, name: str, key: str) -> dict[str, tuple[Path_, dict[str, Any]]]:
        out: dict[str, tuple[Path_, dict[str, Any]]] = {}
        for index, item in enumerate(self.documents[name].data.get(key, [])):
            if item["id"] in out:
                self.fail(name, (key, index, "id"), f"duplicate id {item['id']!r}")
            out[item["id"]] = ((key, index), item)
        return out

    def expand_faults(self, name: str, path: Path_, refs: Iterable[str]) -> list[str]:
        out: list[str] = []
        for ref in refs:
            if ref.startswith("group:"):
                if ref[6:] not in self.fault_groups:
                    self.fail(name, path, f"unknown fault group {ref[6:]!r}")
                out += self.fault_groups.get(ref[6:], [])
            else:
                out += self.known(name, path, [ref], [*self.raw_faults, UNLISTED_FAULT], "fault")
        return out

    def expand_checks(self, name: str, path: Path_, refs: Iterable[str]) -> list[str]:
        out: list[str] = []
        for ref in refs:
            if ref.startswith("group:"):
                if ref[6:] not in self.check_groups:
                    self.fail(name, path, f"unknown check group {ref[6:]!r}")
                out += self.check_groups.get(ref[6:], [])
            else:
                out += self.known(name, path, [ref], self.raw_checks, "check")
        return out


def _groups(table: Table) -> dict[str, list[str]]:
    out: dict[str, list[str]] = {}
    for member, (_, raw) in table.items():
        for group in raw.get("groups", ()):
            out.setdefault(group, []).append(member)
    return out
