"""YAML that is hostile, or only unlucky: refused with code and place, or read as plain data."""

from __future__ import annotations

import random
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml

from service.commands import authoring
from service.ruleset import catalogue, codes, compose
from service.ruleset.build import FILES, read_folder
from service.ruleset.compose import MAX_DEPTH, MAX_FLAWS, MAX_NODES, MAX_SCALAR
from service.ruleset.source import MAX_FILE_BYTES, RuleSetError, parse_document
from tests.ruleset.rigged import RIG

# code: [(what, wrong, line, column, right, its data)]
EXAMPLES: dict[str, list[tuple[str, bytes, int, int, bytes, object]]] = {
    "encoding": [
        ("Latin-1", b"a: 1\nb: \xe9\n", 2, 4, "b: é\n".encode(), {"b": "é"}),
        ("UTF-16", "a: 1\n".encode("utf-16"), 1, 1, b"\xef\xbb\xbfa: 1\n", {"a": 1}),
        ("half a surrogate pair", b"a: \xed\xa0\x80\n", 1, 4, "a: 😀".encode(), {"a": "😀"}),
    ],
    "yaml-syntax": [
        ("open list", b"a: [1, 2\n", 2, 1, b"a: [1, 2]\n", {"a": [1, 2]}),
        ("tab", b"a:\n\tb: 1\n", 2, 1, b"a:\n  b: 1\n", {"a": {"b": 1}}),
        ("open quote", b'a: "b\n', 2, 1, b'a: "b"\n', {"a": "b"}),
        (
            "indentation",
            b"a:\n   b: 1\n  c: 2\n",
            3,
            3,
            b"a:\n  b: 1\n  c: 2\n",
            {"a": {"b": 1, "c": 2}},
        ),
        ("escape of no character", b'a: "\\U00110000"\n', 1, 1, b'a: "\\u00b5"\n', {"a": "µ"}),
        ("unknown escape", b'a: "\\q"\n', 1, 6, b'a: "\\t"\n', {"a": "\t"}),
        ("colon in a text", b"a: b: c\n", 1, 5, b'a: "b: c"\n', {"a": "b: c"}),
        ("no key at all", b": x\n", 1, 1, b"'': x\n", {"": "x"}),
    ],
    "yaml-empty": [
        ("nothing", b"", 1, 1, b"{}", {}),
        ("a comment", b"# a: 1\n", 1, 1, b"a: 1 # 2\n", {"a": 1}),
        ("a mark", b"---\n", 1, 1, b"---\na: 1\n", {"a": 1}),
    ],
    "yaml-documents": [("two", b"a: 1\n---\nb: 2\n", 2, 1, b"---\na: 1\n...\n", {"a": 1})],
    "yaml-directive": [
        ("version", b"%YAML 1.1\n---\na: yes\n", 1, 1, b"---\na: yes\n", {"a": "yes"})
    ],
    "yaml-alias": [
        ("alias", b"a: *b\n", 1, 4, b"a: '*b'\n", {"a": "*b"}),
        ("anchor", b"a: 1\nb: &b [1]\nc: *b\n", 2, 4, b"b: '&b'\n", {"b": "&b"}),
    ],
    "yaml-tag": [
        ("Python", b"a: !!python/object/apply:os.system [x]\n", 1, 4, b"a: '!!x'\n", {"a": "!!x"}),
        ("own", b"a: !x y\n", 1, 4, b"a: x!\n", {"a": "x!"}),
        ("text", b"a: !!str 1\n", 1, 4, b"a: '1'\n", {"a": "1"}),
        ("on a mapping", b"a: !!omap {b: 1}\n", 1, 4, b"a: {b: 1}\n", {"a": {"b": 1}}),
    ],
    "yaml-key": [
        ("merge", b"a: {b: 1}\n<<: {c: 2}\n", 2, 1, b"'<<': 1\n", {"<<": 1}),
        ("number", b"1: x\n", 1, 1, b"'1': x\n", {"1": "x"}),
        ("decimal", b"a: 1\n1.5: x\n", 2, 1, b"1.5 V: x\n", {"1.5 V": "x"}),
        ("true", b"true: x\n", 1, 1, b"yes: x\n", {"yes": "x"}),
        ("nothing", b"~: x\n", 1, 1, b"'~': x\n", {"~": "x"}),
        ("date", b"2024-01-01: x\n", 1, 1, b"'2024-01-01': x\n", {"2024-01-01": "x"}),
        ("list", b"? [a]\n: x\n", 1, 3, b"? a\n: x\n", {"a": "x"}),
        ("mapping", b"{{a: 1}: 2}\n", 1, 2, b"{a: {b: 2}}\n", {"a": {"b": 2}}),
    ],
    "duplicate-key": [
        ("block", b"a: 1\nb: 2\na: 3\n", 3, 1, b"a: 1\nA: 3\n", {"a": 1, "A": 3}),
        ("flow", b"x: {a: 1, a: 1}\n", 1, 11, b"x: [a, a]\n", {"x": ["a", "a"]}),
        ("quoted", b"a: 1\n'a': 2\n", 2, 1, b"a: 1\nb: 2\n", {"a": 1, "b": 2}),
    ],
    "yaml-date": [
        ("day", b"a: 2024-01-01\n", 1, 4, b"a: '2024-01-01'\n", {"a": "2024-01-01"}),
        ("instant", b"a: 2024-01-01T10:00:00Z\n", 1, 4, b"a: 10:00:00\n", {"a": "10:00:00"}),
    ],
    "yaml-number": [
        ("infinity", b"a: .inf\n", 1, 4, b"a: infinity\n", {"a": "infinity"}),
        ("no number", b"a: [1, .NaN]\n", 1, 8, b"a: nan\n", {"a": "nan"}),
        ("octal of YAML 1.2", b"a: 0o17\n", 1, 4, b"a: 15\n", {"a": 15}),
        ("octal of YAML 1.1", b"a: 017\n", 1, 4, b"a: 17\n", {"a": 17}),
        ("hexadecimal", b"a: 0x1F\n", 1, 4, b"a: 31\n", {"a": 31}),
        ("binary", b"a: 0b11\n", 1, 4, b"a: 3\n", {"a": 3}),
        ("underscores", b"a: 1_000\n", 1, 4, b"a: 1000\n", {"a": 1000}),
        ("plus", b"a: +5\n", 1, 4, b"a: -5\n", {"a": -5}),
        ("no digit before the point", b"a: .5\n", 1, 4, b"a: 0.5\n", {"a": 0.5}),
        ("thousands of digits", b"a: " + b"9" * 5000, 1, 4, b"a: 0.1" + b"0" * 5000, {"a": 0.1}),
        ("beyond the range", b"a: 1e400\n", 1, 4, b"a: 1e5\n", {"a": 1e5}),
        ("below the range", b"a: -1e-400\n", 1, 4, b"a: 0e-400\n", {"a": 0.0}),
        ("beyond any quantity", b"a: 1e16\n", 1, 4, b"a: 1.5e-6\n", {"a": 1.5e-6}),
    ],
    "yaml-character": [
        ("NUL", b"a: 1\nb: \x00\n", 2, 4, b"b: 0\n", {"b": 0}),
        ("escape", b"a: \x1b[0m\n", 1, 4, b"a: '[0m'\n", {"a": "[0m"}),
        ("escaped NUL", b'a: "\\0"\n', 1, 4, b'a: "\\\\0"\n', {"a": "\\0"}),
        ("escaped bell", b'a: "\\x07"\n', 1, 4, b'a: "\\x41"\n', {"a": "A"}),
        ("escaped half of a pair", b'a: "\\ud83d"\n', 1, 4, b'a: "\\ud83d\\ude00"\n', {"a": "😀"}),
        (
            "halves in the wrong order",
            b'a: "\\ude00\\ud83d"\n',
            1,
            4,
            b'a: "\\u20ac"\n',
            {"a": "€"},
        ),
        ("BOM inside", "a: \ufeffb\n".encode(), 1, 4, b"a: b\n", {"a": "b"}),
        (
            "line separator",
            "a: b\u2028c: d\n".encode(),
            1,
            5,
            b"a: b\r\nc: d\r\n",
            {"a": "b", "c": "d"},
        ),
        ("next line", "a: b\u0085\n".encode(), 1, 5, b"a: |\n  b\n  c\n", {"a": "b\nc\n"}),
    ],
    "too-deep": [
        ("flow lists", b"[" * 100_000, 1, MAX_DEPTH + 1, b"[" * 32 + b"]" * 32, None),
        (
            "flow mappings",
            b"{a: " * 100_000,
            1,
            4 * MAX_DEPTH + 1,
            b"{a: {b: {}}}",
            {"a": {"b": {}}},
        ),
        (
            "block mappings",
            b"".join(b" " * n + b"a:\n" for n in range(999)),
            MAX_DEPTH + 1,
            33,
            b"a:\n a:\n  a: 1\n",
            {"a": {"a": {"a": 1}}},
        ),
        ("block lists", b"- " * 50_000, 1, 2 * MAX_DEPTH + 1, b"- - - 1\n", [[[1]]]),
    ],
    "too-large": [
        ("values", b"[" + b"1," * 900_000 + b"]", 1, 2 * MAX_NODES, b"[1, 1]", [1, 1]),
        (
            "text",
            b"a: " + b"x" * (MAX_SCALAR + 1),
            1,
            4,
            b"a: " + b"x" * MAX_SCALAR,
            {"a": "x" * MAX_SCALAR},
        ),
        ("key", b"x" * 1_000_000 + b": 1", 1, 1, b"x: 1", {"x": 1}),
    ],
}
CASES = [
    pytest.param(code, *example[1:], id=f"{code}:{example[0]}")
    for code, examples in EXAMPLES.items()
    for example in examples
]


