"""What the belief should be, worked out anew: plain Python, no arrays, none of the service's own.

The rule set is the only thing in common. From it the oracle makes its own list of what may be
wrong together, its own priors and rows, and sums over dictionaries.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

from service.ruleset.model import NO_FAULT, UNLISTED_FAULT, Check, Fault, RuleSet

Group = tuple[str, ...]  # one fault, or two: the cause first
State = tuple[Group, str | None]  # and the condition
Chances = dict[State, float]

# The least chance of an outcome where two faults meet.
SLIP = 1e-5


def noisy_maximum(
    one: Sequence[float], other: Sequence[float], leak: Sequence[float], order: Sequence[int]
) -> list[float]:
    """P(X <= x) is the product of both faults' over the healthy part's; `order`: weakest first.

    It neither passes 1 nor falls, and no outcome is out of the question.
    """
    highest, below = 0.0, 0.0
    sums = [0.0, 0.0, 0.0]
    out = [0.0] * len(leak)
    for place, outcome in enumerate(order):
        sums = [total + row[outcome] for total, row in zip(sums, (one, other, leak), strict=True)]
        at_most = 1.0 if place == len(order) - 1 else min(sums[0] * sums[1] / sums[2], 1.0)
        highest = max(highest, at_most)
        out[outcome] = max(highest - below, SLIP)
        below = highest
    total = math.fsum(out)
    return [chance / total for chance in out]


def from_weakest(check: Check) -> list[int]:
    """Its outcomes: the farther from one that a healthy part gives, the stronger."""
    good = [place for place, name in enumerate(check.outcomes) if name in check.expected]
    far = [min(abs(place - one) for one in good) for place in range(len(check.outcomes))]
    return [
        place for distance in range(len(far)) for place in range(len(far)) if far[place] == distance
    ]


@dataclass(frozen=True, slots=True)
class Seen:
    """A reading that counts: how probable each outcome is, and how often it was read before."""

    check: str
    evidence: tuple[float, ...]
    before: int  # earlier readings with the same outcome and no repair between
    stage: int = 0  # repairs made before it


class Oracle:
    """The belief over one rule set, by summing over all that may be wrong."""

    def __init__(self, rule_set: RuleSet) -> None:
        self.rule_set = rule_set
        self.groups: list[Group] = [(name,) for name in rule_set.faults]
        self.caused: set[Group] = set()
        faults = [fault for fault in rule_set.faults.values() if fault.id != NO_FAULT]
        for one, other in combinations(faults, 2):
            self._meet(one, other)
        self.groups.append((UNLISTED_FAULT,))
        self.conditions = [None, *rule_set.conditions]
        self._rows: dict[tuple[str, State], Sequence[float]] = {}

    def _meet(self, one: Fault, other: Fault) -> None:
        for cause, effect in ((one, other), (other, one)):
            if effect.id in cause.causes:
                self.groups.append((cause.id, effect.id))
                self.caused.add((cause.id, effect.id))
                return
        # A fault that blows the fuse in most cases is not told from an aged fuse with that fault.
        brings_about = any(
            effect.effect
            and max((cause.conditions.get(name, 0.0) for name in effect.conditions), default=0.0)
            >= 0.3
            for cause, effect in ((one, other), (other, one))
        )
        alike = one.component == other.component or one.remedy == other.remedy
        if not alike and not brings_about:
            self.groups.append((one.id, other.id))

    def _of_group(self, group: Group, symptom: str) -> float:
        """How often these faults bring this complaint, over how often others do."""
        tuning = self.rule_set.tuning
        faults = [self.rule_set.faults[name] for name in group]
        heard = [fault.symptoms.get(symptom, tuning.symptom_floor) for fault in faults]
        first = faults[0]
        if group in self.caused:
            both = first.rate * first.causes[group[1]]
            return both * (heard[0] + heard[1]) / 2
        if len(group) == 2:
            rates = sum(one.rate for one in self.rule_set.faults.values() if one.id != NO_FAULT)
            # Either is complained of, and the other there as often as it is among all faults, or
            # as often as equipment has it unnoticed.
            beside = [
                tuning.second_fault * one.rate / rates if one.unnoticed is None else one.unnoticed
                for one in faults
            ]
            return sum(faults[this].rate * heard[this] * beside[1 - this] for this in (0, 1))
        if first.id == NO_FAULT:
            return first.rate * heard[0]
        alone = (1 - sum(first.causes.values())) * (1 - tuning.second_fault)
        return first.rate * heard[0] * alone

    def _bring(self, name: str, condition: str) -> float:
        """P(condition | fault)."""
        if name == UNLISTED_FAULT:
            return self.rule_set.conditions[condition].unlisted
        return self.rule_set.faults[name].conditions.get(condition, 0.0)

    def condition_chances(self, group: Group, symptom: str) -> dict[str | None, float]:
        """P(condition | faults, symptom), all conditions; None for none of them."""
        # One that comes and goes is not looked at beside another.
        conditions = {
            name: one
            for name, one in self.rule_set.conditions.items()
            if len(group) == 1 or one.shows is None
        }
        nothing = math.prod(1 - sum(self._bring(name, one) for one in conditions) for name in group)
        either = {
            one: 1 - math.prod(1 - self._bring(name, one) for name in group) for one in conditions
        }
        some = sum(either.values())
        share: dict[str | None, float] = {None: nothing}
        for one, chance in either.items():
            share[one] = (1 - nothing) * chance / some if some else 0.0
        fixed = {
            one: conditions[one].given_symptom[symptom]
            for one in conditions
            if symptom in conditions[one].given_symptom
            and {
                self.rule_set.faults[name].effect
                for name in group
                if name != UNLISTED_FAULT and self._bring(name, one) > 0
            }
            == {False}
        }
        weighed = {
            one: chance * (conditions[one].symptom_weights.get(symptom, 1.0) if one else 1.0)
            for one, chance in share.items()
            if one not in fixed
        }
        total = sum(weighed.values())
        left = 1 - sum(fixed.values())
        out: dict[str | None, float] = dict.fromkeys(self.conditions, 0.0)
        out |= {one: left * chance / total for one, chance in weighed.items()}
        return out | fixed

    def group_prior(self, symptom: str) -> dict[Group, float]:
        """P(faults | symptom)."""
        weights = {group: self._of_group(group, symptom) for group in self.groups[:-1]}
        listed = 1 - self.rule_set.tuning.unlisted_share
        total = math.fsum(weights.values())
        prior = {group: weight / total * listed for group, weight in weights.items()}
        return {**prior, (UNLISTED_FAULT,): self.rule_set.tuning.unlisted_share}

    def without(self, groups: dict[Group, float], out: Collection[str]) -> dict[Group, float]:
        """Without what this equipment cannot have; an unlisted fault keeps its share."""
        left = {group: chance for group, chance in groups.items() if not set(out) & set(group)}
        share = self.rule_set.tuning.unlisted_share
        total = math.fsum(left.values()) - share
        return {
            group: share if group == (UNLISTED_FAULT,) else chance / total * (1 - share)
            for group, chance in left.items()
        }

    def prior(self, symptom: str, out: Collection[str] = ()) -> Chances:
        """P(state | symptom), without the states that cannot be."""
        return {
            (group, condition): chance * share
            for group, chance in self.without(self.group_prior(symptom), out).items()
            for condition, share in self.condition_chances(group, symptom).items()
            if share > 0
        }

    def _row_of_one(self, check: Check, name: str, condition: str | None) -> Sequence[float]:
        if condition is not None:
            for key in ((name, condition), (None, condition)):
                if key in check.given:
                    return check.given[key]
        if name in check.rows:
            return check.rows[name]
        if name != UNLISTED_FAULT:
            return check.default
        tuning = self.rule_set.tuning
        part = check.scope == "component"
        blend = tuning.unlisted_component if part else tuning.unlisted_function
        return [(1 - blend) * chance + blend / len(check.outcomes) for chance in check.default]

    def row(self, name: str, state: State) -> Sequence[float]:
        """P(outcome | state) of a check."""
        if (name, state) not in self._rows:
            check = self.rule_set.checks[name]
            group, condition = state
            rows = [self._row_of_one(check, fault, condition) for fault in group]
            if len(rows) == 2:
                leak = check.given.get((None, condition or ""), check.default)
                rows = [noisy_maximum(rows[0], rows[1], leak, from_weakest(check))]
            self._rows[name, state] = rows[0]
        return self._rows[name, state]

    def likelihood(self, seen: Seen, state: State) -> float:
        """P(reading | state); what is wrong once stays wrong with the chance `persists`."""
        row = self.row(seen.check, state)
        once = sum(p * chance for p, chance in zip(seen.evidence, row, strict=True))
        stays = self.rule_set.checks[seen.check].persists
        return stays * once + (1 - stays) * once ** (seen.before + 1)

    def cured(self, remedy: str) -> set[str]:
        """The faults that a repair takes away."""
        remedies = self.rule_set.remedies
        new = set(remedies[remedy].parts) | set(remedies[remedy].also_replace)
        out = set()
        for fault in self.rule_set.faults.values():
            wanted = set(remedies[fault.remedy].parts)
            if fault.id != NO_FAULT and (fault.remedy == remedy or (wanted and wanted <= new)):
                out.add(fault.id)
        return out

    def repaired(self, state: State, remedy: str, symptom: str) -> list[tuple[State, float]]:
        """What a repair can have left where the complaint seems to stay, and how probably."""
        group = state[0]
        tuning = self.rule_set.tuning
        left = tuple(name for name in group if name not in self.cured(remedy))
        if left == group:
            return [(self.left_by(state, left, remedy, symptom), 1.0)]
        if not left:
            return [(state, tuning.new_part_faulty), (((NO_FAULT,), None), tuning.cure_overlooked)]
        gone = 1.0 - self.complaint_stays(group, left[0], symptom)
        goes_on = 1.0 - gone * (1.0 - tuning.cure_overlooked)
        now = self.left_by(state, left, remedy, symptom)
        shares: dict[str | None, float] = {now[1]: 1.0}
        if state[1] is not None and now[1] is None:
            # What it hid shows: the fault that is left is in any of its own conditions.
            shares = {one: self._bring(left[0], one) for one in self.rule_set.conditions}
            shares[None] = 1.0 - sum(shares.values())
        return [
            (state, tuning.new_part_faulty),
            *(((left, one), goes_on * share) for one, share in shares.items() if share > 0),
        ]

    def complaint_stays(self, pair: Group, left: str, symptom: str) -> float:
        """P(the complaint stays | the other of two faults is mended).

        Either the fault that is left was complained of, or the other was and this one brings the
        same complaint.
        """
        faults, tuning = [self.rule_set.faults[name] for name in pair], self.rule_set.tuning
        of_each = {}
        for this, fault in enumerate(faults):
            other = faults[1 - this]
            heard = fault.symptoms.get(symptom, tuning.symptom_floor)
            if pair in self.caused:
                of_each[fault.id] = heard
            elif other.unnoticed is not None:
                of_each[fault.id] = fault.rate * heard * other.unnoticed
            else:
                rates = sum(one.rate for one in self.rule_set.faults.values() if one.id != NO_FAULT)
                of_each[fault.id] = fault.rate * heard * tuning.second_fault * other.rate / rates
        its_own = of_each[left] / sum(of_each.values())
        brings = self.rule_set.faults[left].symptoms.get(symptom, tuning.symptom_floor)
        return its_own + (1.0 - its_own) * brings

    def left_by(self, state: State, left: Group, remedy: str, symptom: str) -> State:
        """What is there once a repair has taken all but these faults away."""
        group, condition = state
        brought = self.rule_set.conditions.get(condition or "")
        done = [self.rule_set.faults[name] for name in set(group) - set(left) - {UNLISTED_FAULT}]
        if any(one.effect and condition in one.conditions for one in done):
            condition = None
        elif brought and not brought.parts and brought.shows is None:
            # A new part does not do what the old one did; what remains may do it by itself.
            faults = self.rule_set.faults
            old = [
                faults[name].conditions.get(condition, 0.0)
                for name in self.cured(remedy)
                if name in group or any((one, name) in self.caused for one in left)
            ]
            own = [faults[one].conditions.get(condition, 0.0) for one in left if one in faults]
            if max([0.0, *old]) > max([0.0, *own]):
                condition = None
        if left == group:
            return group, condition
        can_be = self.condition_chances(left, symptom)[condition] > 0
        return left, condition if can_be else None

    def posterior(
        self,
        symptom: str,
        readings: Sequence[Seen],
        repairs: Sequence[str] = (),
        out: Collection[str] = (),
    ) -> Chances:
        """P(state now | complaint, readings, repairs after which it seemed to stay)."""
        weights = self.prior(symptom, out)
        for stage in range(len(repairs) + 1):
            here = [seen for seen in readings if seen.stage == stage]
            for state in weights:
                weights[state] *= math.prod(self.likelihood(seen, state) for seen in here)
            if stage < len(repairs):
                after: Chances = {}
                for state, weight in weights.items():
                    for left, chance in self.repaired(state, repairs[stage], symptom):
                        after[left] = after.get(left, 0.0) + weight * chance
                weights = after
        total = math.fsum(weights.values())
        return {state: weight / total for state, weight in weights.items()}

    def by_fault(self, groups: Mapping[Group, float]) -> dict[str, float]:
        """A pair counts for the cause, or half for each where neither caused the other."""
        out = dict.fromkeys([*self.rule_set.faults, UNLISTED_FAULT], 0.0)
        for group, chance in groups.items():
            if len(group) == 1 or group in self.caused:
                out[group[0]] += chance
            else:
                out[group[0]] += chance / 2
                out[group[1]] += chance / 2
        return out

    def remedies(self, group: Group) -> frozenset[str]:
        """What would cure it; an unlisted fault wants something of its own."""
        return frozenset(
            UNLISTED_FAULT if name == UNLISTED_FAULT else self.rule_set.faults[name].remedy
            for name in group
        )


def by_group(chances: Mapping[State, float]) -> dict[Group, float]:
    """The chances of states, summed over their conditions."""
    out: dict[Group, float] = {}
    for (group, _), chance in chances.items():
        out[group] = out.get(group, 0.0) + chance
    return out
