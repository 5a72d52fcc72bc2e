"""A batch that is sent and answered line by line, and the worker that has it."""

from __future__ import annotations

import json
import socket
from typing import Any

from tests.breaking.load import CASE
from tests.breaking.running import Running


class Lines:
    """A batch under way."""

    def __init__(self, port: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=60)
        self._socket.sendall(
            b"POST /v1/assessments/batch HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n"
            b"Content-Type: application/x-ndjson\r\nTransfer-Encoding: chunked\r\n\r\n"
        )
        self._file = self._socket.makefile("rb")
        self._told = False

    def ask(self, case: Any = CASE) -> Any:
        """The result of one more case. Raises OSError or EOFError if the connection breaks."""
        raw = json.dumps(case).encode() + b"\n"
        self._socket.sendall(b"%x\r\n%s\r\n" % (len(raw), raw))
        return self._line()

    def end(self) -> Any:
        """The summary."""
        self._socket.sendall(b"0\r\n\r\n")
        found = self._line()
        self.close()
        return found

    def close(self) -> None:
        """Leave."""
        self._file.close()
        self._socket.close()

    def holder(self, running: Running) -> int:
        """The process id of the worker that has it; 0 if none does (Linux)."""
        return running.holder(self._socket)

    def _line(self) -> Any:
        if not self._told:
            if not self._file.readline().startswith(b"HTTP/1.1 200"):
                raise EOFError
            while self._file.readline().strip():
                pass
            self._told = True
        size = self._file.readline()
        if not size:
            raise EOFError
        data = self._file.read(int(size, 16))
        self._file.readline()
        return json.loads(data)
