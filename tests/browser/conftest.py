"""Pages in a browser: a service, headless Chromium, what it complains of, and axe-core.

Chromium comes from the system, by apt-get install chromium; nothing is downloaded for it.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from urllib.parse import urlsplit

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

# The service is started as the tests of the edge start it.
from tests.api.conftest import free_port, service_url, start_service  # noqa: F401
from tests.wanted import want

PROGRAMS = ("chromium", "chromium-browser", "google-chrome")
QUIET = (
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
expect.set_options(timeout=30_000)  # milliseconds; a limit for a busy machine, not for the page


@dataclass
class Visit:
    """A page that is open, and what went wrong on it or was asked of any other origin."""

    page: Page
    complaints: list[str] = field(default_factory=list)

    @property
    def context(self) -> BrowserContext:
        """What the page shares with no other: its cookies, its storage."""
        return self.page.context

    def barriers(self, within: str = "html") -> list[str]:
        """What axe-core finds serious or critical on the page as it is, a line each.

        within: CSS selector of the part to look at; a large page takes it seconds.
        """
        found = Axe().run(self.page, within, {"resultTypes": ["violations"]}).response["violations"]
        return [
            f"{one['id']} ({one['impact']}): {node['target']} {node['failureSummary']}"
            for one in found
            if one["impact"] in ("serious", "critical")
            for node in one["nodes"]
        ]

    def too_wide(self, parts: str = "html") -> int:
        """By how many pixels the page is wider than its window, or any part than its own box.

        parts: CSS selector.
        """
        over = "all => Math.max(...all.map(one => one.scrollWidth - one.clientWidth))"
        return int(self.page.locator(parts).evaluate_all(over))

    def smallest_text(self) -> float:
        """The size of the smallest text that is shown, in CSS pixels."""
        return float(self.page.evaluate(_SMALLEST_TEXT))


_SMALLEST_TEXT = """() => {
  const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  let least = Infinity;
  while (texts.nextNode()) {
    const element = texts.currentNode.parentElement;
    if (texts.currentNode.textContent.trim() && element.getClientRects().length)
      least = Math.min(least, parseFloat(getComputedStyle(element).fontSize));
  }
  return least;
}"""


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Headless Chromium. Where there is none the test is skipped, but not where CI runs."""
    program = next(filter(None, map(shutil.which, PROGRAMS)), None)
    want(program is not None, "Chromium is not installed (on Debian: apt-get install chromium)")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=program, args=QUIET)
        yield started
        started.close()


@pytest.fixture
def visit(browser: Browser) -> Iterator[Callable[..., Visit]]:
    """Open a page in a window of its own: visit(url, width=360, dark=True)."""
    contexts = []

    def open_page(
        url: str, *, width: int = 1280, height: int = 800, dark: bool = False, **options: object
    ) -> Visit:
        context = browser.new_context(
            viewport={"width": width, "height": height},
            color_scheme="dark" if dark else "light",
            reduced_motion="reduce",
            **options,  # type: ignore[arg-type]
        )
        contexts.append(context)
        made = Visit(context.new_page())
        told = made.complaints.append
        page, here = made.page, urlsplit(url).netloc
        page.on("pageerror", lambda error: told(f"error: {error}"))
        page.on(
            "console",
            lambda line: line.type in ("error", "warning") and told(f"console: {line.text}"),
        )
        page.on("requestfailed", lambda asked: told(f"failed: {asked.url} {asked.failure}"))
        page.on(
            "request",
            lambda asked: (
                urlsplit(asked.url).scheme not in ("data", "blob")
                and urlsplit(asked.url).netloc != here
                and told(f"elsewhere: {asked.url}")
            ),
        )
        page.on("response", lambda got: got.status >= 400 and told(f"{got.status}: {got.url}"))
        page.goto(url)
        return made

    yield open_page
    for context in contexts:
        context.close()
