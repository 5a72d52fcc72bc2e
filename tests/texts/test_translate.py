"""`ohmpath rules translate`: an author's catalogue kept up to date, and checked."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from service.commands.main import main
from service.record.written import language, languages
from service.ruleset.catalogue import bundled_rules, load_rule_set
from service.texts import Translated, path_of, texts_in, texts_of

RIG = Path(__file__).parents[1] / "ruleset" / "rig"


def translate(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["rules", "translate", *map(str, arguments)])


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "rig"
    shutil.copytree(RIG, made)
    return made


def fill(folder: Path) -> dict[str, str]:
    """Translate everything into the same with an X before it."""
    path = path_of(folder, "de")
    out, english = [], ""
    for line in path.read_text(encoding="utf-8").splitlines():
        if line.startswith("msgid "):
            english = line[7:-1]
        elif line.startswith('"') and english is not None and not line.endswith('\\n"'):
            english += line[1:-1]
        elif line == 'msgstr ""' and english:
            line = f'msgstr "X{english}"'
        out.append(line)
    path.write_text("\n".join(out) + "\n", encoding="utf-8")
    return {one.english: f"X{one.english}" for one in texts_of(load_rule_set(folder))}


def test_a_new_catalogue_lists_every_text_and_where_it_is_used(folder: Path) -> None:
    result = translate(folder, "de")
    path = path_of(folder, "de")
    assert (result.exit_code, result.output) == (0, f"{path}\n")
    raw = path.read_bytes()
    shown = texts_of(load_rule_set(folder))
    assert raw.count(b"\nmsgid ") == len(shown) + 1  # and the header
    assert b"\n#. check meter: title\n" in raw or b": title\n" in raw
    assert b"Date" not in raw
    path.unlink()
    translate(folder, "de")
    assert path.read_bytes() == raw


def test_check_names_what_is_missing(folder: Path) -> None:
    assert translate(folder, "de", "--check").exit_code == 2
    translate(folder, "de")
    result = translate(folder, "de", "--check")
    count = len(texts_of(load_rule_set(folder)))
    assert result.exit_code == 1
    assert result.output.count(": missing: ") == count
    assert result.output.endswith(f"{count} texts to be translated\n")
    wanted = fill(folder)
    result = translate(folder, "de", "--check")
    assert (result.exit_code, result.output) == (0, "nothing lacking\n")
    german = texts_in(folder, "de")
    assert {english: german.of(english).text for english in wanted} == wanted
    # What it has is what it keeps.
    before = path_of(folder, "de").read_bytes()
    translate(folder, "de")
    after = path_of(folder, "de").read_bytes()
    translate(folder, "de")
    assert path_of(folder, "de").read_bytes() == after
    assert texts_in(folder, "de").of(next(iter(wanted))).lang == "de"
    assert before.count(b"\nmsgid ") == after.count(b"\nmsgid ")


def test_a_changed_text_is_fuzzy_and_comes_back_with_its_translation(folder: Path) -> None:
    translate(folder, "de")
    fill(folder)
    faults = folder / "faults.yaml"
    old = faults.read_text(encoding="utf-8")
    title = next(iter(load_rule_set(folder).faults.values())).title
    faults.write_text(old.replace(title, f"{title} again", 1), encoding="utf-8")
    assert translate(folder, "de", "--check").output.count(": missing: ") == 1
    translate(folder, "de")
    result = translate(folder, "de", "--check")
    assert result.exit_code == 1
    assert result.output.count(f": fuzzy: {title} again (") == 1
    assert texts_in(folder, "de").of(f"{title} again").lang == "en"


def test_a_text_that_is_gone_is_kept_until_it_comes_back(folder: Path) -> None:
    translate(folder, "de")
    fill(folder)
    faults = folder / "faults.yaml"
    old = faults.read_text(encoding="utf-8")
    title = next(iter(load_rule_set(folder).faults.values())).title
    faults.write_text(old.replace(title, "Zzz 0 qqq", 1), encoding="utf-8")
    translate(folder, "de")
    assert f'#~ msgid "{title}"' in path_of(folder, "de").read_text(encoding="utf-8")
    assert texts_in(folder, "de").of(title).lang == "en"
    faults.write_text(old, encoding="utf-8")
    translate(folder, "de")
    assert translate(folder, "de", "--check").exit_code == 0
    assert texts_in(folder, "de").of(title).text == f"X{title}"


def test_check_names_figures_that_differ(tmp_path: Path) -> None:
    folder = tmp_path / "microwave-oven"
    shutil.copytree(bundled_rules() / "microwave-oven", folder)
    path = path_of(folder, "de")
    text = path.read_text(encoding="utf-8")
    old = "Bei gezogenem Netzstecker mindestens {wait} warten"
    assert old in text
    path.write_text(text.replace(old, old.replace("{wait}", "{zeit}")), encoding="utf-8")
    result = translate(folder, "de", "--check")
    assert result.exit_code == 1
    assert ": figures: With the plug out, wait at least {wait}" in result.output
    assert "(figures in braces must be: {wait})" in result.output


def test_bundled_catalogues_are_up_to_date(tmp_path: Path) -> None:
    """Comments and order too: the command would change nothing."""
    copy = tmp_path / "rules"
    shutil.copytree(bundled_rules(), copy)
    assert translate(copy, "de").exit_code == 0
    for path in bundled_rules().glob("*/translations/*.po"):
        assert (copy / path.relative_to(bundled_rules())).read_bytes() == path.read_bytes()


def test_what_cannot_be_done_is_said(folder: Path, tmp_path: Path) -> None:
    for code in ("en", "german", "../x", "DE"):
        result = translate(folder, code)
        assert result.exit_code == 2
        assert "no language to translate into" in result.output
    path = path_of(folder, "de")
    path.parent.mkdir()
    path.write_bytes(b"broken")
    assert translate(folder, "de").exit_code == 2
    assert path.read_bytes() == b"broken"
    assert translate(tmp_path / "rig" / "translations", "de").exit_code == 2


def test_in_a_third_language_the_words_of_the_record_are_among_them(
    folder: Path,
) -> None:
    """One file has all that a record needs, and the record takes both from there."""
    translate(folder, "fr")
    path = path_of(folder, "fr")
    text = path.read_text(encoding="utf-8")
    assert '#. service record\nmsgid "Service record"\nmsgstr ""\n' in text
    assert translate(folder, "fr", "--check").output.count("missing: Service record (") == 1
    text = text.replace(
        'msgid "Service record"\nmsgstr ""', 'msgid "Service record"\nmsgstr "Fiche"'
    )
    path.write_text(text, encoding="utf-8")
    assert "missing: Service record (" not in translate(folder, "fr", "--check").output
    assert languages(folder) == ("en", "de", "fr")
    assert language("fr", folder).say("Service record") == Translated("Fiche", "fr")
    assert language("fr", folder).say("Equipment") == Translated("Equipment", "en")
    # Those that come with the service stand.
    translate(folder, "de")
    assert "service record" not in path_of(folder, "de").read_text(encoding="utf-8")
    assert language("de", folder).say("Service record").lang == "de"
