"""From the documents of a rule set folder to the immutable model.

Shape first (the JSON Schema files beside this module, the same that editors use), then meaning:
ids that exist, probabilities that sum to 1, limits in increasing order, units of the right
dimension. Everything that is wrong is collected, with file and line, before anything is raised.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator
from jsonschema.exceptions import best_match
from service.physics.units import UnitError, to_si

from service.ruleset import model as m
from service.ruleset.conditions import ConditionError, branches
from service.ruleset.content_hash import content_hash
from service.ruleset.source import Document, Issue, Path_, RuleSetError, read_document

FILES = ("rule-set", "symptoms", "faults", "checks", "rules", "precautions")
SCHEMAS = Path(__file__).parent / "schemas"
SUM_TOLERANCE = 1e-6


@cache
def _validator(name: str) -> Draft202012Validator:
    schema = json.loads((SCHEMAS / f"{name}.json").read_text(encoding="utf-8"))
    return Draft202012Validator(schema)


def shape_issues(document: Document, schema: str) -> list[Issue]:
    """What the JSON Schema named `schema` finds wrong with a document."""
    issues = []
    for error in _validator(schema).iter_errors(document.data):
        deepest = best_match([error]) or error
        issues.append(document.issue(tuple(deepest.absolute_path), deepest.message[:300]))
    return issues


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
    return _Builder(documents).rule_set()


class _Builder:
    def __init__(self, documents: Mapping[str, Document]) -> None:
        self.documents = documents
        self.issues: list[Issue] = []
        self.groups: dict[str, list[str]] = {}
        self.fault_groups: dict[str, list[str]] = {}

    # -- small tools -----------------------------------------------------------------------

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
        for index, item in enumerate(self.documents[name].data[key]):
            if item["id"] in out:
                self.fail(name, (key, index, "id"), f"duplicate id {item['id']!r}")
            out[item["id"]] = ((key, index), item)
        return out

    # -- the whole -------------------------------------------------------------------------

    def rule_set(self) -> m.RuleSet:
        head = self.documents["rule-set"].data
        self.raw_checks = self.table("checks", "checks")
        self.raw_faults = self.table("faults", "faults")
        self.raw_remedies = self.table("faults", "remedies")
        self.raw_symptoms = self.table("symptoms", "symptoms")
        self.raw_precautions = self.table("precautions", "precautions")
        self.raw_preparations = self.table("precautions", "preparations")
        self.raw_access = self.table("precautions", "access")
        self.tools = dict(head["tools"])
        for check, (_, raw) in self.raw_checks.items():
            for group in raw.get("groups", ()):
                self.groups.setdefault(group, []).append(check)
        for fault, (_, raw) in self.raw_faults.items():
            for group in raw.get("groups", ()):
                self.fault_groups.setdefault(group, []).append(fault)
        if m.UNLISTED_FAULT in self.raw_faults:
            self.fail("faults", ("faults",), f"{m.UNLISTED_FAULT} is built in: do not list it")

        nameplate = {k: self.nameplate_field(k, v) for k, v in head["nameplate"].items()}
        self.nameplate = nameplate
        instruments = {k: self.instrument(k, v) for k, v in head["instruments"].items()}
        capacitor = self.capacitor(head.get("capacitor"))
        precautions = {k: self.precaution(p, raw) for k, (p, raw) in self.raw_precautions.items()}
        preparations = {k: self.preparation(p, r) for k, (p, r) in self.raw_preparations.items()}
        access = {k: self.access(p, raw) for k, (p, raw) in self.raw_access.items()}
        symptoms = {
            k: m.Symptom(k, raw["title"], raw["source"])
            for k, (_, raw) in self.raw_symptoms.items()
        }
        checks = {k: self.check(p, raw) for k, (p, raw) in self.raw_checks.items()}
        remedies = {k: self.remedy(p, raw) for k, (p, raw) in self.raw_remedies.items()}
        faults = {k: self.fault(p, raw) for k, (p, raw) in self.raw_faults.items()}
        rules, predicates = self.rules()
        always = self.known("rule-set", ("always",), head["always"], precautions, "precaution")
        after = self.known(
            "rule-set", ("after_every_repair",), head["after_every_repair"], checks, "check"
        )
        tuning = self.tuning(head["tuning"])
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
            instruments=instruments,
            capacitor=capacitor,
            tuning=tuning,
            always=always,
            after_every_repair=after,
            tools=self.tools,
            symptoms=symptoms,
            faults=faults,
            remedies=remedies,
            checks=checks,
            precautions=precautions,
            preparations=preparations,
            access=access,
            rules=rules,
            predicates=predicates,
        )

    # -- the header ------------------------------------------------------------------------

    def nameplate_field(self, name: str, raw: Mapping[str, Any]) -> m.NameplateField:
        path: Path_ = ("nameplate", name)
        quantity = raw.get("quantity")
        choices = tuple(raw.get("choices", ()))
        default: float | str
        if (quantity is None) == (not choices):
            self.fail("rule-set", path, "give either a quantity or choices")
        if isinstance(raw["default"], Mapping):
            default = self.si("rule-set", path, raw["default"], quantity or "")
        else:
            default = raw["default"]
            if default not in choices:
                self.fail("rule-set", path, f"default {default!r} is not among the choices")

        def optional(key: str) -> float | None:
            return self.si("rule-set", path, raw[key], quantity or "") if key in raw else None

        return m.NameplateField(
            id=name,
            title=raw["title"],
            quantity=quantity,
            choices=choices,
            default=default,
            unit=raw["default"]["unit"] if isinstance(raw["default"], Mapping) else None,
            default_uncertainty=optional("default_uncertainty") or 0.0,
            nominals=tuple(
                self.si("rule-set", path, item, quantity or "") for item in raw.get("nominals", ())
            ),
            deduce_from=self.known(
                "rule-set", path, raw.get("deduce_from", ()), self.raw_checks, "check"
            ),
            least=optional("least"),
            most=optional("most"),
            source=raw["source"],
        )

    def instrument(self, quantity: str, raw: Mapping[str, Any]) -> m.InstrumentDefault:
        path: Path_ = ("instruments", quantity)

        def value(key: str, otherwise: float) -> float:
            return self.si("rule-set", path, raw[key], quantity) if key in raw else otherwise

        return m.InstrumentDefault(
            quantity=quantity,
            percent_of_reading=raw["percent_of_reading"],
            counts=raw["counts"],
            display_counts=raw["display_counts"],
            finest_resolution=value("finest_resolution", 0.0),
            lead_resistance=value("lead_resistance", 0.0),
            lead_uncertainty=value("lead_resistance_uncertainty", 0.0),
            range=value("range", math.inf),
            source=raw["source"],
        )

    def capacitor(self, raw: Mapping[str, str] | None) -> m.Capacitor | None:
        if raw is None:
            return None
        self.known("rule-set", ("capacitor",), raw.values(), self.nameplate, "nameplate field")
        return m.Capacitor(**raw)

    def tuning(self, raw: Mapping[str, Any]) -> m.Tuning:
        names = set(m.Tuning.__dataclass_fields__)
        for key in sorted(names ^ set(raw)):
            word = "missing" if key in names else "unknown"
            self.fail("rule-set", ("tuning",), f"{word} tuning number {key!r}")
        return (
            m.Tuning(**{k: float(v["value"]) for k, v in raw.items() if k in names})
            if (names == set(raw))
            else m.Tuning(*([0.0] * len(names)))
        )

    # -- precautions -----------------------------------------------------------------------

    def precaution(self, path: Path_, raw: Mapping[str, Any]) -> m.Precaution:
        return m.Precaution(
            id=raw["id"],
            signal_word=raw["signal_word"],
            sign=raw.get("sign"),
            text=raw["text"],
            confirm=raw.get("confirm", False),
            withdrawn_by=self.known(
                "precautions", path, raw.get("withdrawn_by", ()), self.raw_precautions, "precaution"
            ),
            source=raw["source"],
        )

    def preparation(self, path: Path_, raw: Mapping[str, Any]) -> m.Preparation:
        self.known("precautions", path, [raw["confirms"]], self.raw_precautions, "precaution")
        if raw["id"] in self.raw_checks:
            self.fail("precautions", path, f"{raw['id']!r} is a check too")
        return m.Preparation(
            id=raw["id"],
            confirms=raw["confirms"],
            title=raw["title"],
            why=raw["why"],
            how=tuple(raw["how"]),
            minutes=raw["minutes"],
            tools=self.known("precautions", path, raw["tools"], self.tools, "tool"),
            precautions=self.known(
                "precautions", path, raw.get("precautions", ()), self.raw_precautions, "precaution"
            ),
            source=raw["source"],
        )

    def access(self, path: Path_, raw: Mapping[str, Any]) -> m.Access:
        requires = self.known(
            "precautions", path, raw["requires"], self.raw_precautions, "precaution"
        )
        prepared = {item["confirms"] for _, item in self.raw_preparations.values()}
        for one in requires:
            if not self.raw_precautions[one][1].get("confirm", False):
                self.fail("precautions", path, f"{one!r} is required but cannot be confirmed")
            if one not in prepared:
                self.fail("precautions", path, f"no preparation confirms {one!r}")
        return m.Access(
            id=raw["id"],
            title=raw["title"],
            requires=requires,
            precautions=self.known(
                "precautions", path, raw.get("precautions", ()), self.raw_precautions, "precaution"
            ),
            powered=raw.get("powered", False),
            closes_with=self.known(
                "precautions", path, raw.get("closes_with", ()), prepared, "preparation for"
            ),
        )

    # -- checks ----------------------------------------------------------------------------

    def check(self, path: Path_, raw: Mapping[str, Any]) -> m.Check:
        scales = self.documents["checks"].data.get("scales", {})
        raw_measures: list[Mapping[str, Any]] = list(raw.get("measures", ()))
        if "scale" in raw:
            if raw["scale"] in scales:
                raw_measures += scales[raw["scale"]]
            else:
                self.fail("checks", path, f"unknown scale {raw['scale']!r}")
        measures = tuple(self.measure(path, item) for item in raw_measures)
        outcomes = tuple(raw.get("outcomes", measures[0].outcomes if measures else ()))
        if not outcomes:
            self.fail("checks", path, "a check needs outcomes, measures or a scale")
        for measure in measures:
            for stray in sorted(set(measure.outcomes) - set(outcomes)):
                self.fail("checks", path, f"measured outcome {stray!r} is not among the outcomes")
        self.known("checks", path, raw["expected"], outcomes, "outcome")
        return m.Check(
            id=raw["id"],
            title=raw["title"],
            component=raw["component"],
            kind="measurement" if measures else "observation",
            scope=raw["scope"],
            access="".join(self.known("checks", path, [raw["access"]], self.raw_access, "access")),
            groups=tuple(raw.get("groups", ())),
            live=raw.get("live", False),
            instrument_category=raw.get("instrument_category"),
            dead_alternatives=self.known(
                "checks", path, raw.get("dead_alternatives", ()), self.raw_checks, "check"
            ),
            why_live=raw.get("why_live"),
            by_rule=raw.get("by_rule", False),
            minutes=raw["minutes"],
            tools=self.known("checks", path, raw["tools"], self.tools, "tool"),
            why=raw["why"],
            how=tuple(raw["how"]),
            expected=tuple(raw["expected"]),
            expected_text=raw["expected_text"],
            outcomes=outcomes,
            measures=measures,
            test_voltage=self.test_voltage(path, raw.get("test_voltage"), outcomes),
            precautions=self.known(
                "checks", path, raw.get("precautions", ()), self.raw_precautions, "precaution"
            ),
            default=self.row((*path, "default"), raw["default"], outcomes),
            rows=self.rows(path, raw["rows"], outcomes),
            source=raw["source"],
        )

    def test_voltage(
        self, path: Path_, raw: Mapping[str, Any] | None, outcomes: tuple[str, ...]
    ) -> m.MeterTestVoltage | None:
        if raw is None:
            return None
        where = (*path, "test_voltage")
        self.known("checks", where, [raw["outcome"], *raw["confused_with"]], outcomes, "outcome")
        return m.MeterTestVoltage(
            outcome=raw["outcome"],
            confused_with=tuple(raw["confused_with"]),
            least=self.si("checks", where, raw["least"], "voltage"),
            assumed=self.si("checks", where, raw["assumed"], "voltage"),
            source=raw["source"],
        )

    def measure(self, path: Path_, raw: Mapping[str, Any]) -> m.Measure:
        outcomes = tuple(item["id"] for item in raw["outcomes"])
        limits = []
        for item in raw["outcomes"][:-1]:
            if "below" not in item:
                self.fail("checks", path, f"outcome {item['id']!r} leaves a hole: give `below`")
            else:
                limits.append(self.limit(path, item["below"], raw))
        if "below" in raw["outcomes"][-1]:
            self.fail("checks", path, "the last outcome must be open upwards: drop its `below`")
        quantity = raw["quantity"]
        self.si("checks", path, {"value": 1.0, "unit": raw["unit"]}, quantity)
        return m.Measure(
            quantity=quantity,
            unit=raw["unit"],
            outcomes=outcomes,
            limits=tuple(limits),
            least=self.si("checks", path, raw["least"], quantity) if "least" in raw else None,
        )

    def limit(self, path: Path_, raw: Mapping[str, Any], measure: Mapping[str, Any]) -> m.Limit:
        quantity = measure["quantity"]
        field = raw.get("of", raw.get("scales_with"))
        if field is not None and field not in self.nameplate:
            self.fail("checks", path, f"unknown nameplate field {field!r}")
            field = None
        reference = 1.0
        if "reference" in raw and field is not None:
            reference = self.si(
                "checks", path, raw["reference"], self.nameplate[field].quantity or ""
            )
        at_least = self.si("checks", path, raw["at_least"], quantity) if "at_least" in raw else None
        return m.Limit(
            factor=raw.get("times", 1.0)
            if "value" not in raw
            else self.si("checks", path, raw, quantity),
            nameplate=field,
            reference=reference,
            power=float(raw.get("power", 1.0)) if field is not None else 0.0,
            at_least=at_least,
            tolerance=raw.get("tolerance"),
            unit=raw.get("unit", measure["unit"]),
            source=raw["source"],
        )

    def row(
        self, path: Path_, raw: Mapping[str, float], outcomes: tuple[str, ...]
    ) -> tuple[float, ...]:
        self.known("checks", path, raw, outcomes, "outcome")
        row = tuple(float(raw.get(outcome, 0.0)) for outcome in outcomes)
        if abs(math.fsum(raw.values()) - 1.0) > SUM_TOLERANCE:
            self.fail("checks", path, f"probabilities sum to {math.fsum(raw.values()):.6g}, not 1")
        if any(p <= 0.0 for p in row):
            # A zero would make a single slip of the hand proof: nothing could outweigh it.
            self.fail("checks", path, "every outcome needs a probability above 0")
        return row

    def rows(
        self, path: Path_, raw: list[Mapping[str, Any]], outcomes: tuple[str, ...]
    ) -> dict[str, tuple[float, ...]]:
        from_group: dict[str, tuple[float, ...]] = {}
        from_id: dict[str, tuple[float, ...]] = {}
        for index, item in enumerate(raw):
            where = (*path, "rows", index)
            row = self.row(where, item["p"], outcomes)
            for ref in item["for"]:
                table = from_group if ref.startswith("group:") else from_id
                for fault in self.expand_faults("checks", where, [ref]):
                    if fault in table:
                        self.fail("checks", where, f"fault {fault!r} has two rows")
                    table[fault] = row
        return from_group | from_id

    def expand_faults(self, name: str, path: Path_, refs: Iterable[str]) -> list[str]:
        out: list[str] = []
        for ref in refs:
            if ref.startswith("group:"):
                if ref[6:] not in self.fault_groups:
                    self.fail(name, path, f"unknown fault group {ref[6:]!r}")
                out += self.fault_groups.get(ref[6:], [])
            else:
                out += self.known(name, path, [ref], [*self.raw_faults, m.UNLISTED_FAULT], "fault")
        return out

    def expand_checks(self, name: str, path: Path_, refs: Iterable[str]) -> list[str]:
        out: list[str] = []
        for ref in refs:
            if ref.startswith("group:"):
                if ref[6:] not in self.groups:
                    self.fail(name, path, f"unknown check group {ref[6:]!r}")
                out += self.groups.get(ref[6:], [])
            else:
                out += self.known(name, path, [ref], self.raw_checks, "check")
        return out

    # -- faults ----------------------------------------------------------------------------

    def fault(self, path: Path_, raw: Mapping[str, Any]) -> m.Fault:
        self.known("faults", path, raw["symptoms"], self.raw_symptoms, "symptom")
        self.known("faults", path, [raw["remedy"]], self.raw_remedies, "remedy")
        total = math.fsum(raw["symptoms"].values())
        if total > 1.0 + SUM_TOLERANCE:
            self.fail("faults", path, f"symptom probabilities sum to {total:.6g}, over 1")
        for group in raw.get("verdict_needs", ()):
            self.known("faults", path, group, self.raw_checks, "check")
        return m.Fault(
            id=raw["id"],
            title=raw["title"],
            component=raw["component"],
            rate=float(raw["rate"]),
            symptoms={k: float(v) for k, v in raw["symptoms"].items()},
            remedy=raw["remedy"],
            verdict_needs=tuple(tuple(group) for group in raw.get("verdict_needs", ())),
            effect=raw.get("effect", False),
            source=raw["source"],
        )

    def remedy(self, path: Path_, raw: Mapping[str, Any]) -> m.Remedy:
        self.known("faults", path, [raw["access"]], self.raw_access, "access")
        return m.Remedy(
            id=raw["id"],
            action=raw["action"],
            minutes=raw["minutes"],
            access=raw["access"],
            parts=tuple(raw["parts"]),
            also_replace=tuple(raw.get("also_replace", ())),
            checks_after=self.known(
                "faults", path, raw.get("checks_after", ()), self.raw_checks, "check"
            ),
            precautions=self.known(
                "faults", path, raw.get("precautions", ()), self.raw_precautions, "precaution"
            ),
            source=raw["source"],
        )

    # -- rules -----------------------------------------------------------------------------

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
        scales = self.documents["checks"].data.get("scales", {})
        first = (measures.get("measures") or scales[measures["scale"]])[0]
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

    def outcomes_of(self, check: str) -> list[str]:
        raw = self.raw_checks[check][1]
        if "outcomes" in raw:
            return list(raw["outcomes"])
        scales = self.documents["checks"].data.get("scales", {})
        measures = raw.get("measures") or scales.get(raw.get("scale"), [{"outcomes": []}])
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
