"""Tokens, digests, and the file that lists the keys."""

from __future__ import annotations

import errno
import hmac
import logging
import os
import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from service.guard import key_file as key_file_module
from service.guard.key_file import KeyFile
from service.guard.keys import (
    Key,
    KeyRing,
    KeysError,
    digest_of,
    find,
    make_key,
    new_token,
    read_keys,
)

DIGEST = "sha256:" + "0f" * 32


def line(name: str = "desk", scopes: str = "assess", digest: str = DIGEST, more: str = "") -> str:
    return f"{name} {scopes} {digest} {more}".rstrip()


def key(name: str, token: str) -> Key:
    return Key(name, frozenset({"assess"}), digest_of(token))


def test_token_is_a_word_of_its_name_and_256_random_bits() -> None:
    tokens = {new_token("desk-2") for _ in range(200)}
    assert len(tokens) == 200
    for token in tokens:
        # RFC 6750 section 2.1, and 43 characters of base64url are 32 bytes.
        assert re.fullmatch(r"ohmpath_desk-2_[A-Za-z0-9_-]{43}", token)


def test_a_key_is_found_by_its_whole_token_only() -> None:
    token, other = new_token("desk"), new_token("desk")
    ring = {"desk": key("desk", token), "till": key("till", new_token("till"))}
    assert find(ring, token) is ring["desk"]
    for wrong in (
        other,
        token[:-1],
        token + "A",
        token.replace("_desk_", "_till_"),
        token.replace("_desk_", "_none_"),
        token.upper(),
        "",
        "desk",
        "ohmpath_desk_",
        "ohmpath_desk",
        "xhmpath" + token[7:],
        "é\udcff" * 50,
    ):
        assert find(ring, wrong) is None
    assert find({}, token) is None


def test_digests_are_compared_in_constant_time_whether_there_is_such_a_key_or_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    compared: list[tuple[bytes, bytes]] = []
    real = hmac.compare_digest

    def watched(one: bytes, other: bytes) -> bool:
        compared.append((one, other))
        return real(one, other)

    monkeypatch.setattr(hmac, "compare_digest", watched)
    token = new_token("desk")
    ring = {"desk": key("desk", token)}
    for sent in (token, new_token("desk"), new_token("nobody"), "", "x"):
        compared.clear()
        found = find(ring, sent)
        (pair,) = compared
        assert pair[0] == digest_of(sent)
        assert [len(one) for one in pair] == [32, 32]
        # What it says decides, and nothing beside it.
        assert (found is not None) == real(*pair)


def test_lines_say_what_keys_are() -> None:
    text = f"""
        # who          for what
        {line("desk")}
        {line("b-7", "batch,assess", more="expires=2031-02-28 burst=3 rate=2")}  # the night's batch
    """
    desk, night = read_keys(text, "keys").values()
    assert desk == Key("desk", frozenset({"assess"}), bytes.fromhex("0f" * 32))
    assert night.scopes == {"assess", "batch"}
    assert (night.expires, night.rate, night.burst) == (date(2031, 2, 28), 2, 3)
    for one in (desk, night):
        assert dict(read_keys(one.line, "")) == {one.name: one}
    assert dict(read_keys("", "")) == {}


