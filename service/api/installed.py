"""The installed rule sets of the running app."""

from __future__ import annotations

from flask import Flask, current_app

from service.ruleset.catalogue import Catalogue

install_key = "ohmpath-catalogue"


def install(app: Flask, catalogue: Catalogue) -> None:
    """Give an app its rule sets, once."""
    app.extensions[install_key] = catalogue


def installed() -> Catalogue:
    """The rule sets of the app that handles this request."""
    catalogue: Catalogue = current_app.extensions[install_key]
    return catalogue