@pytest.mark.parametrize(("code", "wrong", "line", "column", "right", "data"), CASES)
def test_what_is_no_plain_data_is_refused_with_its_place(
    code: str, wrong: bytes, line: int, column: int, right: bytes, data: object
) -> None:
    with pytest.raises(RuleSetError) as caught:
        parse_document(wrong, "t.yaml")
    first = caught.value.issues[0]
    assert (first.rule, first.file, first.line, first.column) == (code, "t.yaml", line, column)
    assert first.message
    assert first.advice[-1] == "."
    assert len(str(first)) < 250
    assert {one.rule for one in caught.value.issues} == {code}
    read = parse_document(right, "t.yaml").data
    assert data is None or (read == data and repr(read) == repr(data))


def test_every_code_of_files_has_an_example() -> None:
    # No place in any file: below, for a reload in tests/trials/test_acceptance.py, and for changes
    # to an installed rule set in tests/api/test_changes_cli.py.
    whole = {"no-rule-set", "id-taken", "equipment-taken", "unreadable", "case-not-met", "changes"}
    assert EXAMPLES.keys() | whole == codes.FILES.keys()


def test_words_that_other_versions_take_for_something_else_are_words() -> None:
    raw = b"a: [yes, No, on, OFF, y, n, 1:30, 1.2.3, 0.1.0, 12e, =, <<, -, 1 Ohm, null-ohm]\n"
    assert parse_document(raw, "t.yaml").data == {
        "a": ["yes", "No", "on", "OFF", "y", "n", "1:30", "1.2.3", "0.1.0", "12e", "=", "<<", "-",
              "1 Ohm", "null-ohm"]
    }  # fmt: skip
    assert parse_document(b"a: [true, False, null, ~, ]\n", "t").data == {
        "a": [True, False, None, None]
    }


