"""Complaints, faults, what they leave behind, remedies and parts."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from service.ruleset import model as m
from service.ruleset.compose import Path_
from service.ruleset.draft import SUM_TOLERANCE, Draft
from service.ruleset.near import near


class FaultReader(Draft):
    """Reads `symptoms.yaml` and `faults.yaml`."""

    def symptom(self, path: Path_, raw: Mapping[str, Any]) -> m.Symptom:
        needs = self.groups_of_checks("symptoms", path, raw.get("verdict_needs", ()))
        proof = self.known(
            "symptoms", (*path, "proven_by"), raw.get("proven_by", ()), self.raw_checks, "check"
        )
        return m.Symptom(raw["id"], raw["title"], needs, proof, raw["source"])

    def groups_of_checks(
        self, name: str, path: Path_, raw: Iterable[Iterable[str]]
    ) -> tuple[tuple[str, ...], ...]:
        return tuple(
            self.known(name, (*path, "verdict_needs", index), group, self.raw_checks, "check")
            for index, group in enumerate(raw)
        )

    def condition(self, path: Path_, raw: Mapping[str, Any]) -> m.Condition:
        for key in ("symptom_weights", "given_symptom"):
            self.known("faults", (*path, key), raw.get(key, {}), self.raw_symptoms, "symptom")
        return m.Condition(
            id=raw["id"],
            title=raw["title"],
            parts=self.parts_of(path, raw, "parts"),
            unlisted=float(raw["unlisted"]),
            given_symptom={k: float(v) for k, v in raw.get("given_symptom", {}).items()},
            symptom_weights={k: float(v) for k, v in raw["symptom_weights"].items()},
            shows=shown_in(raw),
            source=raw["source"],
        )

    def fault(self, path: Path_, raw: Mapping[str, Any]) -> m.Fault:
        self.known("faults", (*path, "remedy"), [raw["remedy"]], self.raw_remedies, "remedy")
        conditions, causes = raw.get("conditions", {}), raw.get("causes", {})
        for key, shares, among, what in (
            ("symptoms", raw["symptoms"], self.raw_symptoms, "symptom"),
            ("conditions", conditions, self.raw_conditions, "condition"),
            ("causes", causes, self.raw_faults, "fault"),
        ):
            self.known("faults", (*path, key), shares, among, what)
            total = math.fsum(shares.values())
            if total > 1.0 + SUM_TOLERANCE:
                message = f"the probabilities of `{key}` sum to {total:.6g}, over 1"
                advice = "They are of one fault: make them sum to 1 at most."
                self.fail("faults", (*path, key), "over-one", message, advice)
        return m.Fault(
            id=raw["id"],
            title=raw["title"],
            component=raw["component"],
            rate=float(raw["rate"]),
            symptoms={k: float(v) for k, v in raw["symptoms"].items()},
            conditions={k: float(v) for k, v in conditions.items()},
            causes={k: float(v) for k, v in causes.items()},
            remedy=raw["remedy"],
            verdict_needs=self.groups_of_checks("faults", path, raw.get("verdict_needs", ())),
            effect=raw.get("effect", False),
            dangerous=raw.get("dangerous", False),
            least_confidence=raw.get("least_confidence", 0.0),
            unnoticed=raw.get("unnoticed"),
            source=raw["source"],
        )

    def parts_of(self, path: Path_, raw: Mapping[str, Any], key: str) -> tuple[str, ...]:
        """The parts that an item lists under `key`. Each must have a title, for people to read."""
        listed = tuple(raw.get(key, ()))
        for index, part in enumerate(listed):
            if part not in self.raw_parts:
                like = near(part, self.raw_parts)
                advice = "Add" if like is None else f"Did you mean {like!r}? If not, add"
                self.fail(
                    "faults",
                    (*path, key, index),
                    "untitled-part",
                    f"the part {part!r} has no title",
                    f"{advice} it to `parts` with one.",
                )
        return listed

    def price_class(self, path: Path_, raw: Mapping[str, Any]) -> str:
        named = raw.get("price_class", "none")
        if raw["parts"] and "price_class" not in raw:
            message = "a remedy with parts has no price_class"
            self.fail("faults", path, "price-class", message, "Say what its parts cost.")
        if "price_class" in raw:
            where, classes = (*path, "price_class"), self.head["costs"]["price_classes"]
            self.known("faults", where, [named], classes, "price class")
        return str(named)

    def remedy(self, path: Path_, raw: Mapping[str, Any]) -> m.Remedy:
        self.known("faults", (*path, "access"), [raw["access"]], self.raw_access, "access")
        return m.Remedy(
            id=raw["id"],
            action=raw["action"],
            minutes=raw["minutes"],
            access=raw["access"],
            parts=self.parts_of(path, raw, "parts"),
            price_class=self.price_class(path, raw),
            also_replace=self.parts_of(path, raw, "also_replace"),
            checks_after=self.known(
                "faults",
                (*path, "checks_after"),
                raw.get("checks_after", ()),
                self.raw_checks,
                "check",
            ),
            precautions=self.precautions_of("faults", path, raw),
            source=raw["source"],
        )


def shown_in(condition: Mapping[str, Any]) -> float | None:
    """In which share of the readings a fault shows that comes and goes; None for what stays."""
    if condition.get("dormant", False):
        return 0.0
    share: float | None = condition.get("shows")
    return share
