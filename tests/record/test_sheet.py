"""The sheet says what the assessment says, in either language, and leaves out no precaution."""

from __future__ import annotations

import re
from html import unescape
from html.parser import HTMLParser

import pytest
from babel.messages.extract import extract_from_dir
from hypothesis import given
from hypothesis import strategies as st

from service.api.cases import load_case
from service.api.response_schemas import STATUSES as ALL_STATUSES
from service.diagnosis.case import read_case
from service.diagnosis.findings import NOTES
from service.diagnosis.precautions import NOT_COUNTED, figures, fill
from service.record.sheet import NO_VERDICT, PROOFS, PROVEN_UNREPAIRED, RESULTS, STATUSES
from service.record.written import FOLDER, language, languages, symbol
from service.ruleset.catalogue import Catalogue
from service.texts import Translated, texts_in
from tests.record.sheets import BEGUN, CASES, NO_HEAT, RELEASED, SAFE, html, recorded


class Reader(HTMLParser):
    """The words of a page, and its elements."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        while self.open and self.open.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def plain(markup: str) -> str:
    """What a piece of a page reads like."""
    text = unescape(re.sub(r"<.*?>", "", markup.replace("<br>", " ")))
    return " ".join(text.split())


def cells(page: str) -> list[list[str]]:
    """The findings, row by row."""
    table = page.partition("<tbody>")[2].partition("</tbody>")[0]
    rows = re.findall("<tr.*?</tr>", table, re.DOTALL)
    return [[plain(one) for one in re.findall("<t[dh].*?</t[dh]>", row, re.DOTALL)] for row in rows]


def part_of(page: str, name: str) -> str:
    """What a section reads like."""
    return plain(
        page.partition(f'<section aria-labelledby="{name}">')[2].partition("</section>")[0]
    )


def read(text: str) -> Reader:
    reader = Reader()
    reader.feed(text)
    return reader


@pytest.mark.parametrize("code", ["en", "de"])
@pytest.mark.parametrize("name", CASES)
def test_all_that_protects_people_is_on_the_sheet(
    catalogue: Catalogue, name: str, code: str
) -> None:
    case = CASES[name]
    answer, found, _ = recorded(catalogue, case, code)
    assert len(found.precautions) == len(answer["precautions"]) > 0
    shown = read(html(catalogue, case, code)).text
    if code == "en":
        for one in answer["precautions"]:
            assert " ".join(one["text"].split()) in shown
    now = [one.now for one in found.precautions]
    assert now == sorted(now, reverse=True), "what applies now comes first"
    # Before any step of the work.
    text = html(catalogue, case, code)
    assert text.index('id="precautions"') < text.index('id="remains"')


@pytest.mark.parametrize("name", CASES)
def test_german_is_german_but_for_what_is_made_up_in_between(
    catalogue: Catalogue, name: str
) -> None:
    case = CASES[name]
    answer, _, _ = recorded(catalogue, case, "de")
    page = html(catalogue, case, "de")
    fallen = re.findall(r'<span lang="en" class="fallen">(.*?)</span>', page)
    made_up = {one["text"] for one in answer["reasons"]}
    made_up |= {note for one in answer["findings"] for note in one["notes"]}
    assert {unescape(one) for one in fallen} <= made_up
    assert "Servicebericht" in page
    assert read(page).elements[0] == ("html", {"lang": "de"})


@pytest.mark.parametrize(
    ("code", "parts"),
    [
        (
            "en",
            [
                "Parts: High-voltage capacitor with its bleed resistor; "
                "High-voltage diode; Main fuse.",
                "Parts: High-voltage diode.",
            ],
        ),
        (
            "de",
            [
                "Teile: Hochspannungskondensator mit Entladewiderstand; "
                "Hochspannungsdiode; Gerätesicherung (Schmelzsicherung).",
                "Teile: Hochspannungsdiode.",
            ],
        ),
    ],
)
def test_parts_are_called_what_the_trade_calls_them(
    catalogue: Catalogue, code: str, parts: list[str]
) -> None:
    """Those of a fault, what it took with it, and those of a second fault."""
    shorted = [
        {"check": check, "observed": "shorted"}
        for check in ("capacitor-resistance", "diode-reverse")
    ]
    opened = [
        {"check": check, "over_range": True} for check in ("main-fuse-resistance", "monitor-switch")
    ]
    case = {**BEGUN, "symptom": "blows-fuse", "readings": [*opened, *shorted, *shorted]}
    shown = read(html(catalogue, {**case, "confirmed": SAFE}, code)).text
    assert re.findall(r"(?:Parts|Teile): .*?\.", shown.replace(" ;", ";")) == parts


def test_figures_are_in_german_precautions_as_german_writes_them(catalogue: Catalogue) -> None:
    rule_set = catalogue.get("microwave-oven")
    worked_out = figures(rule_set, read_case(rule_set, load_case(NO_HEAT)))
    page = html(catalogue, NO_HEAT, "de")
    assert worked_out["peak"].replace(".", ",") in page
    assert worked_out["wait"] in page
    template = rule_set.precautions["capacitor-discharged"].text
    assert fill(template, worked_out) in read(html(catalogue, NO_HEAT, "en")).text


def test_what_an_assessment_adds_to_a_precaution_is_not_lost(catalogue: Catalogue) -> None:
    """A confirmation that does not hold any more comes with words of its own."""
    for precaution in catalogue.get("microwave-oven").precautions.values():
        for other in precaution.withdrawn_by:
            case = {**BEGUN, "confirmed": [precaution.id, other]}
            answer, found, _ = recorded(catalogue, case, "de")
            longer = [one for one in answer["precautions"] if one["void_because"]]
            if longer:
                more = [one.parts[1] for one in found.precautions if len(one.parts) > 1]
                assert [one.lang for one in more] == ["de"] * len(longer)
                assert all("Noch einmal durchführen" in one.text for one in more)
                return
    pytest.fail("no such case")


def test_nothing_of_a_request_becomes_markup(catalogue: Catalogue) -> None:
    wild = "<script>alert(1)</script>&\"'"
    case = {
        **NO_HEAT,
        "case_id": wild,
        "readings": [{**NO_HEAT["readings"][0], "note": wild}],
        "confirmed": [],
    }
    reader = read(html(catalogue, case, "en"))
    assert "script" not in {tag for tag, _ in reader.elements}
    assert reader.text.count("<script>alert(1)</script>&\"'") == 2


def test_a_page_needs_nothing_but_itself(catalogue: Catalogue) -> None:
    for tag, attributes in read(html(catalogue, NO_HEAT, "en")).elements:
        assert tag not in {"script", "img", "link", "iframe"}
        assert not attributes.keys() & {"src", "href", "style", "onclick"}, tag


def test_bars_are_the_hypotheses_and_add_up(catalogue: Catalogue) -> None:
    answer, found, _ = recorded(catalogue, NO_HEAT, "en")
    assert sum(bar.width for bar in found.bars) == pytest.approx(100)
    first = answer["hypotheses"][0]
    assert found.bars[0].width == pytest.approx(100 * first["probability"])
    drawn = [
        float(str(attributes["width"]))
        for tag, attributes in read(html(catalogue, NO_HEAT, "en")).elements
        if tag == "rect" and attributes["fill"] != "#dddddd"
    ]
    assert drawn == [pytest.approx(bar.width, abs=0.01) for bar in found.bars]


def test_readings_show_value_uncertainty_and_limits(catalogue: Catalogue) -> None:
    answer, found, _ = recorded(catalogue, NO_HEAT, "en")
    rows = {row.check.text: row for row in found.rows}
    assert len(rows) == len(NO_HEAT["readings"])
    measured = answer["findings"][1]["measured"]
    row = found.rows[1]
    assert row.value == "228.6\N{NARROW NO-BREAK SPACE}V"
    uncertainty = f"± {measured['standard_uncertainty']:.1f}\N{NARROW NO-BREAK SPACE}V"
    assert row.made_of_it == [uncertainty]
    assert len(row.limits) == len(answer["findings"][1]["limits"])
    assert found.rows[2].value == Translated("over range", "en")


@pytest.mark.parametrize(
    ("code", "reading", "shown"),
    [
        ("en", {"value": 0.4, "unit": "Ohm"}, "0.4 Ω without leads: 0.20 ± 0.20 Ω"),
        ("de", {"value": 0.4, "unit": "Ohm"}, "0,4 Ω ohne Messleitungen: 0,20 ± 0,20 Ω"),
        ("en", {"value": 0.0004, "unit": "kOhm"}, "0.0004 kΩ without leads: 0.00020 ± 0.00020 kΩ"),
        ("en", {"value": 40, "unit": "kOhm"}, "40 kΩ ± 0.39 kΩ"),  # leads make no odds
        ("en", {"over_range": True}, "over range"),
    ],
)
def test_what_was_read_is_shown_as_it_was_sent(
    catalogue: Catalogue, code: str, reading: dict[str, object], shown: str
) -> None:
    case = {**BEGUN, "readings": [{"check": "primary-interlock-switch", **reading}]}
    assert cells(html(catalogue, case, code))[0][2] == shown


@pytest.mark.parametrize(
    ("code", "reading", "shown"),
    [
        (
            "en",
            {"check": "water-load-power", "observed": "normal"},
            "normal judged, no value stated",
        ),
        (
            "de",
            {"check": "leakage-survey", "observed": "within-limit"},
            "innerhalb der Grenze beurteilt, kein Messwert angegeben",
        ),
        ("en", {"check": "lamp", "observed": "lit"}, "lit"),
        # It says that there is nothing to measure.
        ("en", {"check": "high-voltage-fuse-resistance", "observed": "not-fitted"}, "not fitted"),
    ],
)
def test_a_judgement_in_place_of_a_value_says_so(
    catalogue: Catalogue, code: str, reading: dict[str, str], shown: str
) -> None:
    assert cells(html(catalogue, {**BEGUN, "readings": [reading]}, code))[0][2] == shown


@pytest.mark.parametrize(
    ("code", "proven", "mended", "nothing"),
    [
        (
            "en",
            "The repair is proven: the equipment is released for use.",
            "Fault repaired, most probably: Magnetron filament open (93 %)",
            "Nothing: the proof is complete.",
        ),
        (
            "de",
            "Die Reparatur ist nachgewiesen: Das Gerät ist zur Benutzung freigegeben.",
            "Behobener Fehler, höchstwahrscheinlich: Heizfaden des Magnetrons unterbrochen (93 %)",
            "Nichts: Der Nachweis ist vollständig.",
        ),
    ],
)
def test_a_released_case_reads_like_one(
    catalogue: Catalogue, code: str, proven: str, mended: str, nothing: str
) -> None:
    answer, found, spoken = recorded(catalogue, RELEASED, code)
    assert answer["status"] == "released"
    page = html(catalogue, RELEASED, code)
    verdict, remains = (part_of(page, name) for name in ("verdict", "remains"))
    assert proven in verdict
    assert mended in verdict
    assert len(found.proof["passed"]) == len(answer["release"]["proof"]) > 10
    for one in found.proof["passed"]:
        assert one.text in verdict
    assert remains == f"{spoken.say('What remains to be done').text} {nothing}"
    assert spoken.say("What may be wrong, and how probable it is").text not in verdict
    looking_back = "What was wrong before the last repair, and how probable that was"
    assert spoken.say(looking_back).text in verdict


def test_released_without_a_repair_no_fault_is_named(catalogue: Catalogue) -> None:
    found_wrong = {"check": "magnetron-filament-resistance", "over_range": True}
    known = [one for one in RELEASED["readings"][5:] if one != found_wrong]
    case = {**RELEASED, "repairs": [], "readings": known}
    answer, found, _ = recorded(catalogue, case, "en")
    assert answer["status"] == "released"
    assert (found.mended, found.bars) == (None, [])
    verdict = part_of(html(catalogue, case, "en"), "verdict")
    assert "is proven to be safe to use" in verdict
    assert "The repair" not in verdict


def test_a_proof_that_fails_says_that_it_does(catalogue: Catalogue) -> None:
    leaks = {"check": "leakage-survey", "value": 9.0, "unit": "mW/cm2"}
    case = {**RELEASED, "readings": [*RELEASED["readings"], leaks]}
    answer, found, _ = recorded(catalogue, case, "en")
    assert answer["status"] == "not-released"
    assert found.mended is None
    page = html(catalogue, case, "en")
    assert "Not proven: the equipment stays out of use." in part_of(page, "verdict")
    assert "Nothing" not in part_of(page, "remains")


def test_words_do_not_run_together(catalogue: Catalogue) -> None:
    """A precaution's sign and what comes after it."""
    for code, later in (("en", "for a later step"), ("de", "für einen späteren Schritt")):
        shown = re.sub(r"<.*?>", "", html(catalogue, RELEASED, code))
        assert re.search(rf"ISO 7010 [MW]\d{{3}} {later}", shown)
        assert not re.search(rf"\S{later}", shown)


