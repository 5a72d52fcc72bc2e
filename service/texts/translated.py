"""A rule set's texts in one language, read from its catalogue when they are first asked for."""

from __future__ import annotations

import io
import logging
import re
from codecs import BOM_UTF8
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from service.frozen import Frozen
from service.ruleset.source import MAX_FILE_BYTES
from service.texts.shown import word

if TYPE_CHECKING:
    from babel.messages.catalog import Catalog

ENGLISH = "en"
# `de`, `pt-BR`: what a catalogue may be named for (RFC 5646, language and region).
LANGUAGE = re.compile(r"[a-z]{2,3}(-[A-Z]{2})?")
_PLACEHOLDER = re.compile(r"\{[^{}]*\}")
# A line with a text in quotes, whole. The parser would take one that was cut off for the text.
_WHOLE = re.compile(rb'[^"]*"(?:[^"\\]|\\.)*"\s*')
_POINT = re.compile(r"(?<=\d)\.(?=\d)")

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Translated:
    """A text, and the language that it is in: English, where there is no other."""

    text: str
    lang: str


@dataclass(frozen=True, slots=True)
class Texts:
    """The texts of a rule set in one language, by their English."""

    language: str
    by_english: Mapping[str, str]
    decimal_point: str = "."

    def of(self, english: str) -> Translated:
        """A text of the rule set in this language, or as it is."""
        found = self.by_english.get(english)
        return Translated(english, ENGLISH) if found is None else Translated(found, self.language)

    def word(self, one: str) -> Translated:
        """An id as people read it."""
        return self.of(word(one))

    def filled(self, template: str, figures: Mapping[str, str]) -> Translated:
        """A text with figures put in place of their names in braces.

        Numbers are written as the language writes them, and words in place of a number are texts
        of the rule set.
        """
        found = self.of(template)
        text = found.text
        for name, value in figures.items():
            text = text.replace("{" + name + "}", self._figure(value, found.lang))
        return Translated(text, found.lang)

    def _figure(self, value: str, lang: str) -> str:
        if lang == ENGLISH:
            return value
        return self.by_english.get(value) or _POINT.sub(self.decimal_point, value)


class CatalogueError(ValueError):
    """A catalogue that cannot be read, or a language that there is none for."""


def languages_of(folder: Path) -> tuple[str, ...]:
    """The languages that a rule set folder has catalogues for, sorted, English not among them."""
    names = (path.stem for path in (folder / "translations").glob("*.po"))
    return tuple(sorted(name for name in names if LANGUAGE.fullmatch(name) and name != ENGLISH))


def path_of(folder: Path, language: str) -> Path:
    """Where the catalogue of a language is, or would be.

    Raises:
        CatalogueError: if it is no language to translate into.
    """
    if not LANGUAGE.fullmatch(language) or language == ENGLISH:
        raise CatalogueError(f"{language[:20]!r} is no language to translate into: de, fr, pt-BR")
    return folder / "translations" / f"{language}.po"


def texts_in(folder: Path, language: str) -> Texts:
    """The texts of the rule set in a folder; all in English where there is no such catalogue.

    Kept until the file changes. A broken catalogue counts as absent, and is logged once.
    """
    try:
        path = path_of(folder, language)
        state = path.stat()
    except (CatalogueError, OSError):
        return Texts(ENGLISH, {})
    return _kept(path, language, state.st_mtime_ns, state.st_size)


@lru_cache(maxsize=64)
def _kept(path: Path, language: str, _changed: int, _size: int) -> Texts:
    try:
        catalogue = read(path)
    except CatalogueError as error:
        log.error("counts as absent: %s", error)
        return Texts(ENGLISH, {})
    found: dict[str, str] = {}
    refused = 0
    for english, text in translations(catalogue).items():
        if placeholders(english) == placeholders(text):
            found[english] = text
        else:
            refused += 1
    if refused:
        log.error("%s: %d texts left out, whose figures in braces differ", path, refused)
    return Texts(language, Frozen(found), _decimal_point(language))


def _decimal_point(language: str) -> str:
    from babel import Locale, UnknownLocaleError
    from babel.numbers import get_decimal_symbol

    try:
        return get_decimal_symbol(Locale.parse(language, sep="-"))
    except UnknownLocaleError:
        return "."


def read(path: Path) -> Catalog:
    """The catalogue in a file.

    Raises:
        CatalogueError: if it cannot be read, or is none.
    """
    # 80 ms and 2 MB, and no answer in JSON needs it.
    from babel.messages.pofile import read_po

    try:
        if not path.is_file():
            raise CatalogueError("no such file")
        raw = path.read_bytes()
        if len(raw) > MAX_FILE_BYTES:
            raise CatalogueError(f"more than {MAX_FILE_BYTES} bytes")
        for number, line in enumerate(raw.splitlines(), 1):
            if b'"' in line and not line.startswith(b"#") and not _WHOLE.fullmatch(line):
                raise CatalogueError(f"line {number}: a text that does not end")
        return read_po(io.BytesIO(raw.removeprefix(BOM_UTF8)), abort_invalid=True)
    except Exception as error:  # the parser has many ways to say that this is no catalogue
        raise CatalogueError(f"{path}: {' '.join(str(error).split())}") from error


def translations(catalogue: Catalog) -> dict[str, str]:
    """What is translated, by its English. What is fuzzy, empty or obsolete is not."""
    return {
        message.id: message.string
        for message in catalogue
        if isinstance(message.id, str)
        and isinstance(message.string, str)
        and message.id
        and message.string
        and not message.fuzzy
        and message.context is None
    }


def placeholders(text: str) -> list[str]:
    """The names in braces of a text, each as often as it is there, sorted."""
    return sorted(_PLACEHOLDER.findall(text))
