"""The sheet as an HTML page, which needs nothing but itself."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from service.record.sheet import Sheet
from service.record.written import FOLDER, Language


def page(one: Sheet, lang: Language) -> bytes:
    """The page, in UTF-8. The same sheet in the same language gives the same bytes."""
    template = _environment().get_template("page.html")
    return template.render(sheet=one, lang=lang.code, say=lang.say, style=style()).encode()


@cache
def policy() -> str:
    """The Content-Security-Policy of such a page: its own style, and nothing else at all."""
    digest = base64.b64encode(hashlib.sha256(style().encode()).digest()).decode()
    return f"default-src 'none'; style-src 'sha256-{digest}'; frame-ancestors 'none'"


@cache
def style() -> str:
    """The style sheet."""
    return (FOLDER / "page.css").read_text(encoding="utf-8")


@cache
def _environment() -> Environment:
    made = Environment(
        loader=FileSystemLoader(FOLDER),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.tests["translated"] = _is_translated
    return made


def _is_translated(one: Any) -> bool:
    return hasattr(one, "lang")
