"""Whoever energises equipment knows for how long, and when to end it at once."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from service.ruleset.lints.found import Found, Lint
from service.ruleset.model import RuleSet


def _run_without_end(rule_set: RuleSet) -> Iterator[Found]:
    for check in rule_set.checks.values():
        powered = rule_set.access[check.access].powered
        if powered and check.longest_run is None:
            yield Found(
                "checks",
                check.id,
                "the equipment is energised for it, and nothing says for how long",
                "Give `longest_run`, the longest time that it needs.",
            )
        elif check.longest_run is not None and not powered:
            yield Found(
                "checks",
                check.id,
                "a longest run of equipment that is not energised",
                "Drop `longest_run`, or choose an access that is powered.",
                ("longest_run",),
            )


def _run_unwatched(rule_set: RuleSet) -> Iterator[Found]:
    for access in rule_set.access.values():
        ends = any(rule_set.precautions[one].ends_run for one in access.precautions)
        if access.powered and not ends:
            yield Found(
                "access",
                access.id,
                "the equipment is energised here, and nothing says when to pull the plug",
                "Name in `precautions` one with `ends_run: true` that does.",
            )


RUNS: Mapping[str, Lint] = {
    "run-without-end": _run_without_end,
    "run-unwatched": _run_unwatched,
}
