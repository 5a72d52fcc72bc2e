"""Whether the premises of a rule can hold together."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from itertools import pairwise

from service.ruleset.conditions import holds
from service.ruleset.model import Branch, Predicate, RuleSet


def clash(rule_set: RuleSet, predicates: Mapping[str, Predicate], branch: Branch) -> str | None:
    """Why the premises of a branch can never hold together, or None if they may.

    A certain finding is one outcome of a check, and is answered and possible, too; there is one
    complaint, and none once a repair is to be proven; comparisons leave some value.
    """
    outcomes: dict[str, str] = {}
    symptoms: set[str] = set()
    implied: set[str] = set()
    phases: set[str] = set()
    for token in branch.all_of:
        kind, _, rest = token.partition("/")
        if kind == "finding":
            check, _, outcome = rest.partition("/")
            if outcomes.setdefault(check, outcome) != outcome:
                return f"{check} cannot be {outcomes[check]} and {outcome} at once"
            implied |= {f"answered/{check}", f"possible/{rest}"}
        elif kind == "symptom":
            symptoms.add(rest)
            phases.add("diagnose")
        elif kind == "phase":
            phases.add(rest)
        elif token in predicates and predicates[token].subject == "reading":
            implied.add(f"answered/{predicates[token].name}")
    if len(symptoms) > 1:
        return f"there is one complaint, not {' and '.join(sorted(symptoms))}"
    if len(phases) > 1:
        return "in the phase verify-repair there is no complaint, and no other phase"
    lost = implied.intersection(branch.none_of)
    if lost:
        return f"{min(lost)} follows from what is asked for beside it"
    return _no_value(rule_set, predicates, branch)


def _no_value(rule_set: RuleSet, predicates: Mapping[str, Predicate], branch: Branch) -> str | None:
    """Why no value meets all the comparisons of a branch, or None."""
    met = [predicates[token] for token in branch.all_of if token in predicates]
    missed = [predicates[token] for token in branch.none_of if token in predicates]
    for subject, name in dict.fromkeys((one.subject, one.name) for one in (*met, *missed)):
        here = [one for one in met if (one.subject, one.name) == (subject, name)]
        away = [one for one in missed if (one.subject, one.name) == (subject, name)]
        if subject == "reading" and not here:
            continue  # there may be no reading
        if any(len(answers(rule_set, one)) == 1 for one in (*here, *away)):
            continue  # told elsewhere: it decides nothing by itself
        values = candidates(rule_set, (*here, *away))
        if not any(
            all(holds(one, value) for one in here) and not any(holds(one, value) for one in away)
            for value in values
        ):
            asked = [*(one.text for one in here), *(f"not {one.text}" for one in away)]
            return f"no value is {' and '.join(asked)}"
    return None


def answers(rule_set: RuleSet, predicate: Predicate) -> set[bool]:
    """Whether a comparison holds for some value that there may be, and whether it fails for one."""
    return {holds(predicate, value) for value in candidates(rule_set, [predicate])}


def candidates(rule_set: RuleSet, predicates: Iterable[Predicate]) -> list[float | str]:
    """Values of the one thing that all of the predicates compare, enough to tell them apart:
    each choice, or each operand and a value between and beyond them, as far as that may be."""
    compared = list(predicates)
    first = compared[0]
    least, most = -math.inf, math.inf
    if first.subject == "nameplate":
        field = rule_set.nameplate[first.name]
        if field.quantity is None:
            return list(field.choices)
        least = least if field.least is None else field.least
        most = most if field.most is None else field.most
    else:
        measure = rule_set.checks[first.name].measures[0]
        least = least if measure.least is None else measure.least
        most = most if measure.most is None else measure.most
    points = sorted({float(one) for each in compared for one in each.operands})
    ends = [one for one in (least, most) if math.isfinite(one)]
    points = sorted({points[0] - 1.0, *points, points[-1] + 1.0, *ends})
    between = [low + (high - low) / 2.0 for low, high in pairwise(points)]
    return [one for one in (*points, *between) if least <= one <= most]
