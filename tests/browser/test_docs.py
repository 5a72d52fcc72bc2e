"""The interactive API page, as people use it: by mouse, by keyboard, on a phone, in the dark."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Locator, Page, expect

from service.guard.keys import Key, digest_of, new_token
from tests.breaking.running import wait_for
from tests.browser.conftest import Visit
from tests.wanted import want

CASE = "assessments/assessCase"
GRAPH = "rule_sets/getGraph"
FOUND = '"status": "fault-found"'
TEMPORARY = ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
"""The kinds of temporary files that nginx keeps."""


def operation(page: Page, name: str) -> Locator:
    """An operation on the page, by its tag and id; opened."""
    found = page.locator(f"[id='operations-{name.replace('/', '-')}']")
    control = found.locator(".opblock-summary-control")
    if control.get_attribute("aria-expanded") == "false":
        control.click()
    expect(found.locator(".execute")).to_be_visible()
    return found


def execute(of: Locator) -> Locator:
    """What the service answered to an operation."""
    of.locator(".execute").click()
    answer = of.locator(".live-responses-table .response")
    expect(answer).to_be_visible()
    return answer


@pytest.fixture
def docs(visit: Callable[..., Visit], service_url: str) -> Callable[..., Visit]:
    """Open the page, wait until it shows the operations."""

    def open_docs(where: str = "/docs", url: str = service_url, **options: Any) -> Visit:
        made = visit(f"{url}{where}", **options)
        expect(made.page.locator("[id='operations-assessments-assessCase']")).to_be_visible()
        return made

    return open_docs


def test_nothing_fails_and_nothing_is_asked_elsewhere(docs: Callable[..., Visit]) -> None:
    made = docs()
    execute(operation(made.page, CASE))
    made.page.wait_for_load_state("networkidle")
    assert made.complaints == []
    assert made.page.title() == "Ohmpath \N{EN DASH} interactive API"
    assert made.context.cookies() == []
    assert "swagger" not in made.page.locator("body").inner_text().lower()
    shown = made.page.locator(".opblock-summary-path").evaluate_all(
        "all => all.map(one => one.dataset.path)"
    )
    assert shown[:2] == ["/v1/assessments", "/v1/assessments/batch"], "as in the document"
    assert "/docs" not in shown


def test_the_example_is_executed(docs: Callable[..., Visit]) -> None:
    made = docs()
    answer = execute(operation(made.page, CASE))
    expect(answer.locator(".response-col_status")).to_have_text("200")
    expect(answer).to_contain_text(FOUND)


def test_an_operation_has_an_address(docs: Callable[..., Visit]) -> None:
    made = docs(f"/docs#/{GRAPH}")
    expect(made.page.locator("[id='operations-rule_sets-getGraph'] .execute")).to_be_visible()
    operation(made.page, CASE)
    assert made.page.url.endswith(f"#/{CASE}")


@pytest.mark.parametrize("typed", ["", "/", "/docs/"])
def test_what_people_type_leads_to_the_page(
    docs: Callable[..., Visit], service_url: str, typed: str
) -> None:
    made = docs(typed)
    assert made.page.url == f"{service_url}/docs"
    operation(made.page, CASE)
    assert made.complaints == []


@pytest.fixture
def below_a_path(service_url: str, free_port: Callable[[], int], tmp_path: Path) -> Iterator[str]:
    """The service's URL behind an nginx that serves it below a path."""
    want(shutil.which("nginx") is not None, "nginx is not installed (apt-get install nginx-light)")
    port = free_port()
    kept = "".join(f"{name}_temp_path {tmp_path}/{name};" for name in TEMPORARY)
    (tmp_path / "nginx.conf").write_text(
        f"daemon off; pid {tmp_path}/pid; events {{}} http {{ {kept} access_log off;"
        f" server {{ listen 127.0.0.1:{port};"
        f" location /bench/ {{ proxy_pass {service_url}/; }} }} }}"
    )
    command = ["nginx", "-p", str(tmp_path), "-c", str(tmp_path / "nginx.conf"), "-e", "stderr"]
    if os.geteuid() == 0:  # it would give up its rights, and with them its temporary files
        command += ["-g", "user root;"]
    with subprocess.Popen(command, stderr=subprocess.DEVNULL) as process:
        try:
            wait_for(lambda: answers(port), told="nginx")
            yield f"http://127.0.0.1:{port}/bench"
        finally:
            process.terminate()
            process.wait(30)


def answers(port: int) -> bool:
    """Whether somebody listens at a port of this machine."""
    try:
        socket.create_connection(("127.0.0.1", port), timeout=5).close()
    except OSError:
        return False
    return True


def test_it_works_below_a_path_of_a_proxy(docs: Callable[..., Visit], below_a_path: str) -> None:
    made = docs(url=below_a_path)
    asked = []
    made.page.on("request", lambda request: asked.append(request.url))
    made.page.reload()
    expect(execute(operation(made.page, CASE))).to_contain_text(FOUND)
    assert f"{below_a_path}/v1/assessments" in asked
    assert [url for url in asked if not url.startswith((below_a_path, "data:"))] == []
    assert made.complaints == []


def focused(page: Page) -> Locator:
    return page.locator(":focus")


