"""The German of both rule sets: whole, with its figures, and no weaker than the English."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from service.ruleset.catalogue import Catalogue, Source
from service.ruleset.model import SIGNAL_WORDS
from service.texts import lacks, path_of, texts_in, texts_of

SETS = ("microwave-oven", "tumble-dryer")
# Words that are the same in both languages.
ALIKE = {"normal"}
# What must not be lost on the way: where the English says so, the German has to.
KEPT = {
    r"\b[Nn]ever\b": r"\b([Nn]iemals|nie)\b",
    r"\bNobody may\b": r"\bNiemand darf\b",
    r"\bout of use\b": r"\baußer Betrieb\b",
    r"\b[Pp]rove .*\bdead\b": r"\bSpannungsfreiheit\b.* feststellen",
    r"\b([Pp]ull the plug|[Uu]nplug(ged)?)\b": r"(?i)Netzstecker|abstecken|abziehen|abgezogen",
    r"[Dd]ischarged and verified": r"[Ee]ntladen und die Entladung nachgewiesen",
    r"\bverify\b": r"nachweisen|nachgewiesen",
    r"\blicensed for\b": r"dafür zugelassen|zugelassen ist",
    r"\bone hand only\b": r"nur mit einer Hand",
    r"\bsame type and rating\b": r"gleichem Typ und gleichen Bemessungswerten",
    r"\bCAT (II|III) 300 V or better\b": r"\bCAT (II|III) 300 V oder besser\b",
}


@pytest.fixture(scope="module", params=SETS)
def source(request: pytest.FixtureRequest, catalogue: Catalogue) -> Source:
    return catalogue.source(request.param)


@pytest.fixture(scope="module")
def pairs(source: Source) -> dict[str, str]:
    """The German of each text."""
    german = texts_in(source.folder, "de")
    return {one.english: german.of(one.english).text for one in texts_of(source.rule_set)}


def test_every_text_is_there(source: Source) -> None:
    assert lacks(source.rule_set, source.folder, "de") == []
    german = texts_in(source.folder, "de")
    shown = texts_of(source.rule_set)
    assert len(shown) > 500
    assert {german.of(one.english).lang for one in shown} == {"de"}


# What only a program could do anything with.
FOR_PROGRAMS = {
    "en": r"`|\b[Ss]end\b|\b[a-z]+_[a-z]+\b|\b(unavailable|JSON|request|null)\b",
    "de": r"`|\b[Ss]enden?\b|\b[a-z]+_[a-z]+\b|\b(JSON|Anfrage)\b",
}


def test_texts_speak_to_people(source: Source, pairs: dict[str, str]) -> None:
    """What a program is to send stands in `confirms`, `withdraws` and the like."""
    ids = {one for one in (*source.rule_set.precautions, *source.rule_set.checks) if "-" in one}
    for both in pairs.items():
        for text, pattern in zip(both, FOR_PROGRAMS.values(), strict=True):
            assert re.search(pattern, text) is None, text
            assert not ids & set(re.findall(r"\b[a-z]+(?:-[a-z]+)+\b", text)), text


def test_what_is_confirmed_is_confirmed_last(source: Source) -> None:
    """Every preparation ends with its confirmation, by the person who has carried it out."""
    for step in source.rule_set.preparations.values():
        assert step.how[-1].startswith("Only then confirm that "), step.id
        german = texts_in(source.folder, "de").of(step.how[-1]).text
        assert german.startswith("Erst dann bestätigen, dass "), step.id


def test_nothing_is_left_in_english(pairs: dict[str, str]) -> None:
    assert {english for english, german in pairs.items() if english == german} <= ALIKE


def test_numbers_and_names_are_those_of_the_english(pairs: dict[str, str]) -> None:
    for english, german in pairs.items():
        with_points = re.sub(r"(?<=\d),(?=\d)", ".", german)
        for pattern in (r"\d+(?:\.\d+)?", r"`[^`]*`", r"\{[^}]*\}"):
            assert sorted(re.findall(pattern, english)) == sorted(
                re.findall(pattern, with_points)
            ), english


@pytest.mark.parametrize("said", KEPT)
def test_what_keeps_people_safe_is_not_lost(said: str, catalogue: Catalogue) -> None:
    found = 0
    for one in map(catalogue.source, SETS):
        german = texts_in(one.folder, "de")
        for english in (shown.english for shown in texts_of(one.rule_set)):
            if re.search(said, english):
                found += 1
                assert re.search(KEPT[said], german.of(english).text), english
    assert found


def test_signal_words_are_those_of_the_standards(catalogue: Catalogue) -> None:
    german = texts_in(catalogue.source("microwave-oven").folder, "de")
    words = [german.of(word).text for word in SIGNAL_WORDS]
    assert words == ["GEFAHR", "WARNUNG", "VORSICHT", "HINWEIS"]


def test_the_same_english_is_the_same_german_in_both(catalogue: Catalogue) -> None:
    oven, dryer = (catalogue.source(name) for name in SETS)
    both = {one.english for one in texts_of(oven.rule_set)} & {
        one.english for one in texts_of(dryer.rule_set)
    }
    differing = {
        english
        for english in both
        if texts_in(oven.folder, "de").of(english) != texts_in(dryer.folder, "de").of(english)
    }
    # A coupling breaks, a belt tears; a thermostat opens at once, an oven gives up at once.
    assert differing == {"broken", "at once"}


def test_who_has_not_reviewed_it_is_said(source: Source) -> None:
    head = Path(path_of(source.folder, "de")).read_text(encoding="utf-8").partition("msgid")[0]
    assert "No licensed electrician has reviewed this translation" in head
