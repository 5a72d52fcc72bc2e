"""Rules: conditions with known ids, in disjunctive form, and their consequences."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.physics.units import UnitError
from service.ruleset import model as m
from service.ruleset.conditions import ConditionError, branches
from service.ruleset.draft import Draft
from service.ruleset.source import Path_


class RuleReader(Draft):
    """Reads `rules.yaml`."""

    def rules(self) -> tuple[tuple[m.Rule, ...], tuple[m.Predicate, ...]]:
        predicates: dict[str, m.Predicate] = {}
        rules = []
        for rule_id, (path, raw) in self.table("rules", "rules").items():
            try:
                condition = self.checked_condition(path, raw["when"])
                found = branches(condition, self.quantity_of, predicates)
            except (ConditionError, UnitError) as error:
                self.fail("rules", (*path, "when"), str(error), rule_id)
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
                raise ConditionError(f"unknown nameplate field {name!r}")
            return self.nameplate[name].quantity
        measures = self.raw_checks.get(name, ((), {}))[1]
        if not measures.get("measures") and "scale" not in measures:
            raise ConditionError(f"check {name!r} is not measured")
        first = (measures.get("measures") or self.scales[measures["scale"]])[0]
        return str(first["quantity"])

    def checked_condition(self, path: Path_, node: Mapping[str, Any]) -> dict[str, Any]:
        """The condition with its ids checked and check groups expanded into `any`."""
        if "not" in node:
            return {"not": self.checked_condition(path, node["not"])}
        for key in ("all", "any"):
            if key in node:
                return {key: [self.checked_condition(path, part) for part in node[key]]}
        if "finding" in node:
            check = node["finding"]
            if self.known("rules", path, [check], self.raw_checks, "check"):
                wanted = node.get("outcome", node.get("possible", []))
                wanted = wanted if isinstance(wanted, list) else [wanted]
                self.known("rules", path, wanted, self.outcomes_of(check), "outcome")
        elif "earlier" in node:
            check = node["earlier"]
            if self.known("rules", path, [check], self.raw_checks, "check"):
                wanted = node["possible"]
                wanted = wanted if isinstance(wanted, list) else [wanted]
                self.known("rules", path, wanted, self.outcomes_of(check), "outcome")
        elif "replaced" in node:
            wanted = node["replaced"] if isinstance(node["replaced"], list) else [node["replaced"]]
            self.known("rules", path, wanted, self.parts(), "part")
        elif "symptom" in node:
            wanted = node["symptom"] if isinstance(node["symptom"], list) else [node["symptom"]]
            self.known("rules", path, wanted, self.raw_symptoms, "symptom")
        elif "confirmed" in node or "required" in node:
            one = node.get("confirmed", node.get("required"))
            self.known("rules", path, [str(one)], self.raw_precautions, "precaution")
        elif "admitted" in node:
            checks = self.expand_checks("rules", path, [node["admitted"]])
            return {"any": [{"admitted": check} for check in checks]}
        return dict(node)

    def parts(self) -> set[str]:
        """Every part that a remedy replaces."""
        remedies = [raw for _, raw in self.raw_remedies.values()]
        return {part for raw in remedies for part in (*raw["parts"], *raw.get("also_replace", ()))}

    def outcomes_of(self, check: str) -> list[str]:
        raw = self.raw_checks[check][1]
        if "outcomes" in raw:
            return list(raw["outcomes"])
        measures = raw.get("measures") or self.scales.get(raw.get("scale", ""), [{"outcomes": []}])
        return [item["id"] for item in measures[0]["outcomes"]]

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
                checks = self.expand_checks("rules", path, refs(key))
                return m.Consequence(kind, tuple(checks))  # type: ignore[arg-type]
        if "exclude" in raw:
            return m.Consequence(
                "exclude", tuple(self.expand_faults("rules", path, refs("exclude")))
            )
        if "weigh" in raw:
            targets = tuple(self.expand_faults("rules", path, refs("weigh")))
            return m.Consequence("weigh", targets, ratio=float(raw["ratio"]), text=raw["source"])
        if "require" in raw:
            targets = self.known("rules", path, refs("require"), self.raw_precautions, "precaution")
            return m.Consequence("require", targets)
        if "stop" in raw:
            return m.Consequence("stop", (rule,), text=raw["stop"])
        if "contradiction" in raw:
            targets = self.known("rules", path, raw["contradiction"], self.raw_checks, "check")
            return m.Consequence("contradiction", targets, text=raw["message"])
        return m.Consequence("derive", (raw["derive"],))
