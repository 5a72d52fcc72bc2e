"""Whether the rule sets on disk may take the place of those in use: a process of its own tells.

Run as `python -m service.running.acceptance` by `service.trials.sandbox`. It reads the files once;
what it accepts it hands over as it was checked, so that nothing else can be installed.
"""

from __future__ import annotations

import base64
import pickle  # nosec B403 # written here, not read
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service.candidates import judge
from service.ruleset.catalogue import Catalogue, Source
from service.ruleset.own_cases import read_cases
from service.ruleset.source import Issue, RuleSetError
from service.trials.report import findings, try_cases
from service.trials.sandbox import serve


@dataclass(frozen=True, slots=True)
class Job:
    """Where the rule sets are (beside the bundled ones), and the hashes of those in use, by id."""

    rules: Path | None
    in_use: Mapping[str, str]


def hashes(catalogue: Catalogue) -> dict[str, str]:
    """The content hash of each rule set, by id."""
    return {one["id"]: one["content_hash"] for one in catalogue.summaries()}


def work(job: Job) -> dict[str, Any]:
    """`findings` if the rule sets may not be used, or else `catalogue`: None if it is the same.

    Of the rule sets that are not in use yet, each must meet its own cases.
    """
    try:
        catalogue = Catalogue.load(job.rules)
        found = hashes(catalogue)
        if found == job.in_use:
            return {"findings": [], "catalogue": None}
        unmet = [
            issue
            for name, content_hash in found.items()
            if job.in_use.get(name) != content_hash
            for issue in _unmet(catalogue.source(name))
        ]
        if unmet:
            raise RuleSetError(unmet)
    except RuleSetError as error:
        return {"findings": findings(error), "catalogue": None}
    return {"findings": [], "catalogue": base64.b64encode(pickle.dumps(catalogue)).decode()}


def handed_over(answer: Mapping[str, Any]) -> bytes | None:
    """The pickled catalogue in an answer, if there is a new one."""
    text = answer["catalogue"]
    return None if text is None else base64.b64decode(text)


def _unmet(source: Source) -> Iterator[Issue]:
    """What the own cases of a rule set expect and do not get. Raises RuleSetError."""
    judged = judge(source.rule_set)
    for document in read_cases(source.folder):
        for index, one in enumerate(try_cases(document.data["cases"], judged, None)):
            if one.lacking:
                message = f"own case {one.case_id}: {'; '.join(one.lacking)}"
                advice = "See `ohmpath rules test`."
                yield document.issue(("cases", index), message, rule="case-not-met", advice=advice)


if __name__ == "__main__":
    serve(work)
