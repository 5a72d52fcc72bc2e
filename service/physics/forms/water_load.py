"""water-load-power: heating power from the warming of water."""

from __future__ import annotations

from collections.abc import Iterator

from service.physics.forms.inputs import ChoiceInput, Given, QuantityInput, Refusal
from service.physics.forms.model import Calculation, Measured, Output, Remark, Result, probability
from service.physics.metrology import (
    conformance_probability,
    expanded,
    rectangular_standard_uncertainty,
)
from service.physics.units import from_si
from service.physics.water_load import (
    HeatingPower,
    Instruments,
    WaterLoad,
    field_power,
    heating_power,
    rounded_power,
)

COVERAGE_FACTOR = 2.0
"""About 95 %: NIST TN 1297 section 6.3."""

LEAST_SHARE = 0.9
"""Of the rated output."""

SMALL_RISE = 5.0
"""K; below it the thermometer decides more than the oven does (estimate)."""

COARSE = 0.1
"""Expanded uncertainty over power; above it, 10 % below the rating cannot be seen (estimate)."""

_FIELD = {"one-litre": (1.0, 60.0), "two-litre": (2.0, 120.0)}  # L, s
_FORMULA_ONLY = ("water_mass", "container_mass", "ambient_temperature")
_BY_FORMULA = (*_FORMULA_ONLY, "start_temperature", "end_temperature", "time")

# Input, unit, and what IEC 60705 asks of it: from, to, source.
_CONDITIONS = (
    ("water_mass", "mass", "g", 995.0, 1005.0, "IEC 60705 (from memory)"),
    ("start_temperature", "temperature", "Cel", 9.0, 11.0, "IEC 60705 (from memory)"),
    ("end_temperature", "temperature", "Cel", 18.0, 22.0, "IEC 60705 (from memory)"),
    ("ambient_temperature", "temperature", "Cel", 15.0, 25.0, "IEC 60705 clause 6"),
)
_WITHIN_RATING = "published heating times for one litre raised by 10 K (within 10 % of the rating)"


def _temperature(
    name: str, description: str, rule: str, least: float, most: float
) -> QuantityInput:
    return QuantityInput(
        name=name,
        description=description,
        quantity="temperature",
        unit="Cel",
        least=least,
        most=most,
        rule=rule,
    )


_ENDS = "Required by formula; by one-litre and two-litre unless temperature_rise is given."
_INPUTS = (
    ChoiceInput(
        name="method",
        description="formula: IEC 60705 with the container counted. one-litre, two-litre: the "
        "field forms, water in a light container, 4187 J for each litre and kelvin.",
        choices=("formula", *_FIELD),
        default="formula",
        default_source="IEC 60705 (clause from memory)",
    ),
    QuantityInput(
        name="water_mass",
        description="Mass of the water.",
        rule="Required by formula, not taken by the others.",
        quantity="mass",
        unit="g",
        least=50.0,
        most=5000.0,
    ),
    QuantityInput(
        name="container_mass",
        description="Mass of the empty glass container; 0 leaves it out.",
        rule="Required by formula, not taken by the others.",
        quantity="mass",
        unit="g",
        least=0.0,
        most=5000.0,
    ),
    _temperature("start_temperature", "The water before, stirred.", _ENDS, 0.0, 100.0),
    _temperature("end_temperature", "The water after, stirred at once.", _ENDS, 0.0, 100.0),
    QuantityInput(
        name="temperature_rise",
        description="How much the water warmed.",
        rule="For one-litre and two-litre, in place of start_temperature and end_temperature.",
        quantity="temperature-difference",
        unit="K",
        least=-100.0,
        most=100.0,
    ),
    _temperature(
        "ambient_temperature",
        "The room, and with it the container before.",
        "Required by formula, not taken by the others.",
        -20.0,
        60.0,
    ),
    QuantityInput(
        name="time",
        description="Heating time without the warm-up of the magnetron.",
        rule="Required by formula; if left out, one-litre takes 60 s and two-litre 120 s.",
        quantity="time",
        unit="s",
        least=1.0,
        most=3600.0,
        default_source="common practice",
    ),
    QuantityInput(
        name="thermometer",
        description="Half-width of the error of each temperature, taken as rectangular.",
        quantity="temperature-difference",
        unit="K",
        least=0.0,
        most=20.0,
        default=1.0,
        default_source="estimate",
    ),
    QuantityInput(
        name="scale",
        description="Half-width of the error of each mass, or of the litres, taken as rectangular.",
        quantity="mass",
        unit="g",
        least=0.0,
        most=500.0,
        default=5.0,
        default_source="estimate",
    ),
    QuantityInput(
        name="clock",
        description="Half-width of the error of the time, taken as rectangular.",
        quantity="time",
        unit="s",
        least=0.0,
        most=60.0,
        default=1.0,
        default_source="estimate",
    ),
    QuantityInput(
        name="rated_output",
        description="The output on the rating plate, to compare with.",
        quantity="power",
        unit="W",
        least=50.0,
        most=10_000.0,
    ),
)