def test_json_is_yaml() -> None:
    raw = b'{\n\t"a": [1, -2.5e3, true, null, "x\\/y\\n"],\n\t"b": {}\n}\n'
    read = parse_document(raw, "t.json")
    assert read.data == {"a": [1, -2500.0, True, None, "x/y\n"], "b": {}}
    assert read.place(("a", 1)) == (2, 11)


def test_all_that_is_no_plain_data_is_told_at_once() -> None:
    raw = b"a: 0x1\nb: 2024-01-01\na: 3\n4: x\n"
    with pytest.raises(RuleSetError) as caught:
        parse_document(raw, "t.yaml")
    assert [(one.line, one.rule) for one in caught.value.issues] == [
        (1, "yaml-number"),
        (2, "yaml-date"),
        (3, "duplicate-key"),
        (4, "yaml-key"),
    ]
    with pytest.raises(RuleSetError) as caught:
        parse_document(b"- 0x1\n" * 1000, "t.yaml")
    assert len(caught.value.issues) == MAX_FLAWS


def test_a_file_that_is_too_large_is_not_looked_into(tmp_path: Path) -> None:
    raw = b"#" * (MAX_FILE_BYTES + 1)
    with pytest.raises(RuleSetError, match="larger than 2000000 bytes") as caught:
        parse_document(raw, "t.yaml")
    assert caught.value.issues[0].rule == "too-large"
    (tmp_path / "rule-set.yaml").write_bytes(raw)
    with pytest.raises(RuleSetError, match="larger than 2000000 bytes"):
        read_folder(tmp_path)


def test_files_that_are_missing_are_named(tmp_path: Path) -> None:
    with pytest.raises(RuleSetError) as caught:
        read_folder(tmp_path)
    issues = caught.value.issues
    assert {one.rule for one in issues} == {"unreadable"}
    assert len(issues) == 6
    assert all(one.advice and one.file.startswith(tmp_path.name) for one in issues)
    assert len(read_folder(RIG)) == 6


def test_folders_of_rule_sets_are_looked_at_as_a_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(catalogue, "bundled_rules", lambda: RIG)
    with pytest.raises(RuleSetError) as caught:
        catalogue.Catalogue.load(tmp_path)
    (issue,) = caught.value.issues
    assert issue.rule == "no-rule-set"
    assert issue.advice
    for one in ("rig", "other"):
        (tmp_path / one).mkdir()
        for file in RIG.glob("*.yaml"):
            content = file.read_text(encoding="utf-8").replace("\nid: rig\n", f"\nid: {one}\n")
            (tmp_path / one / file.name).write_text(content, encoding="utf-8")
    with pytest.raises(RuleSetError) as caught:
        catalogue.Catalogue.load(tmp_path)
    (issue,) = caught.value.issues
    assert (issue.rule, issue.about) == ("equipment-taken", "other")
    assert issue.advice
    assert "rig" in catalogue.Catalogue.load(tmp_path / "rig").ids()


