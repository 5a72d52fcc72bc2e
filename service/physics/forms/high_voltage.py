"""capacitor-discharge and high-voltage-doubler: what to reckon with, never what to measure."""

from __future__ import annotations

from collections.abc import Iterator

from service.physics.discharge import (
    SAFE_VOLTAGE,
    TOUCHABLE_CHARGE,
    DischargeFigures,
    discharge_figures,
    voltage_after,
)
from service.physics.doubler import half_wave_doubler
from service.physics.forms.inputs import Given, QuantityInput, Refusal
from service.physics.forms.model import Calculation, Output, Remark, Result

# IEC 60335-1 clause 8.1.4 limits the charge between these; V, peak.
_CHARGE_LIMIT_OVER = 450.0
_CHARGE_LIMIT_TO = 15_000.0

_IF_BLEED = "bleed_resistance is given"
_IF_WAITED = "waited is given"


def _check_capacitor(given: Given) -> Iterator[Refusal]:
    if "waited" in given and "bleed_resistance" not in given:
        yield (
            "/bleed_resistance",
            "this is required beside waited: without it no wait empties the part",
        )


def _discharge(given: Given) -> Result:
    capacitance, bleed = given.number("capacitance"), given.maybe("bleed_resistance")
    found = discharge_figures(
        capacitance, given.number("rated_voltage"), bleed, given.number("safe_voltage")
    )
    values = {
        "peak_voltage": found.peak_voltage,
        "energy": found.energy,
        "charge": found.charge,
    }
    if _limited_by_charge(found):
        values["charge_ratio"] = found.charge / TOUCHABLE_CHARGE
    if found.time_constant is not None and found.wait is not None:
        values["time_constant"] = found.time_constant
        values["wait"] = found.wait
    waited = given.maybe("waited")
    if waited is not None and bleed is not None:
        values["voltage_after"] = voltage_after(waited, capacitance, bleed, found.peak_voltage)
    return Result(values, warnings=tuple(_capacitor_warnings(found, waited)))


def _limited_by_charge(found: DischargeFigures) -> bool:
    return _CHARGE_LIMIT_OVER < found.peak_voltage <= _CHARGE_LIMIT_TO


def _capacitor_warnings(found: DischargeFigures, waited: float | None) -> Iterator[Remark]:
    yield Remark(
        "discharge-and-verify",
        "An open bleed resistor makes every wait void, and nothing here shows that it is whole. "
        "However long the wait, discharge the part and verify that it is discharged, each time.",
        "circuit theory; common practice",
    )
    if found.wait is None:
        text = "No bleed resistance was given: with none in the part, no wait empties it."
        yield Remark("no-bleed-resistance", text, "circuit theory")
    if _limited_by_charge(found) and found.charge > TOUCHABLE_CHARGE:
        text = (
            f"It holds {found.charge * 1e6:.4g} uC; a part that may be touched holds at most "
            "45 uC. That the energy is small does not make it harmless."
        )
        yield Remark("charge-over-touchable", text, "IEC 60335-1 clause 8.1.4")
    if waited is not None and found.wait is not None and waited < found.wait:
        text = f"The wait was too short even with a whole bleed resistor: {found.wait:.3g} s."
        yield Remark("waited-too-short", text, "circuit theory")