# Not drawn: names of tests are to be the same in each process.
SECRET = "ohmpath_desk_" + "Zq7_x" * 8 + "abc"


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ("desk assess", "a line is NAME SCOPE"),
        (SECRET, "a line is NAME SCOPE"),
        (line(name=SECRET), "lower-case"),
        (line(name="Desk"), "lower-case"),
        (line(name="x" * 41), "at most 40"),
        (line(name="a_b"), "hyphens"),
        (line(scopes="asses"), "scopes are assess, batch, author, operate"),
        (line(scopes="assess,"), "scopes are"),
        (line(scopes=SECRET), "scopes are"),
        (line(digest="0f" * 32), "third word"),
        (line(digest=DIGEST[:-1]), "third word"),
        (line(digest=DIGEST.upper()), "third word"),
        (line(digest=SECRET), "third word"),
        (line(more="expires=2031-02-29"), "day of the calendar"),
        (line(more="expires=31.12.2031"), "day of the calendar"),
        (line(more=f"expires={SECRET}"), "day of the calendar"),
        (line(more="rate=0"), "rate must be a whole number"),
        (line(more="rate=1.5"), "rate must be"),
        (line(more="burst=-1"), "burst must be"),
        (line(more="burst=1 burst=2"), "once at most"),
        (line(more="colour=red"), "once at most"),
        (line(more=SECRET), "once at most"),
        (line(), "a key 'desk' already"),
    ],
)
def test_what_is_wrong_with_a_line_is_said_with_its_place_and_without_secrets(
    wrong: str, said: str
) -> None:
    with pytest.raises(KeysError, match=r"^/etc/keys:4: ") as error:
        read_keys(f"# keys\n\n{line()}\n{wrong}\n", "/etc/keys")
    assert said in str(error.value)
    assert SECRET[-43:] not in str(error.value)


def test_a_key_opens_on_its_last_day_and_not_after_it() -> None:
    until = make_key("desk", frozenset({"assess"}), b"", expires="2031-02-28")
    end = datetime(2031, 3, 1, tzinfo=UTC)
    assert not until.has_expired((end - timedelta(milliseconds=1)).timestamp())
    assert until.has_expired(end.timestamp())
    assert not make_key("desk", frozenset({"assess"}), b"").has_expired(4e9)


# -- the file on disk -----------------------------------------------------------------------------


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "keys"
    path.write_text(line() + "\n")
    path.chmod(0o600)
    return path


def test_file_that_cannot_be_used_is_named(tmp_path: Path) -> None:
    with pytest.raises(KeysError, match="none cannot be read: No such file"):
        KeyFile(tmp_path / "none")
    with pytest.raises(KeysError, match="cannot be read: Is a directory"):
        KeyFile(tmp_path)
    other = tmp_path / "other"
    other.write_bytes(b"\xff\xfe")
    with pytest.raises(KeysError, match="not UTF-8"):
        KeyFile(other)
    other.write_bytes(b"\n" * (1024 * 1024 + 1))
    with pytest.raises(KeysError, match="more than 1048576 bytes"):
        KeyFile(other)


@pytest.mark.parametrize(
    ("mode", "told"), [(0o600, False), (0o640, False), (0o644, True), (0o602, True)]
)
def test_a_file_open_to_all_is_warned_of(
    file: Path, mode: int, told: bool, caplog: pytest.LogCaptureFixture
) -> None:
    file.chmod(mode)
    KeyFile(file)
    assert ("open to every user of this machine" in caplog.text) == told


def test_a_file_without_keys_is_warned_of(file: Path, caplog: pytest.LogCaptureFixture) -> None:
    file.write_text("# later\n")
    assert dict(KeyFile(file).ring()) == {}
    assert "nobody may call" in caplog.text


