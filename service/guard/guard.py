"""Whether a request may pass: by its token, by what it asks for, by how often it comes."""

from __future__ import annotations

import math
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from service.guard.access import Needed
from service.guard.key_file import KeyFile
from service.guard.keys import Key, KeyRing, find
from service.guard.shared import Shared
from service.problems import (
    BAD_REQUEST,
    INSUFFICIENT_SCOPE,
    KEY_NEEDED,
    TOO_MANY_REQUESTS,
    Problem,
)

CHALLENGE = 'Bearer realm="ohmpath"'
_LONG_TAKES = 10  # seconds, roughly


@dataclass(frozen=True, slots=True)
class Limits:
    """What a key may do if its line in the keys file does not say.

    rate: requests a second; burst: how many at once; at_a_time: how many that take long.
    """

    rate: int
    burst: int
    at_a_time: int


class Refused(Exception):  # noqa: N818 - as with Problem, the word says it
    """A request that may not pass, with the header fields that its answer has besides."""

    def __init__(self, problem: Problem, headers: Mapping[str, str]) -> None:
        self.problem, self.headers = problem, headers
        super().__init__(problem.detail)


class Guard:
    """The keys, and what each of them has used of its limits. Made before workers are forked."""

    def __init__(self, path: Path, limits: Limits) -> None:
        """Read the keys file. Raises KeysError."""
        self._limits = limits
        self._shared = Shared()
        self._slots: Mapping[str, int] = MappingProxyType({})
        self._file = KeyFile(path, self._make_room)

    def admit(self, authorization: str | None, query: str, needed: Needed | None) -> Key:
        """The key of a request that may pass.

        authorization: the header field; needed: the scopes of which one opens what is asked for,
        None where none does. Raises Refused.
        """
        if query and "access_token" in query:
            # RFC 6750 allows it and warns of it (section 5.3): addresses are logged everywhere.
            raise Refused(
                Problem(BAD_REQUEST, "A token is taken from the Authorization header only."),
                {"WWW-Authenticate": f'{CHALLENGE}, error="invalid_request"'},
            )
        key = self._key_of(authorization)
        self._count(key)
        if needed is None or key.scopes.isdisjoint(needed):
            asked = f', scope="{" ".join(needed)}"' if needed else ""
            detail = "This is open to no key."
            if needed:
                detail = f"The key {key.name!r} lacks the scope {' or '.join(needed)}."
            raise Refused(
                Problem(INSUFFICIENT_SCOPE, detail),
                {"WWW-Authenticate": f'{CHALLENGE}, error="insufficient_scope"{asked}'},
            )
        return key

    def take_place(self, key: Key) -> int:
        """A place for a request that takes long, to be given back after it. Raises Refused."""
        most = self._limits.at_a_time
        place = self._shared.take(self._slots[key.name], most)
        if place is None:
            detail = f"The key {key.name!r} has {most} long requests under way already."
            raise _too_many(detail, _LONG_TAKES)
        return place

    def give_back(self, place: int) -> None:
        """End of a request that takes long."""
        self._shared.give_back(place)

    def _key_of(self, authorization: str | None) -> Key:
        if authorization is None:
            detail = "A key is needed here, as a bearer token in the Authorization header."
            raise Refused(Problem(KEY_NEEDED, detail), {"WWW-Authenticate": CHALLENGE})
        scheme, _, token = authorization.partition(" ")
        key = None
        if scheme.lower() == "bearer":
            key = find(self._file.ring(), token.strip(" "))
        if key is None or key.has_expired(time.time()):
            what = "is none that is known here" if key is None else "has expired"
            raise Refused(
                Problem(KEY_NEEDED, f"The key that was sent {what}."),
                {"WWW-Authenticate": f'{CHALLENGE}, error="invalid_token"'},
            )
        return key

    def _count(self, key: Key) -> None:
        rate = key.rate or self._limits.rate
        burst = key.burst or (self._limits.burst if key.rate is None else 2 * rate)
        wait = self._shared.wait(self._slots[key.name], rate, burst)
        if wait:
            raise _too_many(
                f"The key {key.name!r} may make {rate} requests a second, {burst} of them at once.",
                math.ceil(wait),
            )

    def _make_room(self, ring: KeyRing) -> None:
        """Give each key its slot. Raises KeysError."""
        self._slots = {**self._slots, **{name: self._shared.slot(name) for name in ring}}


def _too_many(detail: str, seconds: int) -> Refused:
    return Refused(Problem(TOO_MANY_REQUESTS, detail), {"Retry-After": str(seconds)})
