"""Asks a running service for a bit of everything: TOKEN=... python asked.py http://HOST:PORT.

`docker/prove.sh` runs it inside the container. It needs no packages.
"""

import http.client
import json
import os
import re
import sys
import time
import zlib
from urllib.parse import urlsplit

TOKEN = os.environ["TOKEN"]
TRACE = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01"
CASE = {
    "equipment": "microwave-oven",
    "symptom": "no-heat",
    "nameplate": {"supply_voltage": {"value": 120, "unit": "V"}},
    "readings": [
        {"check": "display", "observed": "lit"},
        {"check": "oscillation-indicator", "observed": "dark"},
        {"check": "transformer-secondary-resistance", "over_range": True},
    ],
    "confirmed": ["supply-disconnected", "capacitor-discharged"],
}
CANDIDATE = "base: microwave-oven\nchanges:\n  faults: {diode-open: {rate: {value: -1}}}\n"


class Service:
    """One address."""

    def __init__(self, address: str) -> None:
        self.host = urlsplit(address).netloc

    def ask(
        self,
        method: str,
        path: str,
        body: bytes = b"",
        media: str = "",
        token: str = TOKEN,
        accept: str = "*/*",
    ) -> tuple[int, bytes]:
        """The status and the body of the answer."""
        connection = http.client.HTTPConnection(self.host, timeout=100)
        headers = {"traceparent": TRACE, "Authorization": f"Bearer {token}", "Accept": accept}
        if media:
            headers["Content-Type"] = media
        connection.request(method, path, body or None, headers)
        answer = connection.getresponse()
        return answer.status, answer.read()


def unpacked(pdf: bytes) -> bytes:
    """What stands in the streams of a PDF, fonts' names among it (ISO 32000-2, 7.5.7)."""
    streams = re.findall(rb"/FlateDecode.*?stream\r?\n(.*?)endstream", pdf, re.DOTALL)
    return b"".join(zlib.decompressobj().decompress(one) for one in streams)


def main() -> None:
    """Assert what the answers must be."""
    service = Service(sys.argv[1])
    for _ in range(300):
        try:
            if service.ask("GET", "/readyz")[0] == 200:
                break
        except OSError:
            pass
        time.sleep(0.1)
    assert service.ask("GET", "/healthz")[0] == 200
    case = json.dumps(CASE).encode()
    status, body = service.ask("POST", "/v1/assessments", case, "application/json", "none")
    assert status == 401, body
    status, body = service.ask("POST", "/v1/assessments", case, "application/json")
    assert status == 200, body
    assert json.loads(body)["verdict"]["fault"] == "transformer-secondary-open"
    status, body = service.ask(
        "POST", "/v1/assessments", case, "application/json", accept="application/pdf"
    )
    assert status == 200, body
    assert body.startswith(b"%PDF-"), body[:100]
    assert b"DejaVu" in unpacked(body), "no font of the image is in it"
    lines = b"\n".join([case] * 20)
    status, body = service.ask("POST", "/v1/assessments/batch", lines, "application/x-ndjson")
    assert status == 200, body
    assert json.loads(body.splitlines()[-1])["summary"]["complete"] is True
    status, body = service.ask(
        "POST", "/v1/rule-sets/check", CANDIDATE.encode(), "application/yaml"
    )
    assert status == 200, body
    assert json.loads(body)["findings"], body
    status, body = service.ask(
        "POST", "/v1/assessments", b" " * (1024 * 1024 + 1), "application/json"
    )
    assert status == 413, body
    assert json.loads(body)["instance"] == "/v1/assessments"
    print(
        "  a case, its record as PDF, a batch, a candidate, and a body that is too large: answered"
    )


main()