def test_the_keyboard_is_enough(docs: Callable[..., Visit]) -> None:
    page = docs().page
    page.keyboard.press("Tab")
    expect(focused(page)).to_have_text("Skip to the operations")
    expect(focused(page)).to_be_in_viewport()
    page.keyboard.press("Enter")
    expect(focused(page)).to_have_id("operations")
    for _ in range(5):
        page.keyboard.press("Tab")
        if "opblock-summary-control" in (focused(page).get_attribute("class") or ""):
            break
    expect(focused(page)).to_contain_text("Assess one case")
    style, width = focused(page).evaluate(
        "one => [getComputedStyle(one).outlineStyle, getComputedStyle(one).outlineWidth]"
    )
    assert (style, width) == ("solid", "3px"), "the focus is to be seen"
    page.keyboard.press("Enter")
    expect(focused(page)).to_have_attribute("aria-expanded", "true")
    expect(page.locator("[id='operations-assessments-assessCase'] .execute")).to_be_visible()


def test_the_dialog_takes_the_focus_and_gives_it_back(docs: Callable[..., Visit]) -> None:
    page = docs().page
    page.locator(".btn.authorize").press("Enter")
    expect(page.get_by_role("dialog", name="Authorize")).to_be_visible()
    expect(page.get_by_label("Token")).to_be_focused()
    page.keyboard.press("Escape")
    expect(page.get_by_role("dialog")).to_have_count(0)
    expect(page.locator(".btn.authorize")).to_be_focused()


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_a_narrow_screen_has_room(docs: Callable[..., Visit], dark: bool) -> None:
    made = docs(width=360, height=740, dark=dark)
    assert made.too_wide() <= 0
    assert made.smallest_text() >= 12
    execute(operation(made.page, CASE))
    operation(made.page, GRAPH)
    assert made.too_wide() <= 0
    assert made.smallest_text() >= 12


def brightness(of: Locator, what: str) -> float:
    """Of a colour of an element, 0 to 1."""
    colour = of.evaluate(f"one => getComputedStyle(one).{what}")
    red, green, blue = map(float, re.findall(r"[\d.]+", colour)[:3])
    return (0.299 * red + 0.587 * green + 0.114 * blue) / 255


def test_dark_is_dark(docs: Callable[..., Visit]) -> None:
    made = docs(dark=True)
    for text in (".title", ".info__description p", ".opblock-summary-path", "header p"):
        assert brightness(made.page.locator(text).first, "color") > 0.7, text
    assert brightness(made.page.locator("body"), "backgroundColor") < 0.2
    made.page.emulate_media(color_scheme="light")  # while it is open
    expect(made.page.locator("html")).not_to_have_class("dark-mode")
    assert brightness(made.page.locator("body"), "backgroundColor") > 0.9
    assert brightness(made.page.locator(".title").first, "color") < 0.3


@pytest.mark.parametrize(("dark", "width"), [(False, 1280), (True, 360)], ids=["light", "dark"])
def test_axe_finds_nothing(docs: Callable[..., Visit], dark: bool, width: int) -> None:
    """Of what is on the page, nothing is left out."""
    made = docs(dark=dark, width=width)
    execute(operation(made.page, CASE))
    operation(made.page, GRAPH)
    made.page.locator("section.models > h4 button").click()
    schemas = made.page.locator("section.models")
    schemas.locator(".json-schema-2020-12-accordion").first.click()
    expect(schemas.locator(".json-schema-2020-12-property").first).to_be_visible()
    assert made.barriers() == []
    made.page.locator(".btn.authorize").click()
    expect(made.page.get_by_label("Token")).to_be_visible()
    assert made.barriers(".dialog-ux") == []


@pytest.fixture(scope="module")
def guarded(
    start_service: Callable[..., tuple[str, Any]], tmp_path_factory: pytest.TempPathFactory
) -> tuple[str, str]:
    """The URL of a service that wants keys, and the token of one."""
    token = new_token("desk")
    keys = tmp_path_factory.mktemp("keys") / "keys"
    keys.write_text(Key("desk", frozenset({"assess"}), digest_of(token)).line + "\n")
    Path(keys).chmod(0o600)
    return start_service(OHMPATH_KEYS=str(keys))[0], token


def test_a_key_opens_what_is_closed(docs: Callable[..., Visit], guarded: tuple[str, str]) -> None:
    url, token = guarded
    made = docs(url=url)
    page = made.page
    assert made.complaints == [], "the page itself needs no key"
    case = operation(page, CASE)
    answer = execute(case)
    expect(answer.locator(".response-col_status")).to_contain_text("401")
    expect(answer).to_contain_text("/problems/key-needed")

    page.locator(".btn.authorize").click()
    page.get_by_label("Token").fill(token)
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Close", exact=True).last.click()
    answer = execute(case)
    expect(answer.locator(".response-col_status")).to_have_text("200")
    expect(answer).to_contain_text(FOUND)

    kept = page.evaluate("JSON.stringify([{...localStorage}, {...sessionStorage}])")
    assert token not in kept
    page.reload()
    answer = execute(operation(page, CASE))
    expect(answer.locator(".response-col_status")).to_contain_text("401")
