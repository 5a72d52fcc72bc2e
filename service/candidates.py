"""A candidate rule set from what was sent to what is said of it: the work of a process of its own.

Run as `python -m service.candidates` by `service.trials.sandbox`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from service.api.cases import load_case
from service.diagnosis.assessment import Reasoner
from service.diagnosis.case import CaseError
from service.problems import UNUSABLE_RULE_SET, Problem, invalid_request
from service.ruleset.catalogue import Catalogue, Source
from service.ruleset.describe import reference
from service.ruleset.model import RuleSet
from service.ruleset.near import unknown
from service.ruleset.own_cases import read_cases
from service.ruleset.source import RuleSetError
from service.trials.changes import changes
from service.trials.report import Judge, findings, trial
from service.trials.sandbox import serve
from service.trials.submission import Candidate, Submission, understood


@dataclass(frozen=True, slots=True)
class Job:
    """What is asked about a submission.

    own_cases: whether the base's own cases are tried (None: if no others were sent).
    """

    what: Literal["check", "trial"]
    submission: Submission
    catalogue: Catalogue
    own_cases: bool | None = None
    full: bool = False
    changed_only: bool = False


def work(job: Job) -> Mapping[str, Any]:
    """The answer to a job. Raises Problem."""
    return check(job) if job.what == "check" else try_out(job)


def check(job: Job) -> dict[str, Any]:
    """Whether a candidate could be installed, and if not, why. Raises Problem."""
    try:
        candidate, rule_set = understood(job.submission, job.catalogue)
        Reasoner(rule_set)  # the engine has limits of its own
    except RuleSetError as error:
        return {"usable": False, "candidate": None, "changes": None, "findings": findings(error)}
    return {
        "usable": True,
        "candidate": reference(rule_set),
        "changes": changed(candidate, counterpart(job.catalogue, candidate, rule_set)),
        "findings": [],
    }


def try_out(job: Job) -> dict[str, Any]:
    """What a candidate makes of its cases, and what the installed rule set does. Raises Problem."""
    try:
        candidate, rule_set = understood(job.submission, job.catalogue)
        installed = counterpart(job.catalogue, candidate, rule_set)
        cases = _cases(job, candidate, installed)
    except RuleSetError as error:
        found = findings(error)
        count = "1 thing is" if len(found) == 1 else f"{len(found)} things are"
        detail = f"{count} wrong with the candidate; see findings."
        raise Problem(UNUSABLE_RULE_SET, detail, members={"findings": found}) from None
    return trial(
        cases,
        judge(rule_set),
        None if installed is None else judge(installed.rule_set),
        changes=changed(candidate, installed),
        full=job.full,
        changed_only=job.changed_only,
    )


def counterpart(catalogue: Catalogue, candidate: Candidate, rule_set: RuleSet) -> Source | None:
    """What a candidate is held against: its base, or else its counterpart."""
    if candidate.base is not None:
        return catalogue.source(candidate.base)
    return catalogue.counterpart(rule_set)


def changed(candidate: Candidate, installed: Source | None) -> dict[str, Any] | None:
    """What the text of a candidate changes in that of the installed rule set, if there is one."""
    if installed is None:
        return None
    return changes(installed.documents, candidate.documents, candidate.patch)


def _cases(job: Job, candidate: Candidate, installed: Source | None) -> list[Any]:
    """The cases that were sent, and the own ones of the installed rule set."""
    cases = list(candidate.cases)
    own = job.own_cases if job.own_cases is not None else not cases
    if own and installed is not None:
        for document in read_cases(installed.folder):
            cases += document.data["cases"]
    return cases


def judge(rule_set: RuleSet) -> Judge:
    """A rule set made ready for the documents of cases."""
    reasoner = Reasoner(rule_set)

    def assess(document: Any) -> dict[str, Any]:
        case = load_case(document)
        if case["equipment"] != rule_set.equipment:
            known = (rule_set.equipment,)
            message = unknown("equipment", case["equipment"], known, "equipment")
            raise invalid_request([("/equipment", message)])
        try:
            return reasoner.assess(case)
        except CaseError as error:
            raise invalid_request(error.errors) from None

    return Judge(rule_set, assess)


if __name__ == "__main__":
    serve(work)
