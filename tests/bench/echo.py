"""What the service is held against: the same server, the same body, and nothing done with it."""

from __future__ import annotations

import json

from flask import Flask, Response, request

app = Flask("echo")


@app.post("/echo")
def echo() -> Response:
    """The JSON document that was sent, read and written again."""
    return Response(json.dumps(json.loads(request.get_data())), content_type="application/json")
