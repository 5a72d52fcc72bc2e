"""A dispatch system posts a job and gets back what its job card needs. Python 3.9, no packages."""

import json
import os
import re
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib import error, request

URL = os.environ.get("OHMPATH_URL", "http://127.0.0.1:8080") + "/v1/assessments"
KEY = f"Bearer {os.environ.get('OHMPATH_KEY', '')}"
KINDS = {"PK-04": "microwave-oven", "PK-07": "tumble-dryer"}  # by how the asset number begins
SYMPTOMS = {"stays cold": "no-heat", "too cold": "low-heat", "smells burnt": "burning-smell"}


def ask(body, headers, tries=2):
    """HTTP status, 0 for none, and document. Asking twice does no harm: nothing is kept."""
    try:
        with request.urlopen(request.Request(URL, body, headers), timeout=10) as got:
            return 200, json.load(got)
    except error.HTTPError as got:
        after = got.headers.get("Retry-After", "")
        wait = int(after) if after.isdecimal() else 1  # seconds
        if got.code in (429, 503) and tries > 1 and wait <= 5:
            time.sleep(wait)
            return ask(body, headers, tries - 1)
        return got.code, json.load(got) if got.code == 422 else {"title": got.reason}
    except OSError:
        return 0, {}


def card(status, answer):
    """HTTP status and job card; or what a dispatcher can do: mend it, wait, or tell somebody."""
    if status in (0, 429, 503):
        return 503, {"message": "The diagnosis is busy or away. Send the job again in a minute."}
    if status == 422:
        said = "; ".join(f"{one['pointer']}: {one['message']}" for one in answer["errors"])
        said = re.sub(r"/readings/(\d+)/?", lambda at: f"reading {int(at[1]) + 1} ", said)
        return 422, {"message": said}
    if status != 200:
        return 502, {"message": f"{answer['title']}: tell whoever looks after the webhook."}
    step, verdict = answer["next_check"], answer["verdict"]
    now = [one for one in answer["precautions"] if one["applies_now"]]
    return 200, {
        "job": answer["case_id"],
        "status": answer["status"],
        "next_step": step and {key: step[key] for key in ("id", "title", "how", "minutes")},
        "precautions": [f"{one['signal_word']}: {one['text']}" for one in now],
        "verdict": verdict and {"fault": verdict["title"], "do": verdict["remedy"]["action"]},
        "reasons": [one["text"] for one in answer["reasons"]],
        "van": [one["id"] for one in answer["bring"]["parts"] if one["probability"] > 0.1],
    }


class Webhook(BaseHTTPRequestHandler):
    def do_POST(self):
        headers = {"Content-Type": "application/json", "Authorization": KEY}
        headers["traceparent"] = self.headers["traceparent"] or ""
        try:
            job = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            case = {"equipment": KINDS[job["asset"][:5]], "symptom": SYMPTOMS[job["complaint"]]}
            case |= {name: job[name] for name in ("nameplate", "readings", "confirmed")}
            case["case_id"] = job["job"]
            status, said = card(*ask(json.dumps(case).encode(), headers))
        except (KeyError, TypeError, ValueError) as wrong:
            status, said = 422, {"message": f"Missing, or unknown here: {wrong}"}
        self.send_response(status)
        self.send_header("Content-Type", "application/json")
        self.end_headers()
        self.wfile.write(json.dumps(said).encode())


ThreadingHTTPServer(("127.0.0.1", int(os.environ.get("PORT", "8090"))), Webhook).serve_forever()