def test_the_same_case_gives_the_same_bytes(catalogue: Catalogue) -> None:
    assert html(catalogue, NO_HEAT, "de") == html(catalogue, NO_HEAT, "de")


def said() -> set[str]:
    """The words of the form, as Babel finds them in its sources."""
    found = {
        message[2]
        for message in extract_from_dir(
            str(FOLDER),
            method_map=[("**.html", "jinja2.ext:babel_extract"), ("**.py", "python")],
            keywords={"say": None},
        )
    }
    assert all(isinstance(one, str) for one in found)
    fixed = {*STATUSES.values(), *RESULTS.values(), *PROOFS.values(), *NOTES}
    fixed |= {NO_VERDICT, PROVEN_UNREPAIRED, *NOT_COUNTED.values()}
    return {str(one) for one in found} | fixed


def test_every_word_of_the_form_is_translated() -> None:
    assert "Service record" in said()
    german = texts_in(FOLDER, "de")
    assert {one for one in said() if german.of(one).lang != "de"} == set()
    assert set(german.by_english) <= said(), "words that are not said any more"


def test_every_status_has_its_words() -> None:
    assert set(STATUSES) == set(ALL_STATUSES)


def test_a_language_that_is_not_there_is_english(catalogue: Catalogue) -> None:
    folder = catalogue.source("microwave-oven").folder
    assert languages(folder) == ("en", "de")
    spoken = language("en", folder)
    assert spoken.say("Fault found").lang == "en"


