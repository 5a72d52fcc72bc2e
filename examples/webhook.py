"""A dispatch system posts a job and gets back what its job card needs. Python 3.9, no packages."""

import json
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from os import getenv
from urllib import request

URL = getenv("OHMPATH_URL", "http://127.0.0.1:8080") + "/v1/assessments"
SEND = {"Content-Type": "application/json", "Authorization": "Bearer " + getenv("OHMPATH_KEY", "")}
KINDS = {"PK-04": "microwave-oven", "PK-07": "tumble-dryer"}  # by how the asset number begins
SYMPTOMS = {"stays cold": "no-heat", "too cold": "low-heat", "smells burnt": "burning-smell"}


class Webhook(BaseHTTPRequestHandler):
    def do_POST(self):
        try:
            job = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            case = {"equipment": KINDS[job["asset"][:5]], "symptom": SYMPTOMS[job["complaint"]]}
            case |= {name: job[name] for name in ("nameplate", "readings", "confirmed")}
            status, said = self.ask(json.dumps({**case, "case_id": job["job"]}).encode())
        except (KeyError, TypeError, ValueError) as wrong:
            status, said = 422, {"message": f"Missing, or unknown here: {wrong}"}
        self.send_response(status)
        self.send_header("Content-Type", "application/json")
        self.end_headers()
        self.wfile.write(json.dumps(said).encode())

    def ask(self, body, tries=2):
        """HTTP status and card, or what a dispatcher can do: mend the job, wait, tell somebody."""
        headers = {**SEND, "traceparent": self.headers["traceparent"] or ""}
        try:
            with request.urlopen(request.Request(URL, body, headers), timeout=10) as got:
                return 200, self.card(json.load(got))
        except OSError as no:  # it has a code and headers, if there was an answer
            code, wait = getattr(no, "code", 503), getattr(no, "headers", {}).get("Retry-After", 1)
            if code == 422:
                return 422, {"message": json.load(no)["detail"]}
            if code not in (429, 503):
                return 502, {"message": f"{no}: tell whoever looks after the webhook."}
            if tries == 1 or str(wait) not in list("012345"):  # seconds
                return 503, {"message": "The diagnosis is busy or away. Send it again in a minute."}
            time.sleep(int(wait))
            return self.ask(body, tries - 1)

    def card(self, answer):
        step, verdict = answer["next_check"], answer["verdict"]
        now = [one for one in answer["precautions"] if one["applies_now"]]
        return {
            "job": answer["case_id"],
            "status": answer["status"],
            "next_step": step and {key: step[key] for key in ("id", "title", "how", "minutes")},
            "precautions": [f"{one['signal_word']}: {one['text']}" for one in now],
            "verdict": verdict and {"fault": verdict["title"], "do": verdict["remedy"]["action"]},
            "reasons": [one["text"] for one in answer["reasons"]],
            "van": [one["id"] for one in answer["bring"]["parts"] if one["probability"] > 0.1],
        }


ThreadingHTTPServer(("127.0.0.1", int(getenv("PORT", "8090"))), Webhook).serve_forever()
