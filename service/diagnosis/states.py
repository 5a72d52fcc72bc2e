"""The states that equipment can be in: one fault or two, and the effect they have had on it.

A state is a listed fault, or a pair of them, together with the *condition* in which they have
left the equipment (its main fuse blown, say); or no fault, or a fault that nobody listed. Two
faults meet because one causes the other (`causes` in the rule set) or by chance (`second_fault`).
Everything is laid out once per rule set as arrays over the same order of states.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import NamedTuple, TypeVar

import numpy as np

from service.diagnosis.arrays import Index, Mask, Vector
from service.diagnosis.noisy_maximum import combined, dominance
from service.diagnosis.outcomes import Outcomes, side_by_side
from service.diagnosis.priors import prior, stays
from service.ruleset.model import NO_FAULT, UNLISTED_FAULT, Check, Fault, RuleSet
from service.ruleset.repairs import clears, cured_by

_T = TypeVar("_T")

# A fault that brings an effect about so often is not looked for beside the effect alone.
MOSTLY = 0.3


class State(NamedTuple):
    """One or two faults (the cause first, where one causes the other) and a condition."""

    faults: tuple[str, ...]
    condition: str | None


class Repair(NamedTuple):
    """What a remedy does to each state, if the work is good.

    One of two faults may have hidden what the other had brought about: a dead supply that the fan
    gets no voltage. Once it is gone, the other is in any of its own conditions: `goes_to` is the
    first of them, with `log_share`; the others are in `branches`.
    """

    goes_to: Index  # (states,)
    log_share: Vector  # (states,) of that, mostly 0
    takes: Mask  # (states,) it takes a fault away, or two
    cures: Mask  # (states,) nothing is left
    branches: tuple[Index, Index, Vector]  # (branches,): from which state, to which, log share


@dataclass(frozen=True, slots=True, eq=False, weakref_slot=True)
class BeliefModel:
    """The tables of a rule set as arrays; the same order of states everywhere.

    States with the same set of remedies stand together: those of set `i` begin at
    `set_starts[i]`. Tables with a column for each fault, remedy or part lie column by column.
    Equal to nothing but itself.
    """

    hypotheses: tuple[str, ...]  # every fault, then `unlisted-fault`
    remedies: tuple[str, ...]
    remedy_of: Index  # (hypotheses,) index into `remedies`
    states: tuple[State, ...]
    position: Mapping[State, int]
    alone: Mapping[str, Index]  # by hypothesis: the states in which it is alone
    faults_starts: Index  # (one or two faults,): states of the same faults stand together too
    by_chance: Mask  # (states,) two faults of which neither causes the other
    set_starts: Index  # (sets of remedies,)
    condition_of: Mapping[str, Mask]  # by condition: (states,) whether it is there
    dormant: Mask  # (states,) a fault that comes and goes, and does not act now
    log_prior: Mapping[str, Vector]  # by symptom: (states,)
    tables: Mapping[str, Vector]  # by check: (states, outcomes), rows sum to 1
    log_tables: Mapping[str, Vector]  # by check: their logs, (outcomes, states)
    persists: Mapping[str, float]  # by check: share of misreadings that the next one repeats
    outcomes: Outcomes  # the tables side by side
    parts: tuple[str, ...]
    needs_part: Vector  # (states, parts) of 0 and 1
    first: Index  # (states,) index into `hypotheses`
    second: Index  # (states,) the same for the other of two faults, else one past the last
    has_fault: Vector  # (states, hypotheses) of 0 and 1
    needs_remedy: Vector  # (states, remedies) of 0 and 1
    set_needs: Vector  # (sets of remedies, remedies) the same by set
    repairs: Mapping[str, Repair]  # by remedy
    stays: Mapping[str, tuple[Vector, Vector]]
    """By symptom, (states,) each: P(the complaint stays | the first of two faults, or the second,
    is left); 0 where there is one fault."""

    def index(self, hypothesis: str) -> int:
        """The position of a hypothesis."""
        return self.hypotheses.index(hypothesis)


def belief_model(rule_set: RuleSet) -> BeliefModel:
    """Arrays of a rule set: priors P(state | symptom) and rows P(outcome | state).

    P(fault | symptom) is proportional to the fault's rate times P(symptom | fault), where a
    symptom that a fault does not name has the rule set's floor. `unlisted-fault` takes a fixed
    share of the whole. P(condition | faults, symptom) is proportional to P(condition | faults)
    times the condition's weight for the symptom, unless the complaint fixes it.
    """
    hypotheses = (*rule_set.faults, UNLISTED_FAULT)
    names = [*(fault.remedy for fault in rule_set.faults.values()), UNLISTED_FAULT]
    remedies = tuple(dict.fromkeys(names))
    remedy_of = np.array([remedies.index(name) for name in names], dtype=np.intp)
    order = {name: number for number, name in enumerate(hypotheses)}

    def remedy_set(faults: tuple[str, ...]) -> tuple[int, ...]:
        return tuple(sorted({int(remedy_of[order[name]]) for name in faults}))

    groups: list[tuple[str, ...]] = [(name,) for name in hypotheses]
    groups += pairs(rule_set)
    groups.sort(key=remedy_set)
    shares = {faults: conditions_of(rule_set, faults) for faults in groups}
    states = tuple(State(faults, one) for faults in groups for one in shares[faults])

    shape = (len(states), len(hypotheses))
    has_fault = np.zeros(shape)
    needs_remedy = np.zeros((len(states), len(remedies)))
    by_chance = np.zeros(len(states), dtype=np.bool_)
    for row, state in enumerate(states):
        caused = len(state.faults) == 2 and state.faults[1] in _causes(rule_set, state.faults[0])
        by_chance[row] = len(state.faults) == 2 and not caused
        for name in state.faults:
            has_fault[row, order[name]] = 1.0
            needs_remedy[row, remedy_of[order[name]]] = 1.0
    sets = [remedy_set(state.faults) for state in states]
    starts = [i for i, one in enumerate(sets) if i == 0 or one != sets[i - 1]]
    set_starts = np.array(starts, dtype=np.intp)
    ends = _Ends.of(states)
    tables = {check.id: _table(rule_set, check, ends) for check in rule_set.checks.values()}
    wanted = [parts_of(rule_set, state) for state in states]
    parts = tuple(sorted(frozenset().union(*wanted)))
    position = {state: row for row, state in enumerate(states)}
    return BeliefModel(
        hypotheses=hypotheses,
        remedies=remedies,
        remedy_of=remedy_of,
        states=states,
        position=position,
        alone={
            name: np.array([row for row, one in enumerate(states) if one.faults == (name,)])
            for name in hypotheses
        },
        faults_starts=np.cumsum([0, *(len(shares[faults]) for faults in groups[:-1])]),
        by_chance=by_chance,
        set_starts=set_starts,
        condition_of={
            name: np.array([state.condition == name for state in states])
            for name in rule_set.conditions
        },
        dormant=np.array(
            [s.condition is not None and rule_set.conditions[s.condition].dormant for s in states]
        ),
        log_prior={
            symptom: np.log(prior(rule_set, symptom, groups, shares))
            for symptom in rule_set.symptoms
        },
        tables=tables,
        log_tables={name: np.log(table.T, order="C") for name, table in tables.items()},
        persists={check.id: check.persists for check in rule_set.checks.values()},
        outcomes=side_by_side(list(tables.values()), set_starts),
        parts=parts,
        needs_part=np.array([[part in one for part in parts] for one in wanted], float, order="F"),
        first=np.array([order[state.faults[0]] for state in states]),
        second=np.array([order[s.faults[1]] if len(s.faults) == 2 else len(order) for s in states]),
        has_fault=np.asfortranarray(has_fault),
        needs_remedy=np.asfortranarray(needs_remedy),
        set_needs=needs_remedy[set_starts],
        repairs={
            name: after_repair(rule_set, states, position, name) for name in rule_set.remedies
        },
        stays={
            symptom: stays(rule_set, symptom, [state.faults for state in states])
            for symptom in rule_set.symptoms
        },
    )


def parts_of(rule_set: RuleSet, state: State) -> frozenset[str]:
    """Every part that a state wants replaced."""
    out: set[str] = set()
    for name in state.faults:
        if name != UNLISTED_FAULT:
            remedy = rule_set.remedies[rule_set.faults[name].remedy]
            out |= {*remedy.parts, *remedy.also_replace}
    if state.condition is not None:
        out |= set(rule_set.conditions[state.condition].parts)
    return frozenset(out)


def _causes(rule_set: RuleSet, name: str) -> Mapping[str, float]:
    return rule_set.faults[name].causes if name in rule_set.faults else {}


def pairs(rule_set: RuleSet) -> Iterator[tuple[str, str]]:
    """Two faults that can be there together and want more than one remedy, or cause each other.

    Left out: the same component twice or the same remedy twice, unless one causes the other, and
    an effect with a fault that mostly brings it about, which is that fault's own condition.
    """
    listed = [fault for fault in rule_set.faults.values() if fault.id != NO_FAULT]
    for one, other in combinations(listed, 2):
        if other.id in one.causes:
            yield one.id, other.id
        elif one.id in other.causes:
            yield other.id, one.id
        elif (
            one.component == other.component
            or one.remedy == other.remedy
            or _brings_about(one, other)
            or _brings_about(other, one)
        ):
            continue
        else:
            yield one.id, other.id


def _brings_about(one: Fault, effect: Fault) -> bool:
    """Whether the other is an effect that the one mostly has."""
    return effect.effect and any(
        one.conditions.get(condition, 0.0) >= MOSTLY for condition in effect.conditions
    )


def conditions_of(rule_set: RuleSet, faults: tuple[str, ...]) -> dict[str | None, float]:
    """P(condition | faults), the chance of none of them first; those without a chance left out.

    Each of two faults may bring its condition about; together they leave one at a time, and one
    that comes and goes is not looked at beside another.
    """
    chances: list[dict[str, float]] = []
    for name in faults:
        if name == UNLISTED_FAULT:
            chances.append({one.id: one.unlisted for one in rule_set.conditions.values()})
        else:
            brings = rule_set.faults[name].conditions
            chances.append(
                {
                    condition: chance
                    for condition, chance in brings.items()
                    if len(faults) == 1 or rule_set.conditions[condition].shows is None
                }
            )
    none = math.prod(1.0 - math.fsum(one.values()) for one in chances)
    either = {
        condition: 1.0 - math.prod(1.0 - one.get(condition, 0.0) for one in chances)
        for condition in dict.fromkeys(key for one in chances for key in one)
    }
    total = math.fsum(either.values())
    out: dict[str | None, float] = {None: none}
    out.update({name: (1.0 - none) * share / total for name, share in either.items() if share})
    return {condition: share for condition, share in out.items() if share > 0.0}


class _Ends(NamedTuple):
    """What the rows of states are made of: few are different, since pairs have those of faults."""

    rows: Sequence[tuple[str, str | None]]  # a fault and a condition
    first: Index  # (states,) which of `rows` the first of the faults has
    last: Index  # (states,) the same for the last of them
    conditions: Sequence[str | None]
    condition: Index  # (states,) index into `conditions`
    two: Mask  # (states,) whether they are two

    @classmethod
    def of(cls, states: Sequence[State]) -> _Ends:
        first = [(one.faults[0], one.condition) for one in states]
        last = [(one.faults[-1], one.condition) for one in states]
        rows, of_rows = _different([*first, *last])
        conditions, condition = _different([one.condition for one in states])
        two = np.array([len(one.faults) == 2 for one in states])
        many = len(states)
        return cls(rows, of_rows[:many], of_rows[many:], conditions, condition, two)


def _different(values: Sequence[_T]) -> tuple[Sequence[_T], Index]:
    """The different ones of some values, and which of these each of the values is."""
    known: dict[_T, int] = {}
    which = [known.setdefault(one, len(known)) for one in values]
    return tuple(known), np.array(which, dtype=np.intp)


def _table(rule_set: RuleSet, check: Check, ends: _Ends) -> Vector:
    """P(outcome | state), (states, outcomes)."""
    tuning = rule_set.tuning
    blend = tuning.unlisted_component if check.scope == "component" else tuning.unlisted_function
    rows = np.array([check.row(*one, unlisted_blend=blend) for one in ends.rows])
    healthy = np.array([check.healthy(one) for one in ends.conditions])[ends.condition]
    first, last = rows[ends.first], rows[ends.last]
    both = combined(first, last, healthy, dominance(check))
    out: Vector = np.where(ends.two[:, None], both, first)
    return out


def after_repair(
    rule_set: RuleSet, states: Sequence[State], position: Mapping[State, int], remedy: str
) -> Repair:
    """How a repair moves each state: it takes away the faults whose remedy it is or whose parts
    it replaces, and what these had brought about."""
    cured = cured_by(rule_set, remedy)
    healthy = position[State((NO_FAULT,), None)]
    first = {state.faults: row for row, state in reversed(list(enumerate(states)))}
    goes_to = np.arange(len(states), dtype=np.intp)
    log_share = np.zeros(len(states))
    takes = np.zeros(len(states), dtype=np.bool_)
    branches: list[tuple[int, int, float]] = []
    for row, (faults, condition) in enumerate(states):
        left = tuple(name for name in faults if name not in cured)
        takes[row] = left != faults
        if not left:
            goes_to[row] = healthy
            continue
        now = None if clears(rule_set, cured, faults, condition) else condition
        hidden = now != condition or State(left, now) not in position
        if hidden and left != faults:
            (here, share), *others = conditions_of(rule_set, left).items()
            goes_to[row], log_share[row] = position[State(left, here)], math.log(share)
            branches += [(row, position[State(left, c)], math.log(p)) for c, p in others]
        else:
            goes_to[row] = position.get(State(left, now), first.get(left, healthy))
    sources, targets, shares = zip(*branches, strict=True) if branches else ((), (), ())
    return Repair(
        goes_to,
        log_share,
        takes,
        takes & (goes_to == healthy),
        (np.array(sources, np.intp), np.array(targets, np.intp), np.array(shares, np.float64)),
    )
