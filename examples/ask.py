"""Wait until the service is ready, post a case, print the answer. Standard library only.

usage: python ask.py URL FILE
"""

import json
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

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


def ask(url: str, case: bytes) -> object:
    """The assessment of a case, or the problem document if it cannot be assessed."""
    request = urllib.request.Request(
        f"{url}/v1/assessments", data=case, headers={"Content-Type": "application/json"}
    )
    try:
        with urllib.request.urlopen(request, timeout=30) as response:
            return json.load(response)
    except urllib.error.HTTPError as error:
        return json.load(error)


def main() -> None:
    url, file = sys.argv[1:]
    try:
        wait_until_ready(url)
        answer = ask(url, Path(file).read_bytes())
    except (OSError, ValueError) as error:
        sys.exit(f"{error}")
    print(json.dumps(answer, indent=2, ensure_ascii=False))


if __name__ == "__main__":
    main()
