"""The header of a rule set: nameplate, instruments, the numbers of the reasoning."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from service.ruleset.compose import Path_
from service.ruleset.draft import Draft
from service.ruleset.header import (
    Capacitor,
    Costs,
    InstrumentDefault,
    NameplateField,
    Plate,
    PriceClass,
    Tuning,
)


class HeaderReader(Draft):
    """Reads `rule-set.yaml`."""

    def nameplate_field(self, name: str, raw: Mapping[str, Any]) -> NameplateField:
        path: Path_ = ("nameplate", name)
        quantity = raw.get("quantity")
        choices = tuple(raw.get("choices", ()))
        default: float | str
        if (quantity is None) == (not choices):
            message = "neither or both of `quantity` and `choices`"
            self.fail("rule-set", path, "nameplate-kind", message, "Give one of the two.")
        if isinstance(raw["default"], Mapping):
            default = self.si("rule-set", (*path, "default"), raw["default"], quantity or "")
        else:
            default = raw["default"]
            self.known("rule-set", (*path, "default"), [raw["default"]], choices, "choice")

        def optional(key: str) -> float | None:
            if key not in raw:
                return None
            return self.si("rule-set", (*path, key), raw[key], quantity or "")

        field = NameplateField(
            id=name,
            title=raw["title"],
            quantity=quantity,
            choices=choices,
            default=default,
            unit=raw["default"]["unit"] if isinstance(raw["default"], Mapping) else None,
            default_uncertainty=optional("default_uncertainty") or 0.0,
            nominals=tuple(
                self.si("rule-set", (*path, "nominals", index), item, quantity or "")
                for index, item in enumerate(raw.get("nominals", ()))
            ),
            deduce_from=self.known(
                "rule-set",
                (*path, "deduce_from"),
                raw.get("deduce_from", ()),
                self.raw_checks,
                "check",
            ),
            deviation=self.deviation(path, raw),
            least=optional("least"),
            most=optional("most"),
            source=raw["source"],
        )
        self.bounds(path, field)
        return field

    def deviation(self, path: Path_, raw: Mapping[str, Any]) -> tuple[float, float]:
        """How far from its nominal a value is met in use; (1, 1) where nothing is deduced."""
        given = raw.get("deviation")
        if given is None:
            if raw.get("deduce_from"):
                message = "`deduce_from` without `deviation`"
                advice = "Say how far from its nominal a value is met in use."
                self.fail("rule-set", (*path, "deduce_from"), "nameplate-bounds", message, advice)
            return 1.0, 1.0
        if not given["least"] <= 1.0 <= given["most"]:
            message, advice = "1 is not within `least` to `most`", "A nominal value is met in use."
            self.fail("rule-set", (*path, "deviation"), "nameplate-bounds", message, advice)
        return float(given["least"]), float(given["most"])

    def plate(self, name: str, path: Path_, raw: Mapping[str, Any]) -> Plate:
        """A plate. Its id is sent where those of checks are, so it must not be one of them."""
        if name in self.raw_checks:
            message, advice = f"{name!r} is a check, too", "Give the plate an id of its own."
            self.fail("rule-set", (*path, "id"), "duplicate-id", message, advice)
        if self.place(raw).get("powered"):
            message, advice = "a plate that is read energised", "Take a place that is dead."
            self.fail("rule-set", (*path, "access"), "plate-energised", message, advice)
        fields = self.known(
            "rule-set", (*path, "fields"), raw["fields"], self.nameplate, "nameplate field"
        )
        self.known("rule-set", (*path, "access"), [raw["access"]], self.raw_access, "access")
        return Plate(
            id=name,
            title=raw["title"],
            fields=fields,
            access=raw["access"],
            minutes=float(raw["minutes"]),
            tools=self.known("rule-set", (*path, "tools"), raw["tools"], self.tools, "tool"),
            why=raw["why"],
            how=tuple(raw["how"]),
            precautions=self.precautions_of("rule-set", path, raw),
            source=raw["source"],
        )

    def bounds(self, path: Path_, field: NameplateField) -> None:
        """Note a nameplate value that the rule set takes by itself and would not accept."""
        if isinstance(field.default, str) or math.isnan(field.default):
            return
        least = -math.inf if field.least is None else field.least
        most = math.inf if field.most is None else field.most
        if least >= most:
            message, advice = "`least` is not below `most`", "Mend one: no value would be accepted."
            self.fail("rule-set", (*path, "least"), "nameplate-bounds", message, advice)
            return
        for key, values in (("default", (field.default,)), ("nominals", field.nominals)):
            if not all(least <= value <= most for value in values):
                message = f"`{key}` lies outside `least` to `most`"
                advice = "What is taken unless told otherwise must be a value that is accepted."
                self.fail("rule-set", (*path, key), "nameplate-bounds", message, advice)
        if field.default_uncertainty < 0.0:
            where = (*path, "default_uncertainty")
            advice = "Give the standard uncertainty of the assumed value, 0 or more."
            self.fail("rule-set", where, "nameplate-bounds", "an uncertainty below 0", advice)

    def instrument(self, quantity: str, raw: Mapping[str, Any]) -> InstrumentDefault:
        path: Path_ = ("instruments", quantity)

        def value(key: str, otherwise: float) -> float:
            if key not in raw:
                return otherwise
            return self.si("rule-set", (*path, key), raw[key], quantity)

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
        for key, field in raw.items():
            where = ("capacitor", key)
            self.known("rule-set", where, [field], self.nameplate, "nameplate field")
        return Capacitor(**raw)

    def costs(self, raw: Mapping[str, Any]) -> Costs:
        visit, classes = raw["second_visit"], raw["price_classes"]
        if "none" not in classes:
            message = "the class 'none' is missing"
            advice = "Add it, with 0 minutes, for remedies without parts."
            self.fail("rule-set", ("costs", "price_classes"), "price-class", message, advice)
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
        self.known("rule-set", ("tuning",), raw, names, "tuning number")
        for key in sorted(names - set(raw)):
            message = f"missing tuning number {key!r}"
            self.fail("rule-set", ("tuning",), "tuning-missing", message, f"Add {key!r}.")
        return (
            Tuning(**{k: float(v["value"]) for k, v in raw.items() if k in names})
            if (names == set(raw))
            else Tuning(*([0.0] * len(names)))
        )
