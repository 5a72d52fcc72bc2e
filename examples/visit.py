"""A whole visit to oven PK-0412 of Potluck Kitchens: complaint, checks, repair, proof.

Needs Python 3.9 and nothing else. OHMPATH_URL and OHMPATH_KEY say where the service is, and with
which key it is asked. oven.json stands for the technician: it has what each check would read.
"""

import json
import os
import sys
import urllib.error
import urllib.request
from pathlib import Path

URL = os.environ.get("OHMPATH_URL", "http://127.0.0.1:8080")
HEADERS = {"Content-Type": "application/json"}
if os.environ.get("OHMPATH_KEY"):
    HEADERS["Authorization"] = f"Bearer {os.environ['OHMPATH_KEY']}"

MOST_STEPS = 60  # a reading that the service cannot use is asked for again, without end

told = set()  # precautions that have been shown in full
steps = 0


def ask(case):
    """The assessment of a case. A problem ends the visit: what is wrong, and where in the case."""
    body = json.dumps(case).encode()
    try:
        request = urllib.request.Request(f"{URL}/v1/assessments", body, HEADERS)
        with urllib.request.urlopen(request, timeout=30) as response:
            return json.load(response)
    except urllib.error.HTTPError as error:
        if error.headers.get_content_type() != "application/problem+json":
            sys.exit(f"{URL}: {error}")
        problem = json.load(error)
        wrong = [f"{one['pointer']}: {one['message']}" for one in problem["errors"]]
        said = "\n  ".join(wrong or [problem["detail"]])
        sys.exit(f"{problem['status']} {problem['title']}\n  {said}")
    except OSError as error:
        sys.exit(f"{URL}: {error}")


def show_precautions(answer):
    """In full the first time and as long as they are to be confirmed, by name from then on.

    Those of the whole answer: a verdict has some, and no `next_check`.
    """
    now = [one for one in answer["precautions"] if one["applies_now"]]
    due = [one for one in now if one["must_confirm"] and not one["confirmed"]]
    in_full = [one for one in now if one["id"] not in told or one in due]
    if by_name := [one["id"] for one in now if one not in in_full]:
        print(f"    as before: {', '.join(by_name)}")
    for one in in_full:
        print(f"    {one['signal_word']} {one['id']}: {one['text']}")
        told.add(one["id"])


def follow(case, readings):
    """Do what `next_check` says until there is none. The last answer; `case` has grown."""
    global steps
    while (answer := ask(case))["status"] == "check-next":
        step = answer["next_check"]
        steps += 1
        if steps > MOST_STEPS:
            sys.exit(f"{step['id']} is asked for again and again")
        print(f"{steps}. {step['title']}")
        show_precautions(answer)  # before anything is done
        for line in step["how"]:
            print(f"    - {line}")

        if step["kind"] == "preparation":
            kept = [one for one in case["confirmed"] if one["id"] not in step["withdraws"]]
            case["confirmed"] = kept + step["confirms"]
            print(f"    = done, {step['confirms'][0]['id']}")
        elif step["id"] in plates:
            case["nameplate"].update(plates[step["id"]])
            print("    = read")
        elif step["id"] in readings:
            reading = readings[step["id"]]
            case["readings"].append({"check": step["id"], **reading})
            print(f"    = {shown(reading)}")
            for one in step["also"]:  # seen or heard meanwhile
                if one["id"] in readings:
                    case["readings"].append({"check": one["id"], **readings[one["id"]]})
                    print(f"    + {one['title']}: {shown(readings[one['id']])}")
        else:
            case["unavailable"].append(step["id"])
            print("    = cannot be done here")
    return answer


def shown(reading):
    if "observed" in reading:
        return reading["observed"]
    return "over range" if "over_range" in reading else f"{reading['value']} {reading['unit']}"


def because(answer):
    return f"{answer['status']}: {'; '.join(one['text'] for one in answer['reasons'])}"


oven = json.loads(Path(__file__).with_name("oven.json").read_text(encoding="utf-8"))
case, plates = oven["case"], oven["plates"]
print(f"{case['case_id']}: {case['symptom']}")

answer = follow(case, oven["readings"])
if answer["status"] != "fault-found":
    sys.exit(because(answer))
verdict = answer["verdict"]
print(f"fault-found: {verdict['title']}, {verdict['fault']} ({verdict['confidence']:.0%})")
show_precautions(answer)
print(f"    - {verdict['remedy']['action']}")
print(f"    parts: {'; '.join(verdict['part_titles'].values())}")

case["phase"] = "verify-repair"
case["repairs"] = [
    {"remedy": one["remedy"]["id"], "readings_before": len(case["readings"])}
    for one in [verdict, *verdict["also_found"]]
]
answer = follow(case, {**oven["readings"], **oven["readings_after_repair"]})
if answer["status"] != "released":
    sys.exit(because(answer))
print(because(answer))
