"""The installed rule sets of the running app, and what it was told of the last reload."""

from __future__ import annotations

from typing import Any, TypeVar

from flask import Flask, current_app, g

from service.ruleset.catalogue import Catalogue
from service.running.board import Published

install_key = "ohmpath-catalogue"
settings_key = "ohmpath-settings"
published_key = "ohmpath-published"

T = TypeVar("T")


def itself(proxy: T) -> T:
    """What one of Flask's proxies stands for: each access by the proxy costs a microsecond."""
    one: T = proxy._get_current_object()  # type: ignore[attr-defined]
    return one


def install(app: Flask, catalogue: Catalogue) -> None:
    """Give an app its rule sets; requests under way keep those that they began with."""
    app.extensions[install_key] = catalogue


def installed() -> Catalogue:
    """The rule sets of the app that handles this request, the same all through the request."""
    said = itself(g)
    catalogue: Catalogue | None = said.get("catalogue")
    if catalogue is None:
        catalogue = said.catalogue = itself(current_app).extensions[install_key]
    return catalogue


def publish(app: Flask, published: Published) -> None:
    """Let an app know where it is told of reloads."""
    app.extensions[published_key] = published


def last_reload() -> dict[str, Any] | None:
    """How the last reload went; None if there was none."""
    published: Published | None = current_app.extensions.get(published_key)
    return None if published is None else published.outcome()
