"""The page as a PDF, where the library for it is installed (`ohmpath[pdf]`)."""

from __future__ import annotations

import logging
from functools import cache
from typing import Any, NoReturn


@cache
def available() -> bool:
    """Whether PDFs can be made here: the library is there, and what it loads of the system's."""
    try:
        import weasyprint  # noqa: F401
    except (ImportError, OSError):
        return False
    return True


def as_pdf(html: bytes) -> bytes:
    """A page of ours as PDF/UA-1 (ISO 14289-1): tagged, for readers that read aloud.

    Not made for threads, and takes about a second of a processor; see `service.printing`.
    """
    from weasyprint import HTML

    # It tells of each property that is only for screens.
    logging.getLogger("weasyprint").setLevel(logging.ERROR)
    made: bytes = HTML(string=html.decode(), url_fetcher=_nothing).write_pdf(
        pdf_variant="pdf/ua-1", pdf_identifier=b"ohmpath"
    )
    return made


def _nothing(url: str, *_: Any, **__: Any) -> NoReturn:
    """Whatever a page names, nothing is fetched."""
    raise ValueError(f"not fetched: {url}")
