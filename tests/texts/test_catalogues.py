"""Catalogues as found in a folder: what is not there, not right or not readable is English."""

from __future__ import annotations

import logging
import os
import pickle
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from service.ruleset.catalogue import Catalogue, bundled_rules, load_rule_set
from service.texts import Texts, Translated, languages_of, path_of, texts_in, texts_of

RIG = Path(__file__).parents[1] / "ruleset" / "rig"
HEAD = 'msgid ""\nmsgstr ""\n"Content-Type: text/plain; charset=utf-8\\n"\n\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "rig"
    shutil.copytree(RIG, made)
    (made / "translations").mkdir()
    return made


def entry(english: str, german: str, *, before: str = "") -> str:
    return f'{before}msgid "{english}"\nmsgstr "{german}"\n\n'


def write(folder: Path, *entries: str, head: str = HEAD) -> None:
    path_of(folder, "de").write_text(head + "".join(entries), encoding="utf-8")


def test_a_text_is_translated_or_marked_as_english(folder: Path) -> None:
    write(folder, entry("Lamp", "Lampe"))
    texts = texts_in(folder, "de")
    assert texts.of("Lamp") == Translated("Lampe", "de")
    assert texts.of("Lamp of the rig") == Translated("Lamp of the rig", "en")


def test_ids_are_read_as_words(folder: Path) -> None:
    write(folder, entry("burn marks", "Brandspuren"))
    texts = texts_in(folder, "de")
    assert texts.word("burn-marks") == Translated("Brandspuren", "de")
    assert texts.word("over-limit") == Translated("over limit", "en")


def test_what_is_fuzzy_empty_or_obsolete_does_not_count(folder: Path) -> None:
    write(
        folder,
        entry("Fuzzy", "Unsicher", before="#, fuzzy\n"),
        entry("Empty", ""),
        '#~ msgid "Gone"\n#~ msgstr "Weg"\n\n',
    )
    texts = texts_in(folder, "de")
    assert {texts.of(one).lang for one in ("Fuzzy", "Empty", "Gone")} == {"en"}


def test_figures_are_written_as_the_language_writes_them(folder: Path) -> None:
    write(
        folder,
        entry("Wait {wait}, up to {peak}.", "{wait} warten, bis zu {peak}."),
        entry("no time that helps", "keine Zeit, die hilft"),
    )
    texts = texts_in(folder, "de")
    filled = texts.filled("Wait {wait}, up to {peak}.", {"wait": "45 s", "peak": "3.1 kV"})
    assert filled == Translated("45 s warten, bis zu 3,1 kV.", "de")
    filled = texts.filled("Wait {wait}, up to {peak}.", {"wait": "no time that helps", "peak": "1"})
    assert filled == Translated("keine Zeit, die hilft warten, bis zu 1.", "de")
    # English falls back whole, its figures too.
    filled = texts.filled("Up to {peak}.", {"peak": "3.1 kV"})
    assert filled == Translated("Up to 3.1 kV.", "en")


@pytest.mark.parametrize("german", ["Warten.", "{zeit} warten.", "{wait} warten, {wait}.", "{wait"])
def test_other_figures_than_the_english_ones_are_refused(
    folder: Path, german: str, caplog: pytest.LogCaptureFixture
) -> None:
    write(folder, entry("Wait {wait}.", german), entry("Lamp", "Lampe"))
    texts = texts_in(folder, "de")
    assert texts.of("Wait {wait}.") == Translated("Wait {wait}.", "en")
    assert texts.of("Lamp").lang == "de"
    assert [record.levelno for record in caplog.records] == [logging.ERROR]


