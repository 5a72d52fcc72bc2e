"""What keeps a catalogue up to date with its rule set, and says what it still lacks."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from service.ruleset.model import RuleSet
from service.texts.shown import Shown, texts_of
from service.texts.translated import path_of, placeholders, read, translations

if TYPE_CHECKING:
    from babel.messages.catalog import Catalog

_HEADER = """\
{comment}
msgid ""
msgstr ""
"Project-Id-Version: {rule_set}\\n"
"Language: {language}\\n"
"MIME-Version: 1.0\\n"
"Content-Type: text/plain; charset=utf-8\\n"
"Content-Transfer-Encoding: 8bit\\n"

"""


@dataclass(frozen=True, slots=True)
class Lack:
    """What keeps a text from being shown in a language: `missing`, `fuzzy` or `figures`."""

    kind: str
    english: str
    advice: str


def updated(rule_set: RuleSet, folder: Path, language: str, more: Sequence[Shown] = ()) -> bytes:
    """The catalogue of a rule set in a language, brought up to date; a new one where there is none.

    New texts are added, those that are gone are kept as obsolete, and one that has changed takes
    over the translation of the most similar as fuzzy. The same input gives the same bytes: there
    is no date in it. more: texts that are not the rule set's and belong into its catalogue.

    Raises:
        CatalogueError: if there is one that cannot be read, or the language is none.
    """
    from babel.messages.catalog import Catalog
    from babel.messages.pofile import write_po

    path = path_of(folder, language)
    old = path.exists()
    catalogue = read(path) if old else Catalog(fuzzy=False)
    template = Catalog(fuzzy=False)
    for shown in (*texts_of(rule_set), *more):
        _recall(catalogue, shown.english)
        template.add(shown.english, auto_comments=shown.comments)
    catalogue.update(template)
    comment = (
        catalogue.header_comment if old else f"# The texts of {rule_set.id} in another language."
    )
    out = io.BytesIO()
    head = _HEADER.format(comment=comment, rule_set=rule_set.id, language=language)
    out.write(head.encode())
    catalogue.charset = "utf-8"
    write_po(out, catalogue, width=100, omit_header=True, include_previous=True)
    return out.getvalue().rstrip(b"\n") + b"\n"


def _recall(catalogue: Catalog, english: str) -> None:
    """A text that comes back brings its translation back."""
    gone = catalogue.obsolete.pop(english, None)
    if gone is not None and english not in catalogue:
        catalogue[english] = gone


def lacks(rule_set: RuleSet, folder: Path, language: str, more: Sequence[Shown] = ()) -> list[Lack]:
    """What of a rule set, and of `more`, is not translated into a language, in its order.

    Raises:
        CatalogueError: if the catalogue is not there or cannot be read, or the language is none.
    """
    catalogue = read(path_of(folder, language))
    translated = translations(catalogue)
    found = []
    for english in dict.fromkeys(shown.english for shown in (*texts_of(rule_set), *more)):
        message = catalogue.get(english)
        if english in translated:
            wanted, got = placeholders(english), placeholders(translated[english])
            if wanted != got:
                names = ", ".join(wanted) or "none"
                found.append(Lack("figures", english, f"figures in braces must be: {names}"))
        elif message is not None and message.fuzzy and message.string:
            found.append(Lack("fuzzy", english, "to be looked at: drop `fuzzy` where it is right"))
        else:
            found.append(Lack("missing", english, "not translated"))
    return found