CAPACITOR_DISCHARGE = Calculation(
    name="capacitor-discharge",
    title="What a high-voltage capacitor holds, and how its bleed resistor empties it",
    description="Charged to the peak of its rated voltage: V(t) = V0 exp(-t / RC). For planning "
    "only: the part is always discharged and verified.",
    inputs=(
        QuantityInput(
            name="capacitance",
            description="Capacitance on the rating plate.",
            required=True,
            quantity="capacitance",
            unit="uF",
            least=1e-6,
            most=1e6,
        ),
        QuantityInput(
            name="rated_voltage",
            description="Rated voltage, a.c. r.m.s.; the part charges to its peak.",
            required=True,
            quantity="voltage",
            unit="V",
            least=1.0,
            most=100_000.0,
        ),
        QuantityInput(
            name="bleed_resistance",
            description="The resistor inside the part; about 10 MOhm is usual (common practice).",
            rule="Left out, no wait is worked out.",
            quantity="resistance",
            unit="MOhm",
            least=1e-6,
            most=1e6,
        ),
        QuantityInput(
            name="safe_voltage",
            description="The voltage that the wait is to reach.",
            quantity="voltage",
            unit="V",
            least=1.0,
            most=SAFE_VOLTAGE,
            default=SAFE_VOLTAGE,
            default_source="IEC 60335-1 clause 8.1.4",
            bounds_source="IEC 60335-1 clause 8.1.4 (the most); estimate (the least)",
        ),
        QuantityInput(
            name="waited",
            description="Time since the supply was disconnected.",
            rule="Only beside bleed_resistance.",
            quantity="time",
            unit="s",
            least=0.0,
            most=1e6,
        ),
    ),
    outputs=(
        Output("peak_voltage", "Voltage at the start", "voltage", "V"),
        Output("energy", "Energy at the start", "energy", "J"),
        Output("charge", "Charge at the start", "charge", "uC"),
        Output(
            "charge_ratio",
            "Charge over the 45 uC that a touchable part may hold",
            "ratio",
            "1",
            digits=4,
            when="the voltage at the start is over 450 V and up to 15 kV",
        ),
        Output("time_constant", "R C", "time", "s", when=_IF_BLEED),
        Output("wait", "Time to safe_voltage, bleed resistor whole", "time", "s", when=_IF_BLEED),
        Output(
            "voltage_after",
            "Voltage after waited, bleed resistor whole",
            "voltage",
            "V",
            when=_IF_WAITED,
        ),
    ),
    sources=("circuit theory", "IEC 60335-1 clause 8.1.4 (42.4 V; 45 uC over 450 V up to 15 kV)"),
    check=_check_capacitor,
    work=_discharge,
    example={
        "capacitance": {"value": 1, "unit": "uF"},
        "rated_voltage": {"value": 2100, "unit": "V"},
        "bleed_resistance": {"value": 10, "unit": "MOhm"},
        "waited": {"value": 30, "unit": "s"},
    },
)


def _doubler(given: Given) -> Result:
    found = half_wave_doubler(given.number("secondary_voltage"))
    return Result(
        {"peak_voltage": found.peak_voltage, "output_voltage": found.output_voltage},
        warnings=(
            Remark(
                "never-measure",
                "Never measure on the high-voltage side while the oven is connected: it kills. "
                "These figures explain the circuit; there is no reading to compare them with.",
                "common practice",
            ),
        ),
        notes=(
            Remark(
                "loaded-voltage",
                "Under load the magnetron clamps: about 4,000 V from a secondary of about 2,000 V.",
                "common practice",
            ),
        ),
    )


HIGH_VOLTAGE_DOUBLER = Calculation(
    name="high-voltage-doubler",
    title="The half-wave doubler behind the transformer, without load",
    description="The capacitor charges to the peak of the winding, sqrt(2) V; in the other "
    "half-wave both stand in series, 2 sqrt(2) V.",
    inputs=(
        QuantityInput(
            name="secondary_voltage",
            description="Voltage of the high-voltage winding, r.m.s., from its data: not measured.",
            required=True,
            quantity="voltage",
            unit="V",
            least=1.0,
            most=100_000.0,
        ),
    ),
    outputs=(
        Output("peak_voltage", "Peak of the winding, and of the capacitor", "voltage", "V"),
        Output("output_voltage", "Peak of the output without load", "voltage", "V"),
    ),
    sources=("circuit theory",),
    work=_doubler,
    example={"secondary_voltage": {"value": 2000, "unit": "V"}},
)
