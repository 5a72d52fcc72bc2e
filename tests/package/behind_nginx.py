"""Asks two replicas through nginx while one of them is killed. No packages needed.

`docker/prove.sh` runs it inside nginx's container, and kills the replica.
"""

import http.client
import json
import os
import time
from itertools import count

HOST = "127.0.0.1:8000"
KEY = f"Bearer {os.environ['TOKEN']}"
CASE = b'{"equipment": "microwave-oven", "symptom": "no-heat"}'


def one_case() -> int:
    """The status of one assessment."""
    connection = http.client.HTTPConnection(HOST, timeout=40)
    headers = {"Content-Type": "application/json", "Authorization": KEY}
    connection.request("POST", "/v1/assessments", CASE, headers)
    answer = connection.getresponse()
    answer.read()
    return answer.status


def in_step() -> None:
    """Send each line of a batch only after the answer to the one before."""
    connection = http.client.HTTPConnection(HOST, timeout=20)
    connection.putrequest("POST", "/v1/assessments/batch?detail=brief")
    connection.putheader("Content-Type", "application/x-ndjson")
    connection.putheader("Authorization", KEY)
    connection.putheader("Transfer-Encoding", "chunked")
    connection.endheaders()
    line = CASE + b"\n"
    chunk = b"%x\r\n%s\r\n" % (len(line), line)
    connection.send(chunk)
    answer = connection.getresponse()
    assert answer.status == 200
    for index in range(3):
        assert json.loads(answer.readline())["index"] == index
        if index < 2:
            connection.send(chunk)
    connection.send(b"0\r\n\r\n")
    assert json.loads(answer.readline())["summary"]["cases"] == 3


def too_large() -> None:
    """What nginx refuses itself is a problem document, too."""
    connection = http.client.HTTPConnection(HOST, timeout=20)
    connection.putrequest("POST", "/v1/assessments")
    connection.putheader("Content-Type", "application/json")
    connection.putheader("Content-Length", str(10 * 1024 * 1024))
    connection.endheaders()
    answer = connection.getresponse()
    assert answer.status == 413
    assert answer.headers["Content-Type"] == "application/problem+json"
    assert json.loads(answer.read())["status"] == 413


def main() -> None:
    """Assert that nobody feels it."""
    in_step()
    too_large()
    until = time.monotonic() + 10
    for asked in count(1):
        status = one_case()
        assert status == 200, f"request {asked}: {status}"
        if time.monotonic() > until:
            break
        time.sleep(0.02)  # fewer than a key may ask in a second
    print(f"  a batch in step, and {asked} cases while a replica was killed: all answered")


main()
