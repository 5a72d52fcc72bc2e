"""API keys: a random token for whoever calls, and of it no more than a digest for the service.

A token has 256 random bits. Nobody can guess that, or find it by trying digests, so a plain fast
digest is enough; the slow, salted ones are for passwords, which people choose. (NIST SP 800-63B on
look-up secrets, from memory: one of at least 112 bits needs no more than an approved one-way
function.) The token names its key, so that one digest is compared and not all of them.
"""

from __future__ import annotations

import hmac
import re
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from hashlib import sha256
from types import MappingProxyType

from service.guard.access import SCOPES

_MARK = "ohmpath"  # lets a scanner for secrets find a token that was left somewhere
_BYTES = 32
_NAME = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,38}[a-z0-9])?", re.ASCII)
_DIGEST = re.compile(r"sha256:([0-9a-f]{64})", re.ASCII)
_NUMBER = re.compile(r"[1-9][0-9]{0,5}", re.ASCII)
_LINE = "NAME SCOPE[,SCOPE...] sha256:DIGEST [expires=YYYY-MM-DD] [rate=N] [burst=N]"
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", re.ASCII)
_EPOCH = date(1970, 1, 1).toordinal()
_NOBODYS = secrets.token_bytes(32)


class KeysError(ValueError):
    """A keys file that cannot be used; the message says where and why."""


@dataclass(frozen=True, slots=True)
class Key:
    """What the service knows of one key.

    digest: SHA-256 of the token.
    expires: the last day (UTC) on which it opens anything; None: every day.
    rate: requests a second that it may make for long; burst: how many of them at once. None: as
        the settings say.
    """

    name: str
    scopes: frozenset[str]
    digest: bytes
    expires: date | None = None
    rate: int | None = None
    burst: int | None = None

    @property
    def line(self) -> str:
        """The key as a line of a keys file."""
        more = {"expires": self.expires, "rate": self.rate, "burst": self.burst}
        parts = [self.name, ",".join(sorted(self.scopes)), f"sha256:{self.digest.hex()}"]
        return " ".join(parts + [f"{name}={one}" for name, one in more.items() if one is not None])

    def has_expired(self, now: float) -> bool:
        """Whether its last day is over. now: seconds since the epoch."""
        return self.expires is not None and self.expires.toordinal() < _EPOCH + now // 86400


KeyRing = Mapping[str, Key]
"""All keys, by name."""


def find(ring: KeyRing, token: str) -> Key | None:
    """The key of a token, expired or not; None if there is none."""
    key = ring.get(token[len(_MARK) + 1 :].partition("_")[0])
    # Always one digest and one comparison, which takes as long wherever the two differ.
    same = hmac.compare_digest(digest_of(token), _NOBODYS if key is None else key.digest)
    return key if same else None


def digest_of(token: str) -> bytes:
    """What is kept of a token: 32 bytes."""
    return sha256(token.encode("utf-8", "surrogateescape")).digest()


def new_token(name: str) -> str:
    """A token for a key of that name, of 256 random bits."""
    return f"{_MARK}_{name}_{secrets.token_urlsafe(_BYTES)}"


def read_keys(text: str, where: str) -> KeyRing:
    """The keys of a file: one a line; empty lines and what follows a `#` count for nothing.

    where: the name of the file. Raises KeysError.
    """
    keys, mistakes = _read(text, where)
    for error, _ in mistakes:
        raise error
    return MappingProxyType(keys)


def read_again(text: str, where: str, before: KeyRing) -> tuple[KeyRing, list[KeysError]]:
    """The keys of a file that has changed, and the mistakes in it. before: the keys that it had.

    Each line counts by itself, so that a key which was taken out opens nothing any more, whatever
    is wrong elsewhere. A slip in the line of a key must not lock its owner out: as long as its
    digest stands there, the key is what it was before.
    """
    keys, mistakes = _read(text, where)
    wrong = "\n".join(line for _, line in mistakes).lower()
    kept = {name: one for name, one in before.items() if one.digest.hex() in wrong}
    return MappingProxyType({**kept, **keys}), [error for error, _ in mistakes]


def _read(text: str, where: str) -> tuple[dict[str, Key], list[tuple[KeysError, str]]]:
    """The keys of the lines without a mistake; and the others, each with what is wrong with it."""
    keys: dict[str, Key] = {}
    mistakes: list[tuple[KeysError, str]] = []
    for number, line in enumerate(text.splitlines(), start=1):
        said = line.partition("#")[0]
        words = said.split()
        if not words:
            continue
        try:
            key = _key(words)
            if key.name in keys:
                raise KeysError(f"there is a key {key.name!r} already")
            keys[key.name] = key
        except KeysError as error:
            mistakes.append((KeysError(f"{where}:{number}: {error}"), said))
    return keys, mistakes


def make_key(
    name: str,
    scopes: frozenset[str],
    digest: bytes,
    *,
    expires: str | None = None,
    rate: str | None = None,
    burst: str | None = None,
) -> Key:
    """A key of parts as they are written.

    Raises:
        KeysError: what is wrong. It repeats nothing of what was written, which may be a token
            that was put into the file by mistake.
    """
    if not _NAME.fullmatch(name):
        raise KeysError(
            "the name of a key has lower-case letters, digits and hyphens, at most 40 of them"
        )
    if not scopes <= SCOPES.keys():
        raise KeysError(f"the scopes are {', '.join(SCOPES)}, with commas between them")
    return Key(name, scopes, digest, _day(expires), _number(rate, "rate"), _number(burst, "burst"))


def _key(words: list[str]) -> Key:
    """The key of one line. Raises KeysError."""
    if len(words) < 3:
        raise KeysError(f"a line is {_LINE}")
    name, scopes, digest, *rest = words
    found = _DIGEST.fullmatch(digest)
    if found is None:
        raise KeysError("the third word must be sha256: and 64 hexadecimal digits, in lower case")
    more: dict[str, str] = {}
    for word in rest:
        option, equals, value = word.partition("=")
        if not equals or option not in ("expires", "rate", "burst") or option in more:
            raise KeysError(f"after the digest each option stands once at most; a line is {_LINE}")
        more[option] = value
    return make_key(name, frozenset(scopes.split(",")), bytes.fromhex(found[1]), **more)


def _day(text: str | None) -> date | None:
    if text is None:
        return None
    try:
        if _DAY.fullmatch(text):
            return date.fromisoformat(text)
    except ValueError:
        pass
    raise KeysError("expires must be a day of the calendar, as 2027-01-31")


def _number(text: str | None, what: str) -> int | None:
    if text is None:
        return None
    if not _NUMBER.fullmatch(text):
        raise KeysError(f"{what} must be a whole number from 1 to 999999")
    return int(text)
