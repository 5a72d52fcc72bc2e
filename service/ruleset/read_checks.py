"""Checks: outcomes, limits and likelihood rows."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from service.ruleset import model as m
from service.ruleset.compose import Path_
from service.ruleset.draft import SUM_TOLERANCE, Draft
from service.ruleset.header import NameplateField
from service.ruleset.read_faults import shown_in

# With which a limit may follow the nameplate.
MOST_POWER = 4.0
# The outcome of a check of a part that this equipment has not.
NOT_FITTED = "not-fitted"


class CheckReader(Draft):
    """Reads `checks.yaml`."""

    def check(self, path: Path_, raw: Mapping[str, Any]) -> m.Check:
        raw_measures: list[Mapping[str, Any]] = list(raw.get("measures", ()))
        if "scale" in raw:
            self.known("checks", (*path, "scale"), [raw["scale"]], self.scales, "scale")
            raw_measures += self.scales.get(raw["scale"], ())
        own = len(raw.get("measures", ()))
        measures = tuple(
            self.measure((*path, "measures", at) if at < own else (*path, "scale"), item)
            for at, item in enumerate(raw_measures)
        )
        outcomes = tuple(raw.get("outcomes", measures[0].outcomes if measures else ()))
        if not outcomes:
            if "scale" not in raw:
                advice = "Give `outcomes`, `measures` or a `scale`."
                self.fail("checks", path, "no-outcomes", "a check without outcomes", advice)
            outcomes = tuple(raw["default"]["p"])
        for measure in measures:
            for stray in sorted(set(measure.outcomes) - set(outcomes)):
                message = f"measured outcome {stray!r} is not among the outcomes"
                advice = "List it in `outcomes`, or drop those that repeat what is measured."
                self.fail("checks", path, "stray-outcome", message, advice)
        self.known("checks", (*path, "expected"), raw["expected"], outcomes, "outcome")
        asked = raw.get("asked_of") == "customer"
        # What somebody tells keeps nothing out of use: it is looked at before it counts as wrong.
        enough = outcomes if asked else raw["expected"]
        passes = self.known(
            "checks", (*path, "passes"), raw.get("passes", enough), outcomes, "outcome"
        )
        slip = self.slip if measures else 0.0
        rows, given = self.rows(path, raw["rows"], outcomes, slip)
        default = self.row((*path, "default", "p"), raw["default"]["p"], outcomes, slip)
        if raw.get("in_passing") and (measures or raw.get("live") or raw.get("conditions")):
            message, advice = "a measurement in passing", "Only what is seen or heard is noted so."
            self.fail("checks", (*path, "in_passing"), "measured-in-passing", message, advice)
        if asked:
            self.question(path, raw)
        self.come_and_go(rows, given, default, outcomes, raw.get("catches", 0.0))
        return m.Check(
            id=raw["id"],
            title=raw["title"],
            component=raw["component"],
            kind="measurement" if measures else "question" if asked else "observation",
            asked_of="customer" if asked else "technician",
            scope=raw["scope"],
            access="".join(
                self.known("checks", (*path, "access"), [raw["access"]], self.raw_access, "access")
            ),
            groups=tuple(raw.get("groups", ())),
            live=raw.get("live", False),
            instrument_category=raw.get("instrument_category"),
            dead_alternatives=self.checks_of(path, raw, "dead_alternatives"),
            instead=self.checks_of(path, raw, "instead"),
            why_live=raw.get("why_live"),
            by_rule=raw.get("by_rule", False),
            in_passing=raw.get("in_passing", False),
            minutes=raw["minutes"],
            longest_run=self.si("checks", (*path, "longest_run"), raw["longest_run"], "time")
            if "longest_run" in raw
            else None,
            tools=self.known("checks", (*path, "tools"), raw["tools"], self.tools, "tool"),
            why=raw["why"],
            how=tuple(raw["how"]),
            expected=tuple(raw["expected"]),
            passes=passes,
            expected_text=raw["expected_text"],
            outcomes=outcomes,
            measures=measures,
            test_voltage=self.test_voltage(path, raw.get("test_voltage"), outcomes),
            conditions=tuple(
                self.condition_of_reading((*path, "conditions", index), item)
                for index, item in enumerate(raw.get("conditions", ()))
            ),
            calculation=raw.get("calculation"),
            precautions=self.precautions_of("checks", path, raw),
            default=default,
            rows=rows,
            given=given,
            persists=self.persists(raw, measured=bool(measures)),
            source=raw["source"],
        )

    def persists(self, raw: Mapping[str, Any], *, measured: bool) -> float:
        """The same eyes see the same mark, and who is asked again tells the same."""
        powered = self.place(raw).get("powered", False)
        name = "misread_persists" if measured or powered else "look_persists"
        return float(self.head["tuning"].get(name, {}).get("value", 0.0))

    def question(self, path: Path_, raw: Mapping[str, Any]) -> None:
        """Note what a customer must not be asked: to measure, to use a tool, to open anything."""
        place = self.place(raw)
        work = ("measures", "scale", "live", "tools", "longest_run")
        asks = [key for key in work if raw.get(key)]
        if place.get("requires") or place.get("powered"):
            asks.append("access")
        for key in asks:
            message = f"a question to the customer with `{key}`"
            advice = "Ask what was seen or heard; what is to be done is a technician's check."
            self.fail("checks", (*path, key), "question-asks-too-much", message, advice)

    def checks_of(self, path: Path_, raw: Mapping[str, Any], key: str) -> tuple[str, ...]:
        return self.known("checks", (*path, key), raw.get(key, ()), self.raw_checks, "check")

    def condition_of_reading(self, path: Path_, raw: Mapping[str, Any]) -> m.ReadingCondition:
        quantity = raw.get("quantity")

        def bound(key: str) -> float | None:
            return self.si("checks", (*path, key), raw[key], quantity or "") if key in raw else None

        accepted = raw.get("accept", ())
        self.known("checks", (*path, "accept"), accepted, raw.get("choices", ()), "choice")
        if quantity is not None and "least" not in raw and "most" not in raw:
            message = "a condition of a reading without bounds"
            self.fail("checks", path, "unbounded", message, "Give `least`, `most` or both.")
        return m.ReadingCondition(
            id=raw["id"],
            title=raw["title"],
            quantity=quantity,
            unit=(raw.get("most") or raw.get("least") or {}).get("unit"),
            least=bound("least"),
            most=bound("most"),
            choices=tuple(raw.get("choices", ())),
            accept=tuple(raw.get("accept", ())),
            source=raw["source"],
        )

    def test_voltage(
        self, path: Path_, raw: Mapping[str, Any] | None, outcomes: tuple[str, ...]
    ) -> m.MeterTestVoltage | None:
        if raw is None:
            return None
        where = (*path, "test_voltage")
        self.known("checks", (*where, "outcome"), [raw["outcome"]], outcomes, "outcome")
        confused = raw["confused_with"]
        self.known("checks", (*where, "confused_with"), confused, outcomes, "outcome")
        return m.MeterTestVoltage(
            outcome=raw["outcome"],
            confused_with=tuple(confused),
            least=self.si("checks", (*where, "least"), raw["least"], "voltage"),
            assumed=self.si("checks", (*where, "assumed"), raw["assumed"], "voltage"),
            source=raw["source"],
        )

    def measure(self, path: Path_, raw: Mapping[str, Any]) -> m.Measure:
        outcomes = tuple(item["id"] for item in raw["outcomes"])
        limits = []
        for index, item in enumerate(raw["outcomes"]):
            where, last = (*path, "outcomes", index), index == len(raw["outcomes"]) - 1
            if last and "below" in item:
                message = f"no outcome above the limit of {item['id']!r}, the last"
                self.fail("checks", where, "hole", message, "Drop its `below`: it goes on upwards.")
            elif not last and "below" not in item:
                message = f"outcome {item['id']!r} leaves a hole: it has no `below`"
                advice = "Say below which value it ends and the next begins."
                self.fail("checks", where, "hole", message, advice)
            elif not last:
                limits.append(self.limit((*where, "below"), item["below"], raw))
        quantity = raw["quantity"]
        self.si("checks", (*path, "unit"), {"value": 1.0, "unit": raw["unit"]}, quantity)
        return m.Measure(
            quantity=quantity,
            unit=raw["unit"],
            outcomes=outcomes,
            limits=tuple(limits),
            least=self.bound(path, raw, "least", quantity),
            most=self.bound(path, raw, "most", quantity),
            accuracy=self.accuracy(path, raw.get("accuracy"), quantity),
        )

    def accuracy(
        self, path: Path_, raw: Mapping[str, Any] | None, quantity: str
    ) -> m.AssumedAccuracy | None:
        if raw is None:
            return None
        where = (*path, "accuracy", "resolution")
        return m.AssumedAccuracy(
            percent_of_reading=float(raw["percent_of_reading"]),
            counts=float(raw["counts"]),
            resolution=self.si("checks", where, raw["resolution"], quantity),
            source=raw["source"],
        )

    def bound(self, path: Path_, raw: Mapping[str, Any], key: str, quantity: str) -> float | None:
        return self.si("checks", (*path, key), raw[key], quantity) if key in raw else None

    def limit(self, path: Path_, raw: Mapping[str, Any], measure: Mapping[str, Any]) -> m.Limit:
        quantity = measure["quantity"]
        field = raw.get("of", raw.get("scales_with"))
        if field is not None and field not in self.nameplate:
            self.unknown("checks", path, "nameplate field", field, self.nameplate)
            field = None
        reference = 1.0
        if field is not None:
            self.follows(path, raw, self.nameplate[field], quantity)
        if field is not None and "reference" in raw:
            follows = self.nameplate[field].quantity or "quantity"
            reference = self.si("checks", (*path, "reference"), raw["reference"], follows)
            if reference <= 0.0:
                message = "a `reference` of 0 or less"
                advice = "Say at which value of the nameplate it is as written."
                self.fail("checks", (*path, "reference"), "limit-follows", message, advice)
        return m.Limit(
            factor=raw.get("times", 1.0)
            if "value" not in raw
            else self.si("checks", path, raw, quantity),
            nameplate=field,
            reference=reference,
            power=float(raw.get("power", 1.0)) if field is not None else 0.0,
            at_least=self.bound(path, raw, "at_least", quantity),
            tolerance=raw.get("tolerance"),
            unit=raw.get("unit", measure["unit"]),
            source=raw["source"],
        )

    def follows(
        self, path: Path_, raw: Mapping[str, Any], field: NameplateField, quantity: str
    ) -> None:
        """Note why a limit cannot follow a nameplate field, if so."""
        if field.quantity is None:
            wrong, advice = "it is a word", "Name a nameplate field that is a quantity."
        elif not (field.least or 0.0) > 0.0:
            wrong, advice = "it may be 0", "Give that nameplate field a `least` above 0."
        elif "tolerance" in raw and field.quantity != "voltage":
            wrong, advice = "it is no voltage", "`tolerance` is that of a supply voltage."
        elif "of" in raw and field.quantity != quantity:
            wrong = f"it is a {field.quantity}, not a {quantity}"
            advice = "Give a `value` with `scales_with` and `reference`."
        elif "scales_with" in raw and "reference" not in raw:
            wrong, advice = "without a `reference`", "Say at which value it is as written."
        elif abs(raw.get("power", 1.0)) > MOST_POWER:
            wrong, advice = "with such a power", f"A `power` is {MOST_POWER:g} at most."
        else:
            return
        message = f"a limit cannot follow {field.id}: {wrong}"
        self.fail("checks", path, "limit-follows", message, advice)

    def row(
        self, path: Path_, raw: Mapping[str, float], outcomes: tuple[str, ...], slip: float
    ) -> tuple[float, ...]:
        """A row as written, but for the share of readings that hang on the hand alone."""
        self.known("checks", path, raw, outcomes, "outcome")
        row = tuple(float(raw.get(outcome, 0.0)) for outcome in outcomes)
        if abs(math.fsum(raw.values()) - 1.0) > SUM_TOLERANCE:
            message = f"probabilities sum to {math.fsum(raw.values()):.6g}, not 1"
            self.fail(
                "checks", path, "row-sum", message, "One of the outcomes always comes: mend it."
            )
        if any(p <= 0.0 for p in row):
            # A zero would make a single slip of the hand proof: nothing could outweigh it.
            message = "every outcome needs a probability above 0"
            advice = "Give what cannot be, as far as anybody knows, a small one such as 0.001."
            self.fail("checks", path, "row-zero", message, advice)
        return tuple((1.0 - slip) * p + slip / len(outcomes) for p in row)

    def rows(
        self, path: Path_, raw: list[Mapping[str, Any]], outcomes: tuple[str, ...], slip: float
    ) -> tuple[dict[str, m.Row], dict[tuple[str | None, str], m.Row]]:
        """The rows by fault, where a fault's own beats its group's, and those by condition."""
        from_group: dict[str, m.Row] = {}
        from_id: dict[str, m.Row] = {}
        given: dict[tuple[str | None, str], m.Row] = {}
        for index, item in enumerate(raw):
            where = (*path, "rows", index)
            row = self.row((*where, "p"), item["p"], outcomes, slip)
            names = item.get("given", ())
            conditions = self.known(
                "checks", (*where, "given"), names, self.raw_conditions, "condition"
            )
            for condition in conditions if "for" not in item else ():
                self.set_once(where, given, (None, condition), row)
            for at, ref in enumerate(item.get("for", ())):
                for fault in self.expand_faults("checks", (*where, "for", at), [ref]):
                    for condition in conditions:
                        self.set_once(where, given, (fault, condition), row)
                    if "given" not in item:
                        table = from_group if ref.startswith("group:") else from_id
                        self.set_once(where, table, fault, row)
        return from_group | from_id, given

    def come_and_go(
        self,
        rows: Mapping[str, m.Row],
        given: dict[tuple[str | None, str], m.Row],
        default: m.Row,
        outcomes: tuple[str, ...],
        catches: float,
    ) -> None:
        """Add the rows of faults that come and go: in a share of the readings as while they act,
        else as a healthy part; `catches` is the least share for this check.

        A part that comes and goes is fitted at both times: the healthy part says as often as the
        faulty one that there is none.
        """
        shares = {name: shown_in(raw) for name, (_, raw) in self.raw_conditions.items()}
        rests = {name: share for name, share in shares.items() if share is not None}
        for name, share in rests.items():
            given.setdefault((None, name), default)
            seen = max(share, catches)
            for fault, (_, raw) in self.raw_faults.items():
                brings = raw.get("conditions", {})
                alike = not seen and NOT_FITTED not in outcomes
                if name not in brings or alike or (fault, name) in given:
                    continue
                acting = {one: p for one, p in brings.items() if one not in rests}
                left = max(1.0 - math.fsum(brings.values()), 0.0)
                alone = rows.get(fault, default)
                mixed = [(left, alone)] + [
                    (chance, given.get((fault, one), given.get((None, one), alone)))
                    for one, chance in acting.items()
                ]
                whole = math.fsum(weight for weight, _ in mixed) or 1.0
                shows = tuple(
                    math.fsum(weight * row[i] for weight, row in mixed) / whole
                    for i in range(len(outcomes))
                )
                rests_as = _fitted_as_often(default, shows, outcomes)
                given[fault, name] = tuple(
                    (1.0 - seen) * healthy + seen * faulty
                    for healthy, faulty in zip(rests_as, shows, strict=True)
                )

    def set_once(self, path: Path_, table: dict[Any, m.Row], key: Any, row: m.Row) -> None:
        if key in table:
            named = key if isinstance(key, str) else " given ".join(filter(None, key))
            message = f"{named} has two rows"
            self.fail("checks", path, "row-twice", message, "Drop one of them.")
        table[key] = row


def _fitted_as_often(healthy: m.Row, faulty: m.Row, outcomes: tuple[str, ...]) -> m.Row:
    """A healthy part's row with the other's share of "there is none", if the check has that."""
    if NOT_FITTED not in outcomes:
        return healthy
    none = outcomes.index(NOT_FITTED)
    others = (1.0 - faulty[none]) / (1.0 - healthy[none])
    return tuple(faulty[i] if i == none else others * p for i, p in enumerate(healthy))
