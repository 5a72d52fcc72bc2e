"""What logs, metrics and traces cost a request: python tests/bench/bench_observe.py

One app with what `service.api.observing` hangs into it and one without answer the same request,
in one process, as several do together: metrics in files, the log as JSON to a file.
"""

from __future__ import annotations

import statistics
import sys
import time
import timeit
from collections.abc import Callable
from typing import Any

from service.observe import logs, multiprocess

ROUNDS, TIMES = 600, 30


def main() -> None:
    multiprocess.prepare()
    with open("/dev/null", "w") as nowhere:
        sys.stderr, kept = nowhere, sys.stderr
        logs.configure("json")
        sys.stderr = kept
    from flask import Flask, Response
    from werkzeug.test import create_environ

    from service.api.observing import observe
    from service.observe import metrics
    from service.settings import Settings

    # Two caches, of which one is used in each request.
    used = [0, 0, 0]
    metrics.cache("used", lambda: (used[0], used[1], used[2]))
    metrics.cache("unused", lambda: (0, 0, 0))

    def made(observed: bool) -> Callable[[], None]:
        app = Flask("bench")
        if observed:
            observe(app, Settings())

        @app.post("/v1/assessments")
        def view() -> Response:
            used[0] += 1
            return Response(b"x" * 17_000, content_type="application/json")

        headers = {"traceparent": "00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01"}
        environ = create_environ("/v1/assessments", method="POST", headers=headers)

        def ask() -> None:
            body: Any = app.wsgi_app(dict(environ), lambda *_: None)
            for _ in body:
                pass
            body.close()

        return ask

    apps = made(False), made(True)
    rounds = [
        [timeit.timeit(ask, timer=time.process_time, number=TIMES) / TIMES * 1e6 for ask in apps]
        for _ in range(ROUNDS)
    ]
    bare, watched = (min(column) for column in zip(*rounds, strict=True))
    middle = statistics.median(after - before for before, after in rounds)
    print(f"bare {bare:.1f} µs, watched {watched:.1f} µs; median of the difference {middle:.1f} µs")


if __name__ == "__main__":
    main()
