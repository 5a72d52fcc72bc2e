"""The texts of rule sets in other languages, from gettext catalogues beside them.

How to use it, where a case has been assessed by a rule set of the catalogue::

    source = catalogue.source(rule_set_id)
    languages_of(source.folder)                # ("de",), beside English, which every rule set has
    texts = texts_in(source.folder, "de")      # kept; ("en", or one that is not there: all English)
    texts.of(check.title)                      # Translated("Magnetron gegen Gehäuse", "de")
    texts.of("No such text")                   # Translated("No such text", "en"): it fell back
    texts.word("burn-marks")                   # Translated("Brandspuren", "de"); "burn marks", "en"
    texts.filled(precaution.text, figures)     # with {wait} and others put in, as the language
                                               # writes numbers: "3,1 kV"

`Translated.lang` is the language that the text is in: a page marks with `lang="en"` what fell back.
A catalogue is `translations/<lang>.po` in the folder of the rule set. It decides nothing, and it
never keeps anything from being answered: one that is missing or broken counts as absent. What is
kept follows the file, so that a catalogue may be changed under a running service.

`texts_of(rule_set)` lists what there is to translate; ids that people read (outcomes, components)
are among it as words, with hyphens as blanks. `ohmpath rules translate` keeps catalogues current.
"""

from service.texts.author import Lack, lacks, updated
from service.texts.shown import Shown, texts_of, word
from service.texts.translated import (
    ENGLISH,
    CatalogueError,
    Texts,
    Translated,
    languages_of,
    path_of,
    texts_in,
)

__all__ = [
    "ENGLISH",
    "CatalogueError",
    "Lack",
    "Shown",
    "Texts",
    "Translated",
    "lacks",
    "languages_of",
    "path_of",
    "texts_in",
    "texts_of",
    "updated",
    "word",
]
