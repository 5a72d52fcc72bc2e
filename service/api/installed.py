"""The installed rule sets of the running app, and what it was told of the last reload."""

from __future__ import annotations

from typing import Any

from flask import Flask, current_app, g

from service.ruleset.catalogue import Catalogue
from service.running.board import Published

install_key = "ohmpath-catalogue"
settings_key = "ohmpath-settings"
published_key = "ohmpath-published"


def install(app: Flask, catalogue: Catalogue) -> None:
    """Give an app its rule sets; requests under way keep those that they began with."""
    app.extensions[install_key] = catalogue


def installed() -> Catalogue:
    """The rule sets of the app that handles this request, the same all through the request."""
    if "catalogue" not in g:
        g.catalogue = current_app.extensions[install_key]
    catalogue: Catalogue = g.catalogue
    return catalogue


def publish(app: Flask, published: Published) -> None:
    """Let an app know where it is told of reloads."""
    app.extensions[published_key] = published


def last_reload() -> dict[str, Any] | None:
    """How the last reload went; None if there was none."""
    published: Published | None = current_app.extensions.get(published_key)
    return None if published is None else published.outcome()