_IF_RATED = "rated_output is given"
_OUTPUTS = (
    Output("power", "Heating power", "power", "W", digits=5),
    Output("rounded_power", "Heating power to the nearest 50 W", "power", "W"),
    Output("standard_uncertainty", "Standard uncertainty of the power", "power", "W", digits=3),
    Output("expanded_uncertainty", "Expanded uncertainty, k = 2", "power", "W", digits=3),
    Output("ratio_to_rated", "Power over rated output", "ratio", "1", digits=4, when=_IF_RATED),
    probability(
        "probability_sufficient",
        "Probability that the power is at least 90 % of the rated output",
        _IF_RATED,
    ),
)


def _check(given: Given) -> Iterator[Refusal]:
    method = _method(given)
    if method is None:
        return
    if method == "formula":
        for name in _BY_FORMULA:
            if name not in given:
                yield f"/{name}", "this is required by the method formula"
        if "temperature_rise" in given:
            yield (
                "/temperature_rise",
                "the method formula does not take this: give start_temperature and end_temperature",
            )
        return
    for name in _FORMULA_ONLY:
        if name in given:
            yield f"/{name}", f"this is not taken by the method {method}, only by formula"
    ends = [name for name in ("start_temperature", "end_temperature") if name in given]
    if "temperature_rise" in given and ends:
        yield "/temperature_rise", f"stands in place of {' and '.join(ends)}: leave one out"
    elif len(ends) == 1:
        missing = "end_temperature" if ends == ["start_temperature"] else "start_temperature"
        yield f"/{missing}", f"this is required beside {ends[0]}"
    elif not ends and "temperature_rise" not in given:
        yield "/temperature_rise", "this is required, or start_temperature and end_temperature"


def _method(given: Given) -> str | None:
    """The method; None if the document names one that there is not."""
    if "method" in given and given.stated("method") is None:
        return None
    return given.text("method")


