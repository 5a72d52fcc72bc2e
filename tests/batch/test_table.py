"""Cases out of a table, and results into one."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.batch.items import Item
from service.batch.table import COLUMNS, from_table, header_row, result_row, summary_row
from service.problems import INTERNAL_ERROR, Problem

HEAD = "case_id,equipment,symptom,check,observed,value,unit"


def items(text: str | bytes, most: int = 1000) -> list[Item]:
    raw = text.encode() if isinstance(text, str) else text
    return list(from_table(io.BytesIO(raw), most))


def refused(text: str | bytes) -> Problem:
    with pytest.raises(Problem) as caught:
        items(text)
    return caught.value


def test_the_rows_of_a_case_make_one_case() -> None:
    found = items(
        f"{HEAD},over_range,nameplate.supply_voltage,nameplate.high_voltage_supply,"
        "instrument.resistance.percent_of_reading,instrument.resistance.lead_resistance,"
        "required_confidence,confirmed,conditions.load_volume,expected.fault\r\n"
        "a,oven,no-heat,display,lit,,,,230 V,inverter,0.8,0.2 Ohm,0.95,x; y,,f;-\r\n"
        "a,oven,,fuse,,0.4,Ohm,,,,,,,,,\r\n"
        ",,,winding,,OL,Ohm,,,,,,,,,\r\n"
        ",,,diode,,,,TRUE,,,,,,,,\r\n"
        "\r\n"
        "b,oven,low-heat,survey,,1e-1,mW/cm2,,,,,,,,275 mL,\r\n"
    )
    assert [(one.index, one.line, one.problem) for one in found] == [(0, 2, None), (1, 7, None)]
    assert found[0].document == {
        "case_id": "a",
        "equipment": "oven",
        "symptom": "no-heat",
        "nameplate": {
            "supply_voltage": {"value": 230.0, "unit": "V"},
            "high_voltage_supply": "inverter",
        },
        "instrument": {
            "resistance": {
                "percent_of_reading": 0.8,
                "lead_resistance": {"value": 0.2, "unit": "Ohm"},
            }
        },
        "required_confidence": 0.95,
        "confirmed": ["x", "y"],
        "expected": {"fault": ["f", None]},
        "readings": [
            {"check": "display", "observed": "lit"},
            {"check": "fuse", "value": 0.4, "unit": "Ohm"},
            {"check": "winding", "over_range": True},
            {"check": "diode", "over_range": True},
        ],
    }
    survey = {"check": "survey", "value": 0.1, "unit": "mW/cm2"}
    volume = {"load_volume": {"value": 275.0, "unit": "mL"}}
    assert found[1].document["readings"] == [{**survey, "conditions": volume}]


def test_what_cannot_be_a_number_is_left_for_the_schema_to_refuse() -> None:
    (found,) = items(f'{HEAD}\na,oven,s,fuse,,"0,4",Ohm\n')
    assert found.document["readings"][0]["value"] == "0,4"


def test_a_spreadsheets_own_ways_are_taken() -> None:
    text = HEAD.replace(",", ";") + "\r\na;oven;s;display;lit;;\r\n"
    (found,) = items(b"\xef\xbb\xbf" + text.encode())
    assert found.document["readings"] == [{"check": "display", "observed": "lit"}]
    (quoted,) = items(f'{HEAD}\na,oven,s,"two\nlines",lit,,\n')
    assert quoted.document["readings"][0]["check"] == "two\nlines"


ROWS = "".join(f"job-{n},oven,no-heat,display,lit,,\n" for n in range(300))


@pytest.mark.parametrize(
    "mangled",
    [
        f"{HEAD}\n{ROWS}".replace("\n", ""),  # curl -d @FILE
        f"{HEAD}\n{ROWS}".replace("\n", "\r"),
        f'{HEAD},note\na,oven,s,x,lit,,,"a ""b"" c"\n'.replace("\n", ""),
        f"{HEAD}\n{ROWS * 20}".replace("\n", ""),  # longer than a line may be
        "equipment,symptom",
    ],
)
def test_a_table_without_line_breaks_is_one_mistake(mangled: str) -> None:
    with pytest.raises(Problem) as caught:
        items(mangled, most=100_000)
    assert caught.value.kind.name == "malformed-csv"
    assert caught.value.errors == ()
    assert "curl keeps them with --data-binary, not with -d." in caught.value.detail


def test_columns_that_are_wrong_are_named_up_to_a_bound() -> None:
    names = ",".join(f"column {n}" for n in range(60))
    problem = refused(f"{HEAD},{names}\n{ROWS}")
    assert len(problem.errors) == 20
    assert problem.detail.startswith("60 things are wrong with the request (20 are listed)")
    assert "--data-binary" not in problem.detail


@pytest.mark.parametrize(
    ("rows", "pointer", "words"),
    [
        ("a,oven,s,x,lit,,\nb,oven,s,x,lit,,\na,oven,s,y,lit,,", "/case_id", "on line 2 already"),
        ("a,oven,s,x,lit,,\na,oven,t,y,lit,,", "/symptom", 'line 2 says "s", line 3 says "t"'),
        (",oven,s,x,lit,,", "/case_id", "is required"),
    ],
)
def test_rows_that_do_not_go_together_are_a_problem_of_their_case(
    rows: str, pointer: str, words: str
) -> None:
    found = items(f"{HEAD}\n{rows}\nz,oven,s,x,lit,,\n")
    wrong = [one for one in found if one.problem is not None]
    assert len(wrong) == 1
    assert wrong[0].problem is not None
    assert wrong[0].problem.errors[0][0] == pointer
    assert words in wrong[0].problem.errors[0][1]
    assert found[-1].document["case_id"] == "z"


def test_a_row_that_is_none_does_not_harm_the_cases_around_it() -> None:
    raw = f"{HEAD}\na,oven,s,x,lit,,\n".encode()
    raw += b"b,oven,s,\xff,lit,,\n" + b"c,oven,s,x,lit,,,,much,too,many\n"
    raw += b"d,oven,s," + b"x" * 2000 + b",lit,,\n" + b'e,oven,s,x"y"z,"q"w,,\ne,oven,s,x,lit,,\n'
    found = items(raw)
    assert [one.index for one in found] == list(range(len(found)))
    good = [one.document["case_id"] for one in found if one.problem is None]
    assert good == ["a", "e"]
    details = [one.problem.detail for one in found if one.problem is not None]
    assert "Line 3 is not UTF-8: byte 0xff" in details[0]
    assert "Line 4 has 11 cells; the header has 7 columns" in details[1]
    assert "Line 5 is longer than 1000 bytes" in details[2]
    assert "Line 6" in details[3]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "empty"),
        ("\n", "case_id is missing"),
        ("case_id,symptom\n", "equipment is missing"),
        (f"{HEAD},observd\n", "did you mean observed?"),
        (f"{HEAD},nameplate\n", "unknown column"),
        (f"{HEAD},nameplate.a.b\n", "unknown column"),
        (f"{HEAD},expected.verdict\n", "unknown column"),
        (f"{HEAD},check\n", "stands twice"),
        (b"\xff\n", "not UTF-8"),
    ],
)
def test_a_table_without_a_usable_header_is_refused_as_a_whole(
    text: str | bytes, words: str
) -> None:
    problem = refused(text)
    said = " ".join([problem.detail, *(message for _, message in problem.errors)])
    assert words in said


CELL = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=6)


@given(st.lists(st.lists(CELL, min_size=1, max_size=9), max_size=8))
def test_no_table_is_too_strange(rows: list[list[str]]) -> None:
    out = io.StringIO()
    csv.writer(out).writerows(rows)
    found = items(f"{HEAD}\n{out.getvalue()}")
    assert [one.index for one in found] == list(range(len(found)))
    for one in found:
        assert one.problem is not None or isinstance(one.document["readings"], list)


@given(st.binary(max_size=200))
def test_no_bytes_are_too_strange(raw: bytes) -> None:
    found = items(HEAD.encode() + b"\n" + raw, most=60)
    assert [one.index for one in found] == list(range(len(found)))


def test_results_are_a_table_that_ends_with_what_is_complete() -> None:
    assessment = {
        "status": "fault-found",
        "verdict": {"fault": "f", "component": "c", "confidence": 0.93},
        "next_check": None,
    }
    good = {"index": 0, "line": 2, "case_id": "=cmd()", "assessment": assessment}
    failed = Problem(INTERNAL_ERROR, "It\nfailed.").document("")
    bad = {"index": 1, "line": 5, "case_id": None, "problem": failed}
    counts = {"cases": 2, "assessed": 1, "agreement": {"expected": 1, "agreed": 0}}
    summary = {"complete": True, **counts}
    text = header_row() + result_row(good) + result_row(bad) + summary_row(summary)
    rows = list(csv.DictReader(io.StringIO(text, newline=""), strict=True))
    assert [list(row) for row in rows] == [list(COLUMNS)] * 3
    assert rows[0]["case_id"] == "'=cmd()", "a spreadsheet would run it"
    assert (rows[0]["fault"], rows[0]["confidence"], rows[0]["agrees"]) == ("f", "0.93", "")
    assert (rows[1]["problem"], rows[1]["detail"]) == ("internal-error", "It\nfailed.")
    assert rows[2]["status"] == "complete"
    assert rows[2]["detail"] == "2 cases, 1 assessed, 0 of 1 as expected"
