"""The installed rule sets."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service.ruleset.build import FILES, build, read_folder
from service.ruleset.describe import describe, summarise
from service.ruleset.lint import lint
from service.ruleset.model import RuleSet
from service.ruleset.source import Document, Issue, RuleSetError

_PACKAGE = Path(__file__).resolve().parent.parent


def bundled_rules() -> Path:
    """The folder of the rule sets that come with the service.

    A wheel carries them inside the package; a checkout has them beside it.
    """
    inside = _PACKAGE / "_rules"
    return inside if inside.is_dir() else _PACKAGE.parent / "rules"


@dataclass(frozen=True, slots=True)
class Source:
    """A rule set and where it comes from: its folder, and the documents that were in it."""

    rule_set: RuleSet
    folder: Path
    documents: Mapping[str, Document]


def built(documents: Mapping[str, Document]) -> RuleSet:
    """The model of the shape-checked documents of a rule set, if there is nothing wrong with it.

    Raises:
        RuleSetError: with file and line of everything that is wrong.
    """
    rule_set = build(documents)
    issues = lint(rule_set, documents)
    if issues:
        raise RuleSetError(issues)
    return rule_set


def load_source(folder: Path) -> Source:
    """Read, build and lint the rule set in a folder. Raises RuleSetError."""
    documents = read_folder(folder)
    return Source(built(documents), folder, documents)


def load_rule_set(folder: Path) -> RuleSet:
    """The rule set in a folder. Raises RuleSetError."""
    return load_source(folder).rule_set


class Catalogue:
    """An immutable collection of rule sets, by id."""

    def __init__(self, sources: Mapping[str, Source]) -> None:
        self._sources = dict(sorted(sources.items()))
        self._rule_sets = {name: source.rule_set for name, source in self._sources.items()}

    @classmethod
    def load(cls, extra: Path | None = None) -> Catalogue:
        """The bundled rule sets, and those in `extra`, which add to or replace them by id.

        Raises:
            RuleSetError: if any of them cannot be used, or `extra` holds none.
        """
        issues: list[Issue] = []
        found: dict[str, Source] = {}
        for root in (bundled_rules(), extra):
            if root is None:
                continue
            folders = rule_set_folders(root)
            if not folders:
                message = "no rule set here"
                advice = "Give a folder with a rule-set.yaml, or one of such folders."
                issues.append(Issue(str(root), 0, 0, message, "no-rule-set", "", advice))
            here: list[Source] = []
            for folder in folders:
                try:
                    here.append(load_source(folder))
                except RuleSetError as error:
                    issues.extend(error.issues)
            issues += one_id_twice(here)
            found |= {source.rule_set.id: source for source in here}
        taken: dict[str, str] = {}
        for rule_set in (source.rule_set for source in found.values()):
            other = taken.setdefault(rule_set.equipment, rule_set.id)
            if other != rule_set.id:
                message = f"{rule_set.id} and {other} are both for {rule_set.equipment}"
                advice = "Give each rule set its own `equipment`."
                issues.append(
                    Issue(rule_set.id, 0, 0, message, "equipment-taken", rule_set.id, advice)
                )
        if issues:
            raise RuleSetError(issues)
        return cls(found)

    def ids(self) -> tuple[str, ...]:
        """The ids of the rule sets, sorted."""
        return tuple(self._rule_sets)

    def equipment(self) -> tuple[str, ...]:
        """The types of equipment that can be assessed."""
        return tuple(rule_set.equipment for rule_set in self._rule_sets.values())

    def get(self, rule_set_id: str) -> RuleSet:
        """The rule set of an id. Raises KeyError if there is none."""
        return self._rule_sets[rule_set_id]

    def source(self, rule_set_id: str) -> Source:
        """Where the rule set of an id comes from. Raises KeyError if there is none."""
        return self._sources[rule_set_id]

    def counterpart(self, rule_set: RuleSet) -> Source | None:
        """What one from elsewhere is held against: its namesake, or that for its equipment."""
        if rule_set.id in self._sources:
            return self._sources[rule_set.id]
        other = self.for_equipment(rule_set.equipment)
        return None if other is None else self._sources[other.id]

    def for_equipment(self, equipment: str) -> RuleSet | None:
        """The rule set for a type of equipment, if there is one."""
        return next((r for r in self._rule_sets.values() if r.equipment == equipment), None)

    def summaries(self) -> list[dict[str, Any]]:
        """A line for each rule set, JSON-ready."""
        return [summarise(rule_set) for rule_set in self._rule_sets.values()]

    def description(self, rule_set_id: str) -> dict[str, Any]:
        """All that can be asked of and answered by a rule set, JSON-ready. KeyError if unknown."""
        return describe(self.get(rule_set_id))


def one_id_twice(sources: Iterable[Source]) -> list[Issue]:
    """What is wrong where two folders side by side hold a rule set of the same id."""
    first: dict[str, Path] = {}
    issues = []
    for source in sources:
        name, folder = source.rule_set.id, source.folder
        other = first.setdefault(name, folder)
        if other != folder:
            message = f"{name} is in {other.name} already"
            advice = "Move one of the two folders away, or give it an id of its own."
            file = f"{folder.name}/rule-set.yaml"
            issues.append(Issue(file, 1, 1, message, "id-taken", name, advice))
    return issues


def rule_set_folders(root: Path) -> list[Path]:
    """The rule set folders at a path: itself, or those right below it.

    One file makes it such a folder. Where others are missing its reader says so; passed over, it
    would leave its equipment to bundled rules.
    """
    if _has_rules(root):
        return [root]
    if not root.is_dir():
        return []
    return sorted(filter(_has_rules, root.iterdir()))


def _has_rules(folder: Path) -> bool:
    return any((folder / f"{name}.yaml").is_file() for name in FILES)
