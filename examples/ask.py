"""Wait until the service is ready, post a case, sum up the answer. Standard library only.

usage: python ask.py URL FILE
"""

import json
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

PATIENCE = 30.0  # seconds


def wait_until_ready(url: str) -> None:
    """Return once /readyz answers 200. Raises TimeoutError after PATIENCE seconds."""
    end = time.monotonic() + PATIENCE
    while True:
        try:
            with urllib.request.urlopen(f"{url}/readyz", timeout=5):
                return
        except OSError as error:
            if time.monotonic() > end:
                raise TimeoutError(f"{url} is not ready after {PATIENCE:g} s: {error}") from None
        time.sleep(0.2)


def ask(url: str, case: bytes) -> Any:
    """The assessment of a case. Raises RuntimeError with the problem if it cannot be assessed."""
    request = urllib.request.Request(
        f"{url}/v1/assessments", data=case, headers={"Content-Type": "application/json"}
    )
    try:
        with urllib.request.urlopen(request, timeout=30) as response:
            return json.load(response)
    except urllib.error.HTTPError as error:
        raise RuntimeError(error.read().decode()) from None


def said(reading: Any) -> str:
    """A reading in a few words."""
    if "value" in reading:
        return f"{reading['check']} {reading['value']} {reading['unit']}"
    other = "over range" if "over_range" in reading else "worked out"
    return f"{reading['check']} {reading.get('observed', other)}"


def summary(case: Any, answer: Any) -> Iterator[tuple[str, str]]:
    """What was asked and what was answered, line by line."""
    readings = ", ".join(map(said, case.get("readings", []))) or "no reading yet"
    yield "asked", f"{case['equipment']}, {case['symptom']}: {readings}"
    yield "status", answer["status"]
    verdict, following = answer["verdict"], answer["next_check"]
    if verdict:
        yield "verdict", f"{verdict['title']}, with a confidence of {verdict['confidence']:.0%}"
        yield "remedy", verdict["remedy"]["action"]
    if following:
        yield "next", f"{following['title']} ({following['kind']}, {following['minutes']:g} min)"
    now = [one for one in answer["precautions"] if one["applies_now"]]
    kept = [one["id"] + " (confirmed)" * one["confirmed"] for one in now]
    yield "first", ", ".join(kept) or "no precaution"
    likely = [f"{one['title']} {one['probability']:.0%}" for one in answer["bring"]["parts"][:3]]
    yield "bring", ", ".join(likely) or "no part"


def main() -> None:
    url, file = sys.argv[1:]
    try:
        case = Path(file).read_bytes()
        wait_until_ready(url)
        answer = ask(url, case)
    except (OSError, ValueError, RuntimeError) as error:
        sys.exit(f"{error}")
    for name, text in summary(json.loads(case), answer):
        print(f"{name:>9}  {text}")


if __name__ == "__main__":
    main()
