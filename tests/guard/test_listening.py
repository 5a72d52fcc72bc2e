"""Which addresses are this machine's own."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import pytest
from gunicorn.config import Config

from service import gunicorn_conf
from service.guard.listening import is_loopback, reachable
from service.running.server import OpenDoorError, refuse_open_door, warn_of_open_door
from service.settings import Settings

KEYS = Settings.from_environment({"OHMPATH_KEYS": "/etc/keys"})
OPEN = Settings.from_environment({"OHMPATH_OPEN": "yes"})


@pytest.fixture(autouse=True)
def names(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    known = {
        "here": ["127.0.0.1", "::1"],
        "both": ["127.0.0.1", "192.0.2.7"],
        "there": ["192.0.2.7"],
        "nothing": [],
    }

    def resolve(host: str, *_: Any) -> list[Any]:
        if host not in known:
            raise socket.gaierror(socket.EAI_NONAME, "not known")
        return [(0, 0, 0, "", (address, 0)) for address in known[host]]

    monkeypatch.setattr(socket, "getaddrinfo", resolve)
    is_loopback.cache_clear()
    yield
    is_loopback.cache_clear()


@pytest.mark.parametrize(
    ("host", "own"),
    [
        ("127.0.0.1", True),
        ("127.255.0.9", True),
        ("::1", True),
        ("::ffff:127.0.0.1", True),
        ("here", True),
        ("0.0.0.0", False),
        ("::", False),
        ("", False),
        ("10.0.0.1", False),
        ("fe80::1%eth0", False),
        ("::ffff:10.0.0.1", False),
        ("there", False),
        ("both", False),
        ("nothing", False),
        ("nowhere", False),
    ],
)
def test_loopback(host: str, own: bool) -> None:
    assert is_loopback(host) is own
    assert (reachable([(host, 80), "/run/ohmpath.sock", "\0abstract", b"\0x", 3]) == []) is own


@pytest.mark.parametrize("address", [("0.0.0.0", 8080), ("::", 8080, 0, 0), ("", 80), ("both", 1)])
def test_the_network_is_not_served_without_keys(
    address: Any, caplog: pytest.LogCaptureFixture
) -> None:
    with pytest.raises(OpenDoorError, match="ohmpath keys new") as error:
        refuse_open_door([("127.0.0.1", 80), address], Settings())
    assert "OHMPATH_KEYS" in str(error.value)
    assert "OHMPATH_OPEN=yes" in str(error.value)
    for settings in (KEYS, OPEN):
        refuse_open_door([address], settings)
        warn_of_open_door([address], settings)
    (record,) = caplog.records
    assert "OHMPATH_OPEN=yes: WHOEVER REACHES" in record.getMessage()
    refuse_open_door([("127.0.0.1", 80), "/run/ohmpath.sock"], Settings())


@pytest.mark.parametrize("name", [("192.0.2.7", 80), ("::", 80, 0, 0)])
def test_sockets_that_others_have_opened_are_looked_at_as_well(
    name: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a socket that systemd hands over, gunicorn's settings know a number at most."""
    for variable in ("OHMPATH_KEYS", "OHMPATH_OPEN"):
        monkeypatch.delenv(variable, raising=False)
    own = [
        SimpleNamespace(getsockname=lambda one=one: one)
        for one in ("/run/a.sock", ("127.0.0.1", 1))
    ]
    cfg = Config()  # gunicorn's own, so that it has every setting
    cfg.set("bind", "fd://7")
    cfg.set("preload_app", False)
    gunicorn_conf.on_starting(SimpleNamespace(cfg=cfg))
    gunicorn_conf.when_ready(SimpleNamespace(LISTENERS=own))
    given = SimpleNamespace(getsockname=lambda: name)
    with pytest.raises(OpenDoorError):
        gunicorn_conf.when_ready(SimpleNamespace(LISTENERS=[*own, given]))