def _work(given: Given) -> Result:
    method = given.text("method")
    instruments = Instruments(
        temperature=rectangular_standard_uncertainty(given.number("thermometer")),
        mass=rectangular_standard_uncertainty(from_si(given.number("scale"), "g", "mass")),
        time=rectangular_standard_uncertainty(given.number("clock")),
    )
    rise = _rise(given)
    sources: tuple[str, ...]
    if method == "formula":
        load = WaterLoad(
            water_mass=_grams(given, "water_mass"),
            container_mass=_grams(given, "container_mass"),
            start=_water(given, "start_temperature"),
            end=_water(given, "end_temperature"),
            ambient=_celsius(given, "ambient_temperature"),
            seconds=given.number("time"),
        )
        found = heating_power(load, instruments)
        sources = ("IEC 60705 (clause of the formula from memory)",)
    else:
        litres, seconds = _FIELD[method]
        found = field_power(litres, rise, given.number("time", seconds), instruments)
        sources = (
            "4187 J for each litre and kelvin, from the formula of IEC 60705 (clause from memory)",
            f"{method} method (common practice)",
        )
    values = {
        "power": found.power,
        "rounded_power": rounded_power(found.power),
        "standard_uncertainty": found.uncertainty,
        "expanded_uncertainty": expanded(found.uncertainty, COVERAGE_FACTOR),
    }
    rated = given.maybe("rated_output")
    if rated is not None:
        values["ratio_to_rated"] = found.power / rated
        values["probability_sufficient"] = conformance_probability(
            found.power, found.uncertainty, lower=LEAST_SHARE * rated
        )
        sources += ("JCGM 106:2012 clause 7.4", _WITHIN_RATING)
    return Result(
        values,
        warnings=(*_too_coarse(rise, found), *_conditions(given, method)),
        sources=sources,
        measured=Measured(found.power, found.uncertainty),
    )


def _too_coarse(rise: float, found: HeatingPower) -> Iterator[Remark]:
    if rise <= 0.0:
        text = "The water did not warm: no heating power, or the two temperatures are exchanged."
        yield Remark("no-rise", text, "estimate")
    elif rise < SMALL_RISE:
        text = f"A rise of {rise:.3g} K is too small to tell a power from: heat longer."
        yield Remark("small-rise", text, "estimate")
    if found.power > 0.0 and expanded(found.uncertainty, COVERAGE_FACTOR) > COARSE * found.power:
        text = (
            "The expanded uncertainty is more than 10 % of the power. That tells hot from not hot, "
            "but does not prove a rated output: use a better thermometer or a longer time."
        )
        yield Remark("coarse", text, "estimate")


def _conditions(given: Given, method: str) -> Iterator[Remark]:
    if method != "formula":
        return
    for name, quantity, unit, least, most, source in _CONDITIONS:
        value = from_si(given.number(name), unit, quantity)
        # What was sent as 51.8 [degF] is 11 Cel but for a rounding.
        if not least - 1e-6 <= value <= most + 1e-6:
            text = (
                f"{name} is {value:.4g} {unit}; the standard asks for {least:g} to {most:g} {unit}."
            )
            yield Remark(f"{name.replace('_', '-')}-outside", text, source)


def _rise(given: Given) -> float:
    rise = given.maybe("temperature_rise")
    if rise is not None:
        return rise
    return _water(given, "end_temperature") - _water(given, "start_temperature")


def _grams(given: Given, name: str) -> float:
    return from_si(given.number(name), "g", "mass")


def _celsius(given: Given, name: str) -> float:
    return from_si(given.number(name), "Cel", "temperature")


def _water(given: Given, name: str) -> float:
    """Within 0 to 100 Cel, which the bounds have seen to but for a rounding."""
    return min(max(_celsius(given, name), 0.0), 100.0)


WATER_LOAD_POWER = Calculation(
    name="water-load-power",
    title="Heating power from the warming of a load of water",
    description="P = (4.187 m_w (T1 - T0) + 0.55 m_c (T1 - T_A)) / t in g, Cel and s, or a field "
    "form of it, with the uncertainty that thermometer, scale and clock leave.",
    inputs=_INPUTS,
    outputs=_OUTPUTS,
    sources=(
        "IEC 60705 clause 6 (rounding to 50 W)",
        "JCGM 100:2008 4.3.7, 5.1.2 and 6.2.1 (uncertainty)",
    ),
    check=_check,
    work=_work,
    example={
        "method": "one-litre",
        "start_temperature": {"value": 11.5, "unit": "Cel"},
        "end_temperature": {"value": 20.5, "unit": "Cel"},
        "time": {"value": 62, "unit": "s"},
        "thermometer": {"value": 0.5, "unit": "K"},
        "rated_output": {"value": 800, "unit": "W"},
    },
)
