"""Numbers, units and words as a language writes them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from babel.core import Locale
from babel.numbers import format_decimal, format_percent

from service.texts import ENGLISH, Shown, Texts, Translated, languages_of, texts_in

FOLDER = Path(__file__).parent
"""Where the catalogues of the record's own words are."""

# UCUM codes are for machines; what people write instead, by SI Brochure (9th ed.) section 2.3.
_SYMBOLS = {
    "1": "",
    "Cel": "°C",
    "[degF]": "°F",
    "[in_i]": "in",
    "[lb_av]": "lb",
    "[oz_av]": "oz",
    "m3": "m³",
    "mW/cm2": "mW/cm²",
    "W/m2": "W/m²",
    "W.h": "Wh",
}
_NARROW = "\N{NARROW NO-BREAK SPACE}"


def symbol(unit: str) -> str:
    """A UCUM code as people write the unit."""
    if unit in _SYMBOLS:
        return _SYMBOLS[unit]
    text = unit.replace("Ohm", "Ω")
    return f"µ{text[1:]}" if text[:1] == "u" else text


@dataclass(frozen=True, slots=True)
class Language:
    """One language: the words of the form, the texts of the rule set, and how numbers look."""

    code: str
    form: Texts
    texts: Texts

    @property
    def _locale(self) -> Locale:
        return Locale.parse(self.code, sep="-")

    def say(self, english: str) -> Translated:
        """Words of the form."""
        return self.form.of(english)

    def number(self, value: float, decimals: int | None = None) -> str:
        """A number, with so many decimals or as many as six significant digits take."""
        if decimals is None:
            value, decimals = float(f"{value:.6g}"), 6
            pattern = "#,##0." + "#" * decimals
        else:
            pattern = "#,##0." + "0" * decimals if decimals else "#,##0"
        return format_decimal(value, format=pattern, locale=self._locale)

    def percent(self, share: float) -> str:
        """A share of one, in percent: whole ones, but never 0 or 100 for what is neither."""
        if 0.0 < share < 0.005:
            return "< " + format_percent(0.01, format="#,##0 %", locale=self._locale)
        if 0.995 <= share < 1.0:
            return "> " + format_percent(0.99, format="#,##0 %", locale=self._locale)
        return format_percent(share, format="#,##0 %", locale=self._locale)

    def quantity(self, value: float, unit: str) -> str:
        """A number with its unit."""
        return f"{self.number(value)}{_NARROW}{symbol(unit)}".rstrip(_NARROW)

    def measured(self, value: float, uncertainty: float, unit: str) -> str:
        """A value with its standard uncertainty, both to the second digit of that (GUM 7.2.6)."""
        if not uncertainty > 0.0:
            return self.quantity(value, unit)
        value_alone = self.number(value, _decimals(uncertainty))
        return f"{value_alone} {self.plus_minus(uncertainty, unit)}"

    def plus_minus(self, uncertainty: float, unit: str) -> str:
        """A standard uncertainty above zero by itself, to its second digit."""
        shown = self.number(uncertainty, _decimals(uncertainty))
        return f"± {shown}{_NARROW}{symbol(unit)}".rstrip(_NARROW)

    def given(self, entry: Any) -> str:
        """A quantity as it was sent, `{value, unit}`."""
        return self.quantity(entry["value"], entry["unit"])


def _decimals(uncertainty: float) -> int:
    return max(0, 1 - math.floor(math.log10(uncertainty)))


def languages(rule_set_folder: Path) -> tuple[str, ...]:
    """The languages in which there is anything to say of a rule set; English comes first."""
    return (ENGLISH, *sorted({*languages_of(FOLDER), *languages_of(rule_set_folder)}))


def language(code: str, rule_set_folder: Path) -> Language:
    """A language, its catalogues read.

    The words of the form are in the rule set's catalogue where there is none of their own.
    """
    texts = texts_in(rule_set_folder, code)
    return Language(code, texts_in(FOLDER, code) if has_words(code) else texts, texts)


def has_words(code: str) -> bool:
    """Whether there is a catalogue of the words of the form in a language."""
    return code in languages_of(FOLDER)


def words() -> tuple[Shown, ...]:
    """The words of the form in English: what any of their catalogues translates."""
    found = {one for code in languages_of(FOLDER) for one in texts_in(FOLDER, code).by_english}
    return tuple(Shown(one, ("service record",)) for one in sorted(found))
