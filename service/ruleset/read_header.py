"""The header of a rule set: nameplate, instruments, the numbers of the reasoning."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from service.ruleset.draft import Draft
from service.ruleset.header import (
    Capacitor,
    Costs,
    InstrumentDefault,
    NameplateField,
    PriceClass,
    Tuning,
)
from service.ruleset.source import Path_


class HeaderReader(Draft):
    """Reads `rule-set.yaml`."""

    def nameplate_field(self, name: str, raw: Mapping[str, Any]) -> NameplateField:
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

        return NameplateField(
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

    def instrument(self, quantity: str, raw: Mapping[str, Any]) -> InstrumentDefault:
        path: Path_ = ("instruments", quantity)

        def value(key: str, otherwise: float) -> float:
            return self.si("rule-set", path, raw[key], quantity) if key in raw else otherwise

        return InstrumentDefault(
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

    def capacitor(self, raw: Mapping[str, str] | None) -> Capacitor | None:
        if raw is None:
            return None
        self.known("rule-set", ("capacitor",), raw.values(), self.nameplate, "nameplate field")
        return Capacitor(**raw)

    def costs(self, raw: Mapping[str, Any]) -> Costs:
        visit, classes = raw["second_visit"], raw["price_classes"]
        if "none" not in classes:
            self.fail("rule-set", ("costs", "price_classes"), "the class 'none' is missing")
        return Costs(
            second_visit=float(visit["minutes"]),
            second_visit_source=visit["source"],
            price_classes={
                name: PriceClass(float(one["minutes"]), float(one["carry"]), one["source"])
                for name, one in classes.items()
            },
        )

    def tuning(self, raw: Mapping[str, Any]) -> Tuning:
        names = set(Tuning.__dataclass_fields__)
        for key in sorted(names ^ set(raw)):
            word = "missing" if key in names else "unknown"
            self.fail("rule-set", ("tuning",), f"{word} tuning number {key!r}")
        return (
            Tuning(**{k: float(v["value"]) for k, v in raw.items() if k in names})
            if (names == set(raw))
            else Tuning(*([0.0] * len(names)))
        )