def test_changes_count_at_the_next_look_and_a_mistake_is_told_once(
    file: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(key_file_module, "LOOK_EVERY", 0.0)
    told: list[set[str]] = []
    keys = KeyFile(file, lambda ring: told.append(set(ring)))
    assert set(keys.ring()) == {"desk"}
    file.write_text(line("till") + "\n")
    assert set(keys.ring()) == {"till"}

    file.write_text(line("till", "asses") + "\n")
    caplog.clear()
    for _ in range(5):
        assert set(keys.ring()) == {"till"}
    (record,) = (one for one in caplog.records if one.levelno == logging.ERROR)
    assert f"{file}:1: the scopes are" in record.getMessage()
    caplog.clear()

    os.remove(file)
    for _ in range(5):
        assert set(keys.ring()) == {"till"}
    assert len(caplog.records) == 1
    file.write_text("")
    assert set(keys.ring()) == set()
    assert told == [{"desk"}, {"till"}, {"till"}, set()]


def other(name: str, digit: str, **more: str) -> str:
    return line(name, digest="sha256:" + 64 * digit, **more)


# What a slip makes of a line of which the digest is as it was.
SLIPS = [
    "Desk assess",
    "desk- assess",
    "de sk assess",
    "",
    "desk asses",
    "desk assess,",
    "desk;assess",
]
# What stands in the place of a line that was taken out or put in anew, with a slip or without.
GONE = [
    "",
    "# " + line(),
    line()[:-1],
    "desk",
    "desk assess",
    "desk assess sha256:",
    "desk assess revoked",
    SECRET,
    other("desk", "2"),
    other("desk", "2", scopes="asses"),
    other("desk", "2", more="expires=never"),
]
# What may be wrong elsewhere.
ELSEWHERE = [
    "night assess nonsense",
    "night",
    "till assess",
    "<<<<<<< HEAD",
    SECRET,
    "\x00\x01",
    "\udcff\udcfe",  # no UTF-8
    "# B\udcfcro",
    "night assess " + "x" * 10_000,
]


@pytest.fixture
def looking(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(key_file_module, "LOOK_EVERY", 0.0)


@pytest.mark.parametrize("wrong", ELSEWHERE)
@pytest.mark.parametrize("instead", GONE)
@pytest.mark.parametrize("first", [True, False], ids=["before it", "after it"])
def test_a_key_taken_out_opens_nothing_whatever_is_wrong_elsewhere(
    file: Path, looking: None, instead: str, wrong: str, first: bool
) -> None:
    file.write_text(f"{line()}\n{other('till', '1')}\n")
    keys = KeyFile(file)
    before = keys.ring()
    assert set(before) == {"desk", "till"}
    lines = [wrong, instead] if first else [instead, wrong]
    text = "\n".join([*lines, other("till", "1"), other("new", "3"), ""])
    file.write_bytes(text.encode("utf-8", "surrogateescape"))
    after = keys.ring()
    assert before["desk"] not in after.values()
    assert after["till"] == before["till"]
    assert "new" in after
    assert set(after) <= {"desk", "till", "new"}


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_in_the_line_of_a_key_leaves_it_as_it_was(
    file: Path, looking: None, slip: str, caplog: pytest.LogCaptureFixture
) -> None:
    file.write_text(f"{line()}\n{other('till', '1')}\n")
    keys = KeyFile(file)
    before = dict(keys.ring())
    file.write_text(f"{slip} {DIGEST}\n{other('till', '1')}\n")
    assert dict(keys.ring()) == before
    assert f"{file}:" in caplog.text


def test_a_key_taken_out_opens_nothing_where_there_is_no_room_for_more(
    file: Path, looking: None, caplog: pytest.LogCaptureFixture
) -> None:
    def full(ring: KeyRing) -> None:
        if not set(ring) <= {"desk", "till"}:
            raise KeysError("there is no room")

    file.write_text(f"{line()}\n{other('till', '1')}\n")
    keys = KeyFile(file, full)
    file.write_text(f"{other('till', '2')}\n{other('new', '3')}\n")
    assert {name: one.digest.hex()[0] for name, one in keys.ring().items()} == {"till": "2"}
    assert "there is no room" in caplog.text


def test_a_file_is_read_once_it_can_be(file: Path, looking: None) -> None:
    keys = KeyFile(file)
    file.write_text("")
    file.chmod(0)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Path, "open", _forbidden)  # as it is to root too
        assert set(keys.ring()) == {"desk"}
        assert set(keys.ring()) == {"desk"}
    file.chmod(0o600)
    assert set(keys.ring()) == set()


def _forbidden(*_: Any, **__: Any) -> None:
    raise PermissionError(errno.EACCES, "Permission denied")


def test_many_mistakes_are_told_of_in_few_words(
    file: Path, looking: None, caplog: pytest.LogCaptureFixture
) -> None:
    keys = KeyFile(file)
    file.write_text("x\n" * 1000)
    assert set(keys.ring()) == set()
    assert "and 995 more" in caplog.text
    assert len(caplog.text) < 2000


def test_a_look_costs_nothing_between_two_of_them(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keys = KeyFile(file)
    monkeypatch.setattr(key_file_module.os, "stat", lambda _: pytest.fail("looked"))
    assert set(keys.ring()) == {"desk"}
