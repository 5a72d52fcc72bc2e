"""The guard before every request, and what OpenAPI says of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from weakref import WeakKeyDictionary

from flask import Flask, Response, after_this_request, current_app, request

from service.api.errors import handle_problem
from service.api.installed import itself
from service.api.observing import path_of
from service.guard.access import LONG, PATHS, SCOPES, Needed, needed
from service.guard.guard import CHALLENGE, Guard, Limits, Refused
from service.guard.headers import furnished
from service.guard.listening import reachable
from service.problems import KEY_NEEDED, Problem
from service.settings import Settings

guard_key = "ohmpath-guard"
SCHEME = "key"
_KEY = "ohmpath.key"

SECURITY_SCHEME = {
    "type": "http",
    "scheme": "bearer",
    "description": "A key of the operator's. Its scopes: "
    + " ".join(f"`{scope}`: {told}" for scope, told in SCOPES.items())
    + " On the service's own machine none is needed unless the operator has set some up: then "
    "`security` has `{}` beside the key, and a key that is sent all the same is not looked at.",
}
_RETRY_AFTER = {"schema": {"type": "integer"}, "description": "Seconds to wait."}
_AUTHENTICATE = {"schema": {"type": "string"}, "description": "What is asked for (RFC 6750)."}
RESPONSE_HEADERS = {
    "UNAUTHORIZED": {"WWW-Authenticate": _AUTHENTICATE},
    "FORBIDDEN": {"WWW-Authenticate": _AUTHENTICATE},
    "TOO_MANY_REQUESTS": {"Retry-After": _RETRY_AFTER},
    "BAD_REQUEST": {},
}
"""Of the answers of a guarded resource, by the name of the response; they document themselves."""


@dataclass(frozen=True, slots=True)
class _Way:
    """What an endpoint asks for, and whether it takes long."""

    needed: Needed | None
    long: bool


class _Door:
    """What is looked at before a request is let in."""

    def __init__(self, guard: Guard | None, *, to_all: bool) -> None:
        self.guard = guard
        self._to_all = to_all
        self._ways: dict[str, _Way] = {}

    def enter(self) -> Response | None:
        """Nothing if the request may pass, or else the answer to it."""
        asked = itself(request)
        rule = asked.url_rule
        if rule is None:  # there is nothing at this address, which anybody may know
            return None
        way = self._ways.get(rule.endpoint)
        if way is None:
            path = path_of(rule.rule)
            way = self._ways[rule.endpoint] = _Way(needed(path), path in LONG)
        if way.needed == ():
            return None
        try:
            self._let_in(way, asked.environ)
        except Refused as refused:
            return _handle_refused(refused)
        return None

    def _let_in(self, way: _Way, environ: dict[str, Any]) -> None:
        guard = self.guard
        if guard is None:
            if not self._to_all and not _came_from_here(environ):
                detail = "No keys are set up, so nobody may call but from the service's machine."
                raise Refused(Problem(KEY_NEEDED, detail), {"WWW-Authenticate": CHALLENGE})
            return
        key = guard.admit(
            environ.get("HTTP_AUTHORIZATION"), environ.get("QUERY_STRING", ""), way.needed
        )
        environ["REMOTE_USER"] = key.name  # for logs
        environ[_KEY] = key
        if way.long:
            self.take_long(environ)

    def take_long(self, environ: dict[str, Any]) -> None:
        """Count a request that was let in as one that takes long, to its end. Raises Refused."""
        guard, key = self.guard, environ.get(_KEY)
        if guard is None or key is None:
            return
        place = guard.take_place(key)

        @after_this_request
        def give_back_at_the_end(response: Response) -> Response:
            if response.is_streamed:
                response.call_on_close(lambda: guard.give_back(place))
            else:
                guard.give_back(place)
            return response


def takes_long() -> None:
    """Count the request as one that takes long, where its path does not say so. Raises Refused."""
    current_app.extensions[guard_key].take_long(request.environ)


def _handle_refused(refused: Refused) -> Response:
    response = handle_problem(refused.problem)
    response.headers.update(refused.headers)
    return response


def set_guard(app: Flask, settings: Settings) -> None:
    """Have every request of an app looked at, and its answer furnished.

    Raises:
        KeysError: if the keys file cannot be used.
    """
    limits = Limits(settings.rate, settings.burst, settings.at_a_time)
    guard = None if settings.keys is None else Guard(settings.keys, limits)
    door = app.extensions[guard_key] = _Door(guard, to_all=settings.open)
    app.before_request(door.enter)
    app.register_error_handler(Refused, _handle_refused)
    # As Flask documents it; its hints take this for a change of a method.
    app.wsgi_app = furnished(app.wsgi_app)  # type: ignore[assignment, method-assign]


def secured(path: str, responses: dict[str, Any]) -> dict[str, Any]:
    """What the OpenAPI document adds to an operation: who may call, and what others are told.

    responses: references to the responses that RESPONSE_HEADERS names, by status.
    """
    scopes = PATHS.get(path)
    if not scopes:
        return {}
    security: list[dict[str, list[str]]] = [{SCHEME: [scope]} for scope in scopes]
    if current_app.extensions[guard_key].guard is None:
        security.append({})
    return {"security": security, "responses": responses}


# Of each connection, as long as it is there: an address does not change, and a look at it costs
# as much as all else that is looked at.
_from_here: WeakKeyDictionary[Any, bool] = WeakKeyDictionary()


def _came_from_here(environ: dict[str, Any]) -> bool:
    """Whether a request has come over the machine's own network, whoever started the server how."""
    connection = environ.get("gunicorn.socket")
    if connection is None:
        return not reachable([(environ.get("SERVER_NAME", ""),)])
    found = _from_here.get(connection)
    if found is None:
        try:
            found = not reachable([connection.getsockname()])
        except OSError:
            return False
        _from_here[connection] = found
    return found
