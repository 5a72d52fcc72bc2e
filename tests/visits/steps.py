"""A visit step by step: `python -m tests.visits.steps SEED [SEED ...] --profile careful`."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from service.diagnosis.assessment import Reasoner
from tests.visits.play import Course, play, visit_of
from tests.visits.report import oven_reasoner
from tests.visits.technician import PROFILES

LIKELIEST = 3
"""So many faults are named after each step."""


def steps(seed: int, profile: str) -> list[str]:
    """The visit of a seed, a line for each answer of the service, and how it ended."""
    reasoner = oven_reasoner()
    visit, technician, rng = visit_of(seed, profile=profile)
    plate = " ".join(f"{name}={_shown(value)}" for name, value in visit.nameplate.items())
    lines = [
        f"{seed}, {profile}: {visit.symptom}; there is {', '.join(sorted(visit.faults))}",
        f"  known of the plate: {plate or 'nothing'}",
    ]
    with _listening(reasoner, lines):
        course = play(reasoner, visit, technician, rng)
    return [*lines, _end(course)]


@contextmanager
def _listening(reasoner: Reasoner, lines: list[str]) -> Iterator[None]:
    """Add a line for each answer that says something new."""
    assess, before, known = reasoner.assess, 0, ""

    def heard(case: Any, *more: Any, **named: Any) -> dict[str, Any]:
        nonlocal before, known
        answer = assess(case, *more, **named)
        found = answer["findings"]
        read = ", ".join(f"{one['check']} {one['outcome']}" for one in found[before:])
        odds = _odds(answer)
        line = f"  {read or '-'} -> {_said(answer)}"
        if line not in lines[-2:]:
            lines.extend([line] if odds == known else [line, f"      {odds}"])
        before, known = len(found), odds
        return answer

    reasoner.assess = heard  # type: ignore[method-assign]
    try:
        yield
    finally:
        del reasoner.assess  # what the class has is back


def _said(answer: dict[str, Any]) -> str:
    step, verdict = answer["next_check"], answer["verdict"]
    if step is None:
        named = f": {verdict['remedy']['id']} {verdict['confidence']:.2f}" if verdict else ""
        return f"{answer['status']}{named}"
    along = "".join(f" + {one['id']}" for one in step["also"])
    return f"{step['id']}{' again' if step['recheck'] else ''}{along} ({step['minutes']:g} min)"


def _odds(answer: dict[str, Any]) -> str:
    likeliest = answer["hypotheses"][:LIKELIEST]
    return ", ".join(f"{one['fault']} {one['probability']:.2f}" for one in likeliest)


def _end(course: Course) -> str:
    said = ", ".join(f"{name} {chance:.2f}" for name, chance, _ in course.verdicts)
    left = f"; left: {', '.join(course.left)}" if course.left else ""
    return (
        f"  {course.result}: {said or course.status}; {course.checks} checks, "
        f"{course.taps} noted along, {course.minutes:.0f} min to the last verdict{left}"
    )


def _shown(value: Any) -> str:
    return f"{value['value']:g} {value['unit']}" if isinstance(value, dict) else str(value)


def main() -> None:
    """Print visits step by step."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("seeds", type=int, nargs="+", metavar="SEED")
    parser.add_argument("--profile", choices=PROFILES, default="careful", help="of the technician")
    chosen = parser.parse_args()
    for seed in chosen.seeds:
        print("\n".join(steps(seed, chosen.profile)), end="\n\n")


if __name__ == "__main__":
    main()
