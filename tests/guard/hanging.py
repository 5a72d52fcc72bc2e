"""An app on which a case never ends, for gunicorn to serve."""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import Any

from flask import Flask

from service.api import cases
from service.app import create_app as create_real

_reasoner_for = cases.reasoner_for


def _hang(catalogue: Any, case: Mapping[str, Any]) -> Any:
    while case.get("case_id") == "for-ever":
        time.sleep(0.1)
    return _reasoner_for(catalogue, case)


def create_app() -> Flask:
    """The app as it is, but for the case that is named so."""
    cases.reasoner_for = _hang
    return create_real()
