"""Every command of examples/README.md gives what is shown below it."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from subprocess import CompletedProcess

import pytest

Run = Callable[..., CompletedProcess[str]]

EXAMPLES = Path(__file__).parents[2] / "examples"
README = (EXAMPLES / "README.md").read_text(encoding="utf-8")
SECTIONS = dict(re.findall(r"^## (.*?)\n(.*?)(?=^## |\Z)", README, re.DOTALL | re.MULTILINE))
SERVICE, WEBHOOK = "http://127.0.0.1:8080", "http://127.0.0.1:8090"
VISITS = """\
sh examples/visit.sh
python3 examples/visit.py
node examples/visit.mjs
"""
START_OF_WEBHOOK = "PORT=8090 python3 examples/webhook.py\n"


def shows(excerpt: str, output: str) -> bool:
    """Whether the lines of an excerpt are those of an output, but for what `...` leaves out."""
    pattern = re.escape(excerpt).replace(re.escape("...\n"), r"(?:.*\n)*?")
    return re.fullmatch(pattern, output) is not None


def steps(section: str) -> list[tuple[str, str]]:
    """The scripts of a section, each with what is shown of its output."""
    blocks = re.findall(r"^```(sh|text)\n(.*?)^```$", section, re.DOTALL | re.MULTILINE)
    found: list[tuple[str, str]] = []
    for kind, text in blocks:
        if kind == "sh":
            found.append((text, ""))
        else:
            found[-1] = (found[-1][0], text)
    return found


def test_an_excerpt_is_held_against_every_line() -> None:
    assert shows("a\n...\nd\n", "a\nb\nc\nd\n")
    assert shows("a\n...\nd\n", "a\nd\n")
    assert not shows("a\n...\nd\n", "a\nb\nc\nd\ne\n")
    assert not shows("a\nd\n", "a\nb\nd\n")


@pytest.mark.parametrize("title", SECTIONS)
def test_a_section_of_the_readme_is_true(
    title: str, run: Run, service: str, start_webhook: Callable[..., str], need: Callable[..., None]
) -> None:
    need("curl", "jq")
    webhook = start_webhook(service) if START_OF_WEBHOOK in SECTIONS[title] else ""
    told = steps(SECTIONS[title])
    assert told
    for script, excerpt in told:
        if script == START_OF_WEBHOOK:
            continue
        if script == VISITS:
            # The other two say the same: test_scripts.py
            script = "python3 examples/visit.py"
        done = run(script.replace(SERVICE, service).replace(WEBHOOK, webhook), OHMPATH_URL=service)
        assert shows(excerpt, done.stdout + done.stderr), done.stdout + done.stderr


def test_the_webhook_is_as_short_as_the_readme_says() -> None:
    lines = (EXAMPLES / "webhook.py").read_text(encoding="utf-8").splitlines()
    assert f"{len(lines)} lines" in README
