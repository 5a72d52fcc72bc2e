"""Running the app under gunicorn from Python."""

from __future__ import annotations

import errno
import logging
import socket
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from gunicorn.app.base import BaseApplication

from service import gunicorn_conf
from service.guard.listening import reachable
from service.settings import Settings

if TYPE_CHECKING:
    from wsgiref.types import WSGIApplication


log = logging.getLogger(__name__)


class OpenDoorError(RuntimeError):
    """The service would be open to everybody; gunicorn ends with the message of such an error."""


class Server(BaseApplication):
    """Gunicorn with the settings of `gunicorn_conf` and an app that has been made already."""

    def __init__(self, app: WSGIApplication, *, host: str, port: int, workers: int) -> None:
        self._app, self._bind, self._workers = app, bind_address(host, port), workers
        super().__init__()

    def load_config(self) -> None:
        """Take over the settings; what the command line says comes last."""
        for name, value in vars(gunicorn_conf).items():
            if name in self.cfg.settings:
                self.cfg.set(name, value)
        self.cfg.set("bind", self._bind)
        self.cfg.set("workers", self._workers)

    def load(self) -> WSGIApplication:
        """The app to serve."""
        return self._app


def bind_address(host: str, port: int) -> str:
    """`host:port`, with an IPv6 address in brackets."""
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


def why_not_bindable(host: str, port: int) -> str | None:
    """Why the address cannot be listened on; None if it can.

    Gunicorn itself would try five times and then end with a line in the log.
    """
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
    except OSError as error:
        return f"{host!r} is not an address of this machine: {error.strerror}"
    with socket.socket(family, kind, protocol) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(address)
        except OSError as error:
            where = bind_address(host, port)
            if error.errno == errno.EADDRINUSE:
                return f"{where} is taken by another program; choose another with --port"
            return f"{where} cannot be listened on: {error.strerror}"
    return None


def refuse_open_door(addresses: Sequence[Any], settings: Settings) -> None:
    """See to it that nobody serves the whole network without meaning to.

    addresses: what the service listens on, as `reachable` takes it. Raises OpenDoorError.
    """
    others = ", ".join(reachable(addresses))
    if others and settings.keys is None and not settings.open:
        raise OpenDoorError(
            f"other machines can reach {others}, and no keys are set up. Make one with\n"
            "    ohmpath keys new NAME --scope assess --to FILE\n"
            "and start with OHMPATH_KEYS=FILE; or, if something in front of the service asks who "
            "calls, with OHMPATH_OPEN=yes. Nothing has been started."
        )


def warn_of_open_door(addresses: Sequence[Any], settings: Settings) -> None:
    """Say loudly that the whole network may call, if it may."""
    others = ", ".join(reachable(addresses))
    if others and settings.open:
        log.warning("OHMPATH_OPEN=yes: WHOEVER REACHES %s MAY CALL WITHOUT A KEY", others)
