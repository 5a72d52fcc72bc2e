"""From what an author sends to what is said of it; here without the process around it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import pytest

from service.candidates import Job, work
from service.problems import Problem
from service.ruleset.build import FILES
from service.ruleset.catalogue import Catalogue
from service.trials.submission import Part, Submission, refuse_early

DRYER = "tumble-dryer"
CASE = {
    "case_id": "stand-4",
    "equipment": DRYER,
    "symptom": "no-heat",
    "readings": [{"check": "heating-element-to-chassis", "value": 1.4, "unit": "MOhm"}],
    "confirmed": ["supply-disconnected"],
}
HIGHER_LIMIT = {
    "scales": {"to-chassis": {"resistance": {"outcomes": {"shorted": {"below": {"value": 2}}}}}}
}


def overlay(**document: Any) -> Submission:
    raw = json.dumps({"base": DRYER, **document}).encode()
    return Submission((Part("body", raw, "json"),))


def text(document: str) -> Submission:
    return Submission((Part("body", document.encode(), "yaml"),))


def check(catalogue: Catalogue, submission: Submission) -> Mapping[str, Any]:
    return work(Job("check", submission, catalogue))


def try_out(catalogue: Catalogue, submission: Submission, **more: Any) -> Mapping[str, Any]:
    return work(Job("trial", submission, catalogue, **more))


@pytest.fixture(scope="module")
def files(catalogue: Catalogue) -> dict[str, bytes]:
    folder = catalogue.source(DRYER).folder
    return {name: (folder / f"{name}.yaml").read_bytes() for name in FILES}


def test_a_folder_strung_together_is_the_installed_rule_set(
    catalogue: Catalogue, files: dict[str, bytes]
) -> None:
    whole = b"\n".join(files[name] for name in sorted(files))
    answer = check(catalogue, Submission((Part("body", whole, "yaml"),)))
    assert answer["usable"] is True
    assert answer["findings"] == []
    assert answer["candidate"]["content_hash"] == catalogue.get(DRYER).content_hash


def test_the_files_of_a_folder_are_the_installed_rule_set(
    catalogue: Catalogue, files: dict[str, bytes]
) -> None:
    parts = tuple(Part(f"{name}.yaml", raw, "yaml") for name, raw in files.items())
    answer = check(catalogue, Submission(parts))
    assert answer["candidate"]["content_hash"] == catalogue.get(DRYER).content_hash


def test_the_same_as_json(catalogue: Catalogue) -> None:
    documents = catalogue.source(DRYER).documents
    whole = {key: value for one in documents.values() for key, value in one.data.items()}
    answer = check(catalogue, Submission((Part("body", json.dumps(whole).encode(), "json"),)))
    assert answer["candidate"]["content_hash"] == catalogue.get(DRYER).content_hash


def test_files_that_were_not_sent_are_lent_by_the_base(
    catalogue: Catalogue, files: dict[str, bytes]
) -> None:
    changed = files["symptoms"].replace(b"title: ", b"title: So it is: ", 1)
    changed = files["symptoms"].replace(b"estimate", b"common practice", 1)
    answer = check(catalogue, Submission((Part("symptoms.yaml", changed, "yaml"),), base=DRYER))
    assert answer["usable"] is True
    assert answer["candidate"]["id"] == DRYER


def test_a_finding_says_where_in_which_file_and_what_would_be_right(
    catalogue: Catalogue, files: dict[str, bytes]
) -> None:
    old = b"remedy: replace-heating-element"
    line = files["faults"][: files["faults"].index(old)].count(b"\n") + 1
    changed = files["faults"].replace(old, b"remedy: replace-heating-elment", 1)
    answer = check(catalogue, Submission((Part("faults.yaml", changed, "yaml"),), base=DRYER))
    assert answer["usable"] is False
    assert answer["candidate"] is None
    found = answer["findings"][0]
    assert (found["file"], found["line"]) == ("faults.yaml", line)
    assert "replace-heating-elment" in found["message"]
    assert "replace-heating-element" in found["advice"]
    assert found["rule"] == "unknown-id"
    assert found["about"] in catalogue.get(DRYER).faults


def test_a_changed_limit_and_what_it_changes(catalogue: Catalogue) -> None:
    answer = try_out(catalogue, overlay(changes=HIGHER_LIMIT, cases=[CASE]))
    assert answer["summary"]["cases"] == 1
    assert answer["summary"]["changed"] == 1
    (row,) = answer["cases"]
    assert row["case_id"] == "stand-4"
    assert row["difference"]["status"]["candidate"] == "stop-work"
    assert answer["errors"] == []


def test_a_lost_precaution_is_an_error_and_comes_first(catalogue: Catalogue) -> None:
    fewer = {"access": {"behind-panel": {"precautions": ["motor-capacitor-about"]}}}
    answer = try_out(catalogue, overlay(changes=fewer, cases=[CASE]))
    (error,) = answer["errors"]
    assert (error["kind"], error["lost"]) == ("precaution-lost", "hot-and-sharp")
    assert error["message"].startswith("PRECAUTION LOST: hot-and-sharp")
    assert "door-switch" in error["where"]["checks"]
    assert "replace-door-switch" in error["where"]["remedies"]
    assert error["where"]["cases"] == ["stand-4"]
    assert list(answer)[2] == "errors"
    assert answer["cases"][0]["difference"] == {"precautions_lost": ["hot-and-sharp"]}


def test_a_lost_stop_is_an_error(catalogue: Catalogue) -> None:
    shorted = {**CASE, "readings": [{**CASE["readings"][0], "value": 0.2}]}  # type: ignore[index, dict-item]
    gone = [{"op": "remove", "path": "/rules/element-on-the-chassis/then/0"}]
    answer = try_out(catalogue, overlay(changes=gone, cases=[shorted]))
    lost = {one["lost"]: one["where"] for one in answer["errors"] if one["kind"] == "stop-lost"}
    assert lost["stop-work"] == {"cases": ["stand-4"]}
    assert "element-on-the-chassis" in lost


def test_no_change_is_no_difference_on_the_own_cases(catalogue: Catalogue) -> None:
    answer = try_out(catalogue, overlay(changes={}), changed_only=True)
    assert answer["summary"]["cases"] > 80
    assert answer["summary"]["changed"] == 0
    assert answer["cases"] == []
    expectations = answer["summary"]["expectations"]
    assert expectations["met"] == expectations["cases"] == answer["summary"]["cases"]


def test_whole_assessments_on_request(catalogue: Catalogue) -> None:
    brief = try_out(catalogue, overlay(changes={}, cases=[CASE]))["cases"][0]["assessment"]
    full = try_out(catalogue, overlay(changes={}, cases=[CASE]), full=True)["cases"][0]
    assert "hypotheses" not in brief
    assert full["assessment"]["status"] == brief["status"]
    assert full["assessment"]["hypotheses"]


def test_a_bad_case_does_not_keep_the_others_from_being_tried(catalogue: Catalogue) -> None:
    other = {**CASE, "equipment": "microwave-oven"}
    cases = [3, CASE, {**CASE, "symptom": "no-hope"}, other, {"case_id": 4}]
    answer = try_out(catalogue, overlay(changes={}, cases=cases))
    assert [("problem" in row) for row in answer["cases"]] == [True, False, True, True, True]
    assert answer["summary"]["problems"] == 4
    assert answer["cases"][2]["problem"]["errors"][0]["pointer"] == "/symptom"
    assert answer["cases"][3]["problem"]["errors"][0]["pointer"] == "/equipment"


def test_own_cases_may_be_sent_and_say_what_is_not_met(catalogue: Catalogue) -> None:
    given = {key: value for key, value in CASE.items() if key not in ("case_id", "equipment")}
    own = {"id": "mine", "why": "w", "source": "estimate", "given": given}
    cases = [
        {**own, "expect": {"status": "check-next"}},
        {**own, "expect": {"status": "stop-work", "no_verdict": True}},
    ]
    rows = try_out(catalogue, overlay(changes={}, cases=cases))["cases"]
    assert rows[0]["unmet"] == []
    assert rows[1]["unmet"] == ["status check-next, not stop-work"]
    assert rows[1]["case_id"] == "mine"


def test_expectations_of_a_batch_are_compared(catalogue: Catalogue) -> None:
    cases = [{**CASE, "expected": {"status": "stop-work"}}]
    answer = try_out(catalogue, overlay(changes=HIGHER_LIMIT, cases=cases))
    assert answer["cases"][0]["agrees"] is True
    assert answer["summary"]["expectations"] == {"cases": 1, "met": 1}


def test_own_cases_can_be_added_to_those_sent_or_left_out(catalogue: Catalogue) -> None:
    more = try_out(catalogue, overlay(changes={}, cases=[CASE]), own_cases=True, changed_only=True)
    assert more["summary"]["cases"] > 80
    none = try_out(catalogue, overlay(changes={}), own_cases=False)
    assert none["summary"]["cases"] == 0


def test_a_rule_set_for_other_equipment_is_held_against_nothing(
    catalogue: Catalogue,
) -> None:
    changes = {"id": "spin-dryer", "equipment": "spin-dryer"}
    documents = catalogue.source(DRYER).documents
    whole = {key: value for one in documents.values() for key, value in one.data.items()}
    whole |= changes
    whole["cases"] = [{**CASE, "equipment": "spin-dryer"}]
    raw = json.dumps(whole).encode()
    answer = try_out(catalogue, Submission((Part("body", raw, "json"),)))
    assert answer["installed"] is None
    assert "difference" not in answer["cases"][0]
    assert answer["cases"][0]["assessment"]["rule_set"]["id"] == "spin-dryer"


def test_yaml_overlay(catalogue: Catalogue) -> None:
    sent = f"base: {DRYER}\nchanges:\n  checks:\n    drum:\n      minutes: none\n"
    answer = check(catalogue, text(sent))
    (found,) = answer["findings"]
    assert (found["file"], found["line"], found["about"]) == ("changes", 5, "drum")


REFUSED: dict[str, tuple[Any, str]] = {
    "no base": ({"changes": {}}, "/base"),
    "unknown base": ({"base": "spin-dryer", "changes": {}}, "/base"),
    "base of another kind": ({"base": [], "changes": {}}, "/base"),
    "changes of another kind": ({"base": DRYER, "changes": "x"}, "/changes"),
    "another key": ({"base": DRYER, "changes": {}, "case": []}, "/case"),
    "an operation": ({"base": DRYER, "changes": [{"op": "x"}]}, "/changes/0"),
    "cases that are no list": ({"base": DRYER, "cases": {}}, "/cases"),
    "no object": ([1], ""),
}


@pytest.mark.parametrize("what", ["check", "trial"])
@pytest.mark.parametrize("name", REFUSED)
def test_an_overlay_that_is_none_is_an_invalid_request(
    catalogue: Catalogue, name: str, what: Any
) -> None:
    document, at = REFUSED[name]
    submission = Submission((Part("body", json.dumps(document).encode(), "json"),))
    with pytest.raises(Problem) as caught:
        work(Job(what, submission, catalogue))
    assert caught.value.kind.name == "invalid-request"
    assert caught.value.errors[0][0] == at


@pytest.mark.parametrize("name", REFUSED)
def test_a_request_that_is_none_is_refused_before_any_work(catalogue: Catalogue, name: str) -> None:
    document, at = REFUSED[name]
    submission = Submission((Part("body", json.dumps(document).encode(), "json"),))
    if name == "an operation":  # which takes the rule set to be found wrong
        refuse_early(submission, catalogue)
        return
    with pytest.raises(Problem) as caught:
        refuse_early(submission, catalogue)
    assert caught.value.errors[0][0] == at


def test_several_things_wrong_with_a_request_are_said_at_once(catalogue: Catalogue) -> None:
    raw = json.dumps({"base": "x", "changes": 1, "cases": 2, "more": 3}).encode()
    with pytest.raises(Problem) as caught:
        refuse_early(Submission((Part("body", raw, "json"),)), catalogue)
    assert [at for at, _ in caught.value.errors] == ["/cases", "/more", "/changes", "/base"]


@pytest.mark.parametrize(("patch", "changes"), [(dict, []), (list, {})])
def test_changes_are_what_the_media_type_says(
    catalogue: Catalogue, patch: Any, changes: Any
) -> None:
    raw = json.dumps({"base": DRYER, "changes": changes}).encode()
    with pytest.raises(Problem) as caught:
        check(catalogue, Submission((Part("body", raw, "json"),), patch=patch))
    assert caught.value.errors[0][0] == "/changes"


UNUSABLE = {
    "not YAML": (text("rules: ["), "yaml"),
    "empty": (text(""), "yaml-empty"),
    "nothing of a rule set": (text("a: 1"), "shape"),
    "a part of one": (text("rules: []"), "shape"),
    "a slip in a section's name": (overlay(changes={"cheks": {}}), "shape"),
    "an own case without expectation": (overlay(changes={}, cases=[{"given": {}}]), "shape"),
    "an own case of another shape": (
        overlay(changes={}, cases=[{"given": 3, "expect": {"least_confidence": "x"}}]),
        "shape",
    ),
    "two pieces with the same sections": (
        Submission((Part("a.yaml", b"rules: []", "yaml"), Part("b.yaml", b"rules: []", "yaml"))),
        "shape",
    ),
}


@pytest.mark.parametrize("name", UNUSABLE)
def test_what_is_no_rule_set_is_a_finding_of_a_check_and_a_problem_of_a_trial(
    catalogue: Catalogue, name: str
) -> None:
    submission, rule = UNUSABLE[name]
    answer = check(catalogue, submission)
    assert answer["usable"] is False
    assert any(one["rule"].startswith(rule) for one in answer["findings"])
    assert all(one["message"] and one["advice"] for one in answer["findings"])
    with pytest.raises(Problem) as caught:
        try_out(catalogue, submission)
    assert caught.value.kind.name == "unusable-rule-set"
    assert caught.value.members["findings"] == answer["findings"]


def test_malformed_json_is_what_it_is_anywhere(catalogue: Catalogue) -> None:
    for raw in (b"{", b'{"a": 1, "a": 2}', b'{"a": NaN}', b"\xff", b"[" * 100):
        with pytest.raises(Problem) as caught:
            check(catalogue, Submission((Part("body", raw, "json"),)))
        assert caught.value.kind.name == "malformed-json"