@given(st.floats(1e-9, 1e9), st.floats(1e-9, 1e6))
def test_value_and_uncertainty_end_at_the_same_digit(value: float, uncertainty: float) -> None:
    spoken = language("en", FOLDER)
    text = spoken.measured(value, uncertainty, "V").replace(",", "")
    shown, told = text.removesuffix("\N{NARROW NO-BREAK SPACE}V").split(" ± ")
    assert len(shown.partition(".")[2]) == len(told.partition(".")[2])
    decimals = len(told.partition(".")[2])
    assert float(told) == pytest.approx(uncertainty, abs=0.51 * 10.0**-decimals, rel=0.06)
    assert float(shown) == pytest.approx(value, abs=0.51 * 10.0**-decimals)


@pytest.mark.parametrize(
    ("code", "shown"),
    [
        ("Ohm", "Ω"),
        ("kOhm", "kΩ"),
        ("MOhm", "MΩ"),
        ("mOhm", "mΩ"),
        ("uF", "µF"),
        ("Cel", "°C"),
        ("mW/cm2", "mW/cm²"),
        ("W.h", "Wh"),
        ("V", "V"),
        ("1", ""),
        ("[degF]", "°F"),
    ],
)
def test_units_as_people_write_them(code: str, shown: str) -> None:
    assert symbol(code) == shown


@pytest.mark.parametrize(
    ("share", "shown"),
    [
        (0.0, "0 %"),
        (0.001, "< 1 %"),
        (0.5, "50 %"),
        (0.9999, "> 99 %"),
        (1.0, "100 %"),
    ],
)
def test_percent_never_says_sure_of_what_is_not(share: float, shown: str) -> None:
    for code in ("en", "de"):
        assert language(code, FOLDER).percent(share) == shown