@pytest.mark.parametrize("name", ["rig.bak", "a-copy", "zz"])
def test_two_folders_of_one_id_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """Whichever comes first by name: neither wins silently, and a check says so."""
    monkeypatch.setattr(catalogue, "bundled_rules", lambda: RIG)
    for one in ("rig", name):
        shutil.copytree(RIG, tmp_path / one)
    with pytest.raises(RuleSetError) as caught:
        catalogue.Catalogue.load(tmp_path)
    (issue,) = caught.value.issues
    assert (issue.rule, issue.about) == ("id-taken", "rig")
    assert min("rig", name) in issue.message
    assert issue.advice
    told = [one.rule for checked in authoring.check(tmp_path) for one in checked.issues]
    assert told == ["id-taken"]
    # One that takes the place of a bundled one is no second folder.
    assert catalogue.Catalogue.load(tmp_path / name).ids() == ("rig",)


@pytest.mark.parametrize("name", FILES)
@pytest.mark.parametrize("beside", [True, False])
def test_a_folder_that_has_lost_a_file_is_not_passed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, beside: bool
) -> None:
    """The bundled rule set would be used in its place, or that in the folder beside it alone."""
    monkeypatch.setattr(catalogue, "bundled_rules", lambda: RIG)
    shutil.copytree(RIG, tmp_path / "rig")
    (tmp_path / "rig" / f"{name}.yaml").unlink()
    if beside:
        shutil.copytree(RIG, tmp_path / "beside")
    with pytest.raises(RuleSetError) as caught:
        catalogue.Catalogue.load(tmp_path)
    (issue,) = caught.value.issues
    assert issue.file == f"rig/{name}.yaml"
    told = [one for checked in authoring.check(tmp_path) for one in checked.issues]
    assert [one.rule for one in told] == [issue.rule]


PIECES = [
    b"&a",
    b"*a",
    b"!",
    b"!!x",
    b"<<",
    b"? ",
    b": ",
    b"- ",
    b"[",
    b"]",
    b"{",
    b"}",
    b"|",
    b">",
    b"|2-",
    b"'",
    b'"',
    b"%",
    b"%YAML 1.1\n",
    b"---",
    b"...",
    b"#",
    b"\t",
    b"\n",
    b"\r\n",
    b"\r",
    b"\\x",
    b'"\\u12"',
    b"@",
    b"`",
    b",",
    b"0x",
    b"1e",
    b".inf",
    b"~",
    b"=",
    b"!<",
    b"%TAG ! a:\n",
    b"|99",
    b"\xef\xbb\xbf",
    b"\xff",
    b"\x00",
]


def garbage() -> Iterator[bytes]:
    """Stretches of a rule set with pieces of YAML strewn in."""
    dice = random.Random(20240229)
    whole = (RIG / "precautions.yaml").read_bytes()
    for _ in range(1500):
        start = dice.randrange(len(whole) - 200)
        raw = whole[start : start + dice.randrange(1, 200)]
        for _ in range(dice.randrange(1, 6)):
            at = dice.randrange(len(raw) + 1)
            piece = dice.choice(PIECES) * dice.choice([1, 1, 1, 40])
            raw = raw[:at] + piece + raw[at + dice.randrange(3) :]
        yield raw


def test_libyaml_reads_nothing_else_than_the_parser_in_python() -> None:
    """Either may be the stricter one, with tabs between words, say; what both take is alike."""
    both = 0
    for raw in garbage():
        text = raw.decode("utf-8", "replace")
        fast = compose._composed(text, yaml.CSafeLoader)
        slow = compose._composed(text, yaml.SafeLoader)
        if not fast.flaws and not slow.flaws:
            both += 1
            assert (repr(fast.data), fast.places) == (repr(slow.data), slow.places)
    assert both > 50


@pytest.fixture(params=["with libyaml", "without"])
def parser(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    if request.param == "without":
        monkeypatch.setattr(compose, "_FAST", yaml.SafeLoader)


@pytest.mark.usefixtures("parser")
def test_garbage_is_data_or_refused_and_nothing_else() -> None:
    for raw in garbage():
        try:
            parse_document(raw, "t.yaml")
        except RuleSetError as error:
            for one in error.issues:
                assert one.rule in codes.FILES
                assert one.line > 0
                assert one.column > 0
                assert one.advice