@pytest.mark.parametrize(
    "raw",
    [
        b"\xff\xfe\x00",
        b"no catalogue at all",
        HEAD.replace("utf-8", "nowhere").encode() + entry("Lamp", "Lampe").encode(),
        b'msgid "Lamp"\nmsgstr "Lampe',  # cut off: not even what is whole before it counts
        b'msgid "Do not touch"\nmsgstr ""\n"Nicht "\n"anfass',
        b'msgid "a\nmsgstr "b"\n',
        b'msgid ""\nmsgstr ""\n"Plural-Forms: nplurals=x;\\n"\n\nmsgid "a"\nmsgstr "b"\n',
        b'msgid "a"\nmsgstr "\xe4"\n',
        b"#" * 2_000_001,
    ],
)
def test_a_broken_one_counts_as_absent_and_is_logged_once(
    folder: Path, raw: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    path_of(folder, "de").write_bytes(raw)
    for _ in range(3):
        texts = texts_in(folder, "de")
        assert texts == Texts("en", {})
        assert texts.of("Lamp") == Translated("Lamp", "en")
    (record,) = caplog.records
    assert "de.po" in record.getMessage()
    assert "\n" not in record.getMessage()


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"\xef\xbb\xbf" + entry("Lamp", "Lampe").encode(),
        b'msgid "Lamp"\nmsgid_plural "Lamps"\nmsgstr[0] "x"\nmsgstr[1] "y"\n',
        b'msgctxt "rig"\nmsgid "Lamp"\nmsgstr "x"\n',
    ],
)
def test_what_is_odd_is_taken_for_what_it_says_or_not_at_all(folder: Path, raw: bytes) -> None:
    path_of(folder, "de").write_bytes(raw)
    assert texts_in(folder, "de").of("Lamp") in (
        Translated("Lampe", "de"),
        Translated("Lamp", "en"),
    )


@pytest.mark.parametrize("language", ["en", "fr", "xx", "", "../de", "de/../de", "DE", "d\0e"])
def test_a_language_that_is_not_there_is_english(folder: Path, language: str) -> None:
    write(folder, entry("Lamp", "Lampe"))
    assert texts_in(folder, language) == Texts("en", {})


def test_languages_are_the_catalogues_that_are_there(folder: Path) -> None:
    assert languages_of(folder) == ()
    for name in ("de.po", "fr.po", "pt-BR.po", "en.po", "notes.po", "de.po~", "de.mo"):
        (folder / "translations" / name).touch()
    assert languages_of(folder) == ("de", "fr", "pt-BR")
    shutil.rmtree(folder / "translations")
    assert languages_of(folder) == ()


def test_a_changed_catalogue_is_read_again_and_an_unchanged_one_is_not(folder: Path) -> None:
    write(folder, entry("Lamp", "Lampe"))
    first = texts_in(folder, "de")
    assert texts_in(folder, "de") is first
    write(folder, entry("Lamp", "Leuchte"))
    os.utime(path_of(folder, "de"), ns=(1, 1))
    assert texts_in(folder, "de").of("Lamp").text == "Leuchte"
    path_of(folder, "de").unlink()
    assert texts_in(folder, "de").of("Lamp").lang == "en"


def test_catalogues_are_no_part_of_what_a_rule_set_says(folder: Path) -> None:
    plain = load_rule_set(RIG)
    path_of(folder, "de").write_bytes(b"\xff broken")
    assert load_rule_set(folder).content_hash == plain.content_hash
    write(folder, *(entry(one.english.replace('"', ""), "x") for one in texts_of(plain)))
    assert load_rule_set(folder).content_hash == plain.content_hash


def test_an_operators_own_folder_may_hold_them(folder: Path) -> None:
    """As a reload has it: loaded beside the bundled ones, pickled, and taken up by a worker."""
    write(folder, entry("Lamp", "Lampe"))
    loaded: Catalogue = pickle.loads(pickle.dumps(Catalogue.load(folder.parent)))
    name = load_rule_set(folder).id
    assert texts_in(loaded.source(name).folder, "de").of("Lamp").text == "Lampe"


def test_bundled_rule_sets_have_german(catalogue: Catalogue) -> None:
    for name in catalogue.ids():
        source = catalogue.source(name)
        assert source.folder.parent == bundled_rules()
        assert languages_of(source.folder) == ("de",)


def test_who_asks_for_no_translation_does_not_pay_for_it() -> None:
    script = (
        "import sys; from service.app import create_app; import service.texts as texts;"
        "from service.ruleset.catalogue import Catalogue;"
        "create_app(); texts.texts_in(Catalogue.load().source('tumble-dryer').folder, 'en');"
        "sys.exit('babel.messages' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == 0
