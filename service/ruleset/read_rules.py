"""Rules: conditions with known ids, in disjunctive form, and their consequences."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from service.physics.units import UnitError
from service.problems import sentence
from service.ruleset import model as m
from service.ruleset.compose import Path_
from service.ruleset.conditions import ConditionError, branches
from service.ruleset.draft import Draft
from service.ruleset.near import hint


class RuleReader(Draft):
    """Reads `rules.yaml`."""

    def rules(self) -> tuple[tuple[m.Rule, ...], tuple[m.Predicate, ...]]:
        predicates: dict[str, m.Predicate] = {}
        rules = []
        for rule_id, (path, raw) in self.table("rules", "rules").items():
            where = (*path, "when")
            try:
                condition = self.checked_condition(where, raw["when"])
                found = branches(condition, self.quantity_of, predicates)
            except ConditionError as error:
                self.fail("rules", where, error.code, str(error), error.advice)
                continue
            except UnitError as error:
                self.fail("rules", where, "unit", str(error), "Give a UCUM code that fits.")
                continue
            consequences = tuple(
                self.consequence((*path, "then", index), item, rule_id)
                for index, item in enumerate(raw["then"])
            )
            rules.append(m.Rule(rule_id, raw["because"], found, consequences, raw["source"]))
        return tuple(rules), tuple(predicates[token] for token in sorted(predicates))

    def quantity_of(self, subject: str, name: str) -> str | None:
        if subject == "nameplate":
            if name not in self.nameplate:
                raise ConditionError(
                    f"unknown nameplate field {name!r}",
                    "unknown-id",
                    sentence(hint("nameplate field", name, self.nameplate)),
                )
            return self.nameplate[name].quantity
        raw = self.raw_checks.get(name, ((), {}))[1]
        measures = raw.get("measures") or self.scales.get(raw.get("scale", ""))
        if not measures:
            raise ConditionError(
                f"there is no measured check {name!r}",
                "comparison",
                "Name a check with `measures` or a `scale`, or ask for its outcome.",
            )
        return str(measures[0]["quantity"])

    def checked_condition(self, path: Path_, node: Mapping[str, Any]) -> dict[str, Any]:
        """The condition with its ids checked and check groups expanded into `any`."""
        if "not" in node:
            return {"not": self.checked_condition((*path, "not"), node["not"])}
        for key in ("all", "any"):
            if key in node:
                return {
                    key: [
                        self.checked_condition((*path, key, index), part)
                        for index, part in enumerate(node[key])
                    ]
                }
        for key in ("finding", "earlier"):
            if key in node and self.ids(path, node, key, self.raw_checks, "check"):
                for outcome in ("outcome", "possible"):
                    self.ids(path, node, outcome, self.outcomes_of(node[key]), "outcome")
        self.ids(path, node, "replaced", self.parts(), "part")
        self.ids(path, node, "symptom", self.raw_symptoms, "symptom")
        self.ids(path, node, "confirmed", self.raw_precautions, "precaution")
        self.ids(path, node, "required", self.raw_precautions, "precaution")
        words = self.nameplate.get(node.get("nameplate", ""))
        if words is not None and words.choices:
            for comparison in ("eq", "ne", "in"):
                if isinstance(node.get(comparison, ""), str | list):
                    self.ids(path, node, comparison, words.choices, "choice")
        if "admitted" in node:
            checks = self.expand_checks("rules", (*path, "admitted"), [node["admitted"]])
            return {"any": [{"admitted": check} for check in checks]}
        return dict(node)

    def ids(
        self, path: Path_, node: Mapping[str, Any], key: str, among: Collection[str], what: str
    ) -> tuple[str, ...]:
        """Those of the ids under `key`, one or a list, that exist."""
        wanted = node.get(key, [])
        wanted = wanted if isinstance(wanted, list) else [wanted]
        return self.known("rules", (*path, key), wanted, among, what)

    def parts(self) -> set[str]:
        """Every part that a remedy replaces."""
        remedies = [raw for _, raw in self.raw_remedies.values()]
        return {part for raw in remedies for part in (*raw["parts"], *raw.get("also_replace", ()))}

    def outcomes_of(self, check: str) -> list[str]:
        raw = self.raw_checks[check][1]
        if "outcomes" in raw:
            return list(raw["outcomes"])
        measures = raw.get("measures") or self.scales.get(raw.get("scale", ""))
        if not measures:  # that is told elsewhere; what else is asked of it goes by its rows
            return list(raw["default"]["p"])
        return [one["id"] for one in measures[0]["outcomes"]]

    def consequence(self, path: Path_, raw: Mapping[str, Any], rule: str) -> m.Consequence:
        def refs(key: str) -> list[str]:
            return raw[key] if isinstance(raw[key], list) else [raw[key]]

        for key, kind in (
            ("admit", "admit"),
            ("bar", "bar"),
            ("prefer", "prefer"),
            ("follow_up", "follow-up"),
        ):
            if key in raw:
                checks = self.expand_checks("rules", (*path, key), refs(key))
                return m.Consequence(kind, tuple(checks))  # type: ignore[arg-type]
        if "exclude" in raw:
            excluded = self.expand_faults("rules", (*path, "exclude"), refs("exclude"))
            return m.Consequence("exclude", tuple(excluded))
        if "weigh" in raw:
            targets = tuple(self.expand_faults("rules", (*path, "weigh"), refs("weigh")))
            return m.Consequence("weigh", targets, ratio=float(raw["ratio"]), text=raw["source"])
        if "require" in raw:
            return m.Consequence(
                "require", self.ids(path, raw, "require", self.raw_precautions, "precaution")
            )
        if "stop" in raw:
            return m.Consequence("stop", (rule,), text=raw["stop"])
        if "contradiction" in raw:
            targets = self.ids(path, raw, "contradiction", self.raw_checks, "check")
            return m.Consequence("contradiction", targets, text=raw["message"])
        return m.Consequence("derive", (raw["derive"],))
