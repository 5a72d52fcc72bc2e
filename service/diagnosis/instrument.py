"""The meter: what a case states of it, and what is assumed where it states nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from service.diagnosis.refusals import Errors, escaped, si_quantity
from service.physics.units import si_unit
from service.ruleset.model import RuleSet
from service.ruleset.near import unknown

MOST_PERCENT = 100.0
MOST_COUNTS = 10_000.0
MOST_LEAD_RESISTANCE = 5.0  # Ω; longer or worse leads are no leads to measure with
MOST_TEST_VOLTAGE = 10_000.0  # V
MOST = {
    "lead_resistance": MOST_LEAD_RESISTANCE,
    "lead_resistance_uncertainty": MOST_LEAD_RESISTANCE,
    "test_voltage": MOST_TEST_VOLTAGE,
}


@dataclass(frozen=True, slots=True)
class Instrument:
    """The accuracy of the meter for one quantity, SI units."""

    percent_of_reading: float
    counts: float
    resolution: float | None  # None: from the reading's decade and `display_counts`
    display_counts: float
    finest_resolution: float
    lead_resistance: float
    lead_uncertainty: float
    range: float
    test_voltage: float | None
    stated: bool

    @property
    def least_range(self) -> float:
        """The smallest range that such a meter has: ten of its finest steps."""
        return 10.0 * self.finest_resolution


@lru_cache(maxsize=16)
def assumed_instruments(rule_set: RuleSet) -> Mapping[str, Instrument]:
    """What a rule set assumes of a meter of which nothing is said, by quantity."""
    return {
        quantity: Instrument(
            percent_of_reading=default.percent_of_reading,
            counts=default.counts,
            resolution=None,
            display_counts=default.display_counts,
            finest_resolution=default.finest_resolution,
            lead_resistance=default.lead_resistance,
            lead_uncertainty=default.lead_uncertainty,
            range=default.range,
            test_voltage=None,
            stated=False,
        )
        for quantity, default in rule_set.instruments.items()
    }


def read_instruments(
    rule_set: RuleSet, raw: Mapping[str, Mapping[str, Any]], errors: Errors
) -> Mapping[str, Instrument]:
    """The meter of a case, by quantity: what is stated, and what is assumed of the rest."""
    out = dict(assumed_instruments(rule_set))
    for quantity, given in raw.items():
        if quantity not in out:
            message = unknown("instrument quantity", quantity, out, "instrument quantities")
            errors.append((f"/instrument/{escaped(quantity)}", message))
            continue
        out[quantity] = _stated_instrument(quantity, out[quantity], given, errors)
    return out


def _stated_instrument(
    quantity: str, default: Instrument, given: Mapping[str, Any], errors: Errors
) -> Instrument:
    pointer = f"/instrument/{quantity}"

    def value(key: str, of: str = quantity) -> float | None:
        if given.get(key) is None:
            return None
        found = si_quantity(f"{pointer}/{key}", given[key], of, errors)
        least_open = key in ("resolution", "range", "test_voltage")
        if found is not None and (found < 0 or (least_open and found == 0)):
            word = "greater than 0" if least_open else "0 or more"
            errors.append((f"{pointer}/{key}/value", f"this must be {word}"))
            return None
        most = MOST.get(key)
        if found is not None and most is not None and found > most:
            errors.append(
                (f"{pointer}/{key}/value", f"this must be {most:g} {si_unit(of)} or less")
            )
            return None
        if key == "range" and found is not None and found < default.least_range:
            errors.append((f"{pointer}/{key}/value", "this is no range that a meter has"))
            return None
        return found

    for key in ("lead_resistance", "lead_resistance_uncertainty", "test_voltage"):
        if quantity != "resistance" and given.get(key) is not None:
            errors.append((f"{pointer}/{key}", "this belongs to resistance only"))
            return default
    percent, counts = given.get("percent_of_reading"), given.get("counts")
    for key, most in (("percent_of_reading", MOST_PERCENT), ("counts", MOST_COUNTS)):
        if given.get(key) is not None and given[key] > most:
            errors.append((f"{pointer}/{key}", f"this must be {most:g} or less"))
            return default
    lead = value("lead_resistance")
    lead_uncertainty = value("lead_resistance_uncertainty")
    if lead is not None and lead_uncertainty is None:
        # A stated lead resistance was measured by shorting the tips; contact varies by about
        # a third of it or a tenth of an ohm, whichever is less.
        lead_uncertainty = min(lead / 3.0, 0.1)
    top = value("range")
    return Instrument(
        percent_of_reading=default.percent_of_reading if percent is None else float(percent),
        # Who states the percentage alone means an instrument without a counts term.
        counts=(default.counts if percent is None else 0.0) if counts is None else float(counts),
        resolution=value("resolution"),
        display_counts=default.display_counts,
        finest_resolution=default.finest_resolution,
        lead_resistance=default.lead_resistance if lead is None else lead,
        lead_uncertainty=default.lead_uncertainty if lead_uncertainty is None else lead_uncertainty,
        range=default.range if top is None else top,
        test_voltage=value("test_voltage", "voltage"),
        stated=percent is not None or counts is not None,
    )
