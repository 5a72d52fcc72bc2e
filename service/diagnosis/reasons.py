"""Why an answer is what it is, where it is not a verdict: codes and sentences."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from service.diagnosis.arrays import Vector
from service.diagnosis.belief import Belief, by_fault, by_remedy, there
from service.diagnosis.case import Case
from service.diagnosis.chaining import Conclusions
from service.diagnosis.conflicts import Conflict
from service.diagnosis.costs import Weighing
from service.diagnosis.findings import Finding, measure_of
from service.diagnosis.states import BeliefModel
from service.diagnosis.verdict import WORTH_NAMING, likeliest
from service.ruleset.model import UNLISTED_FAULT, RuleSet

# So many are named where a fault may come and go.
MOST_NAMED = 5
# A check that cannot be carried out is named if it promises so many bits.
WORTH_FETCHING = 0.1
# A fault that may rest is named in an open case from this probability on.
WORTH_WAITING = 0.1


@dataclass(frozen=True, slots=True)
class Reason:
    """Why the status is what it is: a code and a sentence, and the check that it is about."""

    code: str
    text: str
    check: str | None = None


def contradicted(conflicts: Sequence[Conflict]) -> tuple[Reason, ...]:
    """The contradictions that no further reading clears up."""
    return tuple(
        Reason("conflict-stands", f"{one.text}; there may be more than one fault")
        for one in conflicts
    )


def nothing_found(model: BeliefModel, belief: Belief, confidence: float) -> tuple[Reason, ...]:
    """Nothing is wrong at present; and what may come and go, where that is worth naming."""
    text = f"it is {confidence:.0%} sure that nothing is wrong at present"
    text += "; prove that it is safe before it goes back"
    reasons = [Reason("no-fault-present", text)]
    resting = np.where(model.dormant, belief.states, 0.0)
    if resting.sum() >= WORTH_NAMING:
        listed = _listed(_worth_naming(model, by_fault(model, resting))[:MOST_NAMED])
        text = f"there is a chance of {resting.sum():.0%} that a fault comes and goes, and rested"
        text += f": {listed}" if listed else ""
        text += ". Have the user note when it happens; if it comes back, begin with these."
        reasons.append(Reason("may-come-and-go", text))
    return tuple(reasons)


def _worth_naming(model: BeliefModel, chances: Vector) -> list[tuple[str, float]]:
    """The hypotheses that are probable enough to name, (hypotheses,), the most probable first."""
    order = np.argsort(-chances, kind="stable")
    return [(model.hypotheses[i], float(chances[i])) for i in order if chances[i] >= WORTH_NAMING]


def _listed(named: Sequence[tuple[str, float]]) -> str:
    return ", ".join(f"{name} {p:.0%}" for name, p in named)


def stopped_by(conclusions: Conclusions) -> tuple[str, ...]:
    """The checks whose readings work stops for."""
    return read_for(conclusions, {stop.rule for stop in conclusions.stops})


def read_for(conclusions: Conclusions, rules: Container[str]) -> tuple[str, ...]:
    """The checks whose readings have fired some of these rules."""
    facts = [f for one in conclusions.fired if one.rule.id in rules for f in one.facts]
    read = [f for f in facts if f.startswith(("finding/", "possible/"))]
    return tuple(dict.fromkeys(fact.split("/")[1] for fact in read))


def slips(
    rule_set: RuleSet, checks: Iterable[str], standing: Mapping[str, Finding]
) -> tuple[Reason, ...]:
    """Which of these readings are dead and were taken once: again, they may settle the case."""
    return tuple(
        Reason(
            "may-be-a-slip",
            f"{rule_set.checks[check].title} was read once: take it again, with the supply off. If "
            "it repeats, it stands; if it does not, the first reading was a slip.",
            check,
        )
        for check in checks
        if check in standing
        and not standing[check].repeats
        and not rule_set.access[rule_set.checks[check].access].powered
    )


def assumed(
    rule_set: RuleSet, case: Case, conclusions: Conclusions, standing: Mapping[str, Finding]
) -> tuple[Reason, ...]:
    """What the nameplate was not asked for, although faults or limits of readings hang on it."""
    named = {one.token: one.name for one in rule_set.predicates if one.subject == "nameplate"}
    leaving_out = {
        named[fact]
        for one in conclusions.fired
        if any(consequence.kind == "exclude" for consequence in one.rule.consequences)
        for fact in one.facts
        if fact in named and case.nameplate[named[fact]].origin == "assumed"
    }
    used = {
        limit.nameplate: check
        for check, finding in standing.items()
        if finding.reading.quantity is not None
        for limit in measure_of(rule_set.checks[check], finding.reading).limits
        if limit.nameplate is not None and case.nameplate[limit.nameplate].origin == "assumed"
    }
    kinds = tuple(
        Reason(
            "nameplate-assumed",
            f"{name} is assumed to be {case.nameplate[name].value}, which leaves faults out: look "
            "at the equipment, and state what it is",
        )
        for name in sorted(leaving_out)
    )
    return kinds + tuple(
        Reason(
            "nameplate-assumed",
            f"{name} is assumed, and the limits of {used[name]} rest on it: read it off the plate "
            "or the part, and state it",
        )
        for name in sorted(used)
    )


def does_not_pay(weighing: Weighing) -> Reason:
    """Why checks are left that tell something, and none is asked for."""
    text = f"no check is expected to save more than it takes: {weighing.replace_now:.0f} min now"
    if weighing.go_on is not None:
        text += f", {weighing.go_on:.0f} min with the best check first"
    return Reason("not-worth-going-on", f"{text}; nothing is proven, {weighing.remedy} costs least")


def unresolved(
    model: BeliefModel,
    belief: Belief,
    conflicts: Sequence[Conflict],
    missing: Sequence[str],
    skipped: Sequence[str],
) -> tuple[Reason, ...]:
    """What stands in the way of a verdict when no check is left."""
    reasons = list(contradicted(conflicts))
    if missing:
        text = f"needed for a verdict, but cannot be offered now: {', '.join(missing)}"
        reasons.append(Reason("check-not-admitted", text))
    if skipped:
        text = f"could not be carried out: {', '.join(skipped)}"
        reasons.append(Reason("check-unavailable", text))
    named = _worth_naming(model, belief.posterior)
    if named and named[0][0] == UNLISTED_FAULT:
        text = "the readings fit no listed fault well; look beyond this rule set"
        reasons.append(Reason("unlisted-fault", text))
    if len(named) > 1:
        text = f"no remaining check tells these apart: {_listed(named[:6])}"
        reasons.append(Reason("ambiguity-group", text))
    if not reasons:
        reasons.append(Reason("no-check-left", "no remaining check would tell more"))
    return tuple(reasons)


def best_guess(rule_set: RuleSet, model: BeliefModel, belief: Belief) -> tuple[Reason, ...]:
    """The likeliest remedy of an open case, how often it is right, and what else it costs."""
    chances = by_remedy(model, belief.states)
    listed = [name in rule_set.remedies for name in model.remedies]
    best = int(np.argmax(np.where(listed, chances, -1.0)))
    remedy = rule_set.remedies[model.remedies[best]]
    fault = rule_set.faults[likeliest(model, there(model, belief.states), best)]
    text = f"best guess: {fault.title}; {remedy.id} is right in {chances[best]:.0%} of such cases"
    if remedy.parts:
        part = rule_set.costs.price_classes[remedy.price_class].minutes
        lost = remedy.minutes + part + rule_set.costs.second_visit
        text += f"; if it is wrong, work, part and a second visit are lost, worth {lost:.0f} min"
    return (Reason("best-guess", text),)


def would_settle(
    rule_set: RuleSet, information: Mapping[str, float], checks: Iterable[str]
) -> tuple[Reason, ...]:
    """Which of the checks that cannot be carried out would tell most, and what it wants."""
    best = max(sorted(checks), key=lambda one: information[one], default=None)
    if best is None or information[best] < WORTH_FETCHING:
        return ()
    check = rule_set.checks[best]
    tools = ", ".join(rule_set.tools[one] for one in check.tools)
    text = f"{check.title} would tell most of what is left"
    return (Reason("would-settle", f"{text}; it wants: {tools}" if tools else text, best),)


def rests(model: BeliefModel, belief: Belief) -> tuple[Reason, ...]:
    """That a fault may rest, and a wait would tell, where the case ends open."""
    share = float(belief.states[model.dormant].sum())
    if share < WORTH_WAITING:
        return ()
    text = f"there is a chance of {share:.0%} that a fault comes and goes, and rests now. Have the"
    return (Reason("may-come-and-go", f"{text} user note when it happens, and what still runs."),)
