"""Two faults at a check: the noisy maximum, against nodes that say what it means, and by itself."""

from __future__ import annotations

import itertools
import random
from collections.abc import Sequence

import numpy as np
import pyagrum
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.diagnosis.noisy_maximum import LEAST_CHANCE, combined, dominance
from service.diagnosis.states import State, belief_model
from service.ruleset.model import RuleSet
from tests.diagnosis.oracle import Oracle, noisy_maximum

Row = list[float]


def together(one: Sequence[float], other: Sequence[float], leak: Sequence[float]) -> Row:
    """The service's row of two faults; the outcomes stand from the weakest to the strongest."""
    first, second, healthy = (np.array([row]) for row in (one, other, leak))
    out: Row = combined(first, second, healthy, list(range(len(leak))))[0].tolist()
    return out


def below(row: Sequence[float]) -> Row:
    """P(X <= x)."""
    return list(itertools.accumulate(row))


def at(sums: Sequence[float]) -> Row:
    """P(X = x) again."""
    return [this - before for before, this in itertools.pairwise([0.0, *sums])]


def contributed(leak: Row, by: Row) -> Row:
    """A fault's own row: what a healthy part does or what it does, whichever is stronger."""
    return at([a * b for a, b in zip(below(leak), below(by), strict=True)])


def some_row(rng: random.Random, width: int) -> Row:
    parts = [rng.uniform(0.02, 1.0) for _ in range(width)]
    return [part / sum(parts) for part in parts]


def strongest_of(contributions: Sequence[Row]) -> Row:
    """The library's row of a node that is the strongest of its parents."""
    width = len(contributions[0])
    net = pyagrum.BayesNet()
    names = [f"from-{place}" for place in range(len(contributions))]
    for name, chances in zip(names, contributions, strict=True):
        net.add(pyagrum.RangeVariable(name, "", 0, width - 1))
        net.cpt(name).fillWith(chances)
    net.add(pyagrum.RangeVariable("outcome", "", 0, width - 1))
    for name in names:
        net.addArc(name, "outcome")
    for levels in itertools.product(range(width), repeat=len(names)):
        row = [float(level == max(levels)) for level in range(width)]
        net.cpt("outcome")[dict(zip(names, levels, strict=True))] = row
    inference = pyagrum.LazyPropagation(net)
    inference.makeInference()
    out: Row = inference.posterior("outcome").toarray().tolist()
    return out


@pytest.mark.parametrize("seed", range(40))
def test_two_faults_and_a_leak_are_the_strongest_of_the_three(seed: int) -> None:
    rng = random.Random(seed)
    width = rng.randint(2, 5)
    leak, by_one, by_other = (some_row(rng, width) for _ in range(3))
    one, other = contributed(leak, by_one), contributed(leak, by_other)
    assert one == pytest.approx(strongest_of([leak, by_one]), abs=1e-12)
    wanted = strongest_of([leak, by_one, by_other])
    assert together(one, other, leak) == pytest.approx(wanted, abs=1e-9)


ROWS = st.integers(2, 5).flatmap(
    lambda width: st.tuples(
        *(
            st.lists(st.floats(0.0, 1.0), min_size=width, max_size=width)
            .filter(lambda parts: sum(parts) > 0.1)
            .map(lambda parts: [part / sum(parts) for part in parts])
            for _ in range(2)
        ),
        st.lists(st.floats(0.001, 1.0), min_size=width, max_size=width).map(
            lambda parts: [part / sum(parts) for part in parts]
        ),
    )
)


@given(ROWS)
def test_any_two_faults_make_a_row_in_which_nothing_is_out_of_the_question(
    rows: tuple[Row, Row, Row],
) -> None:
    found = together(*rows)
    assert sum(found) == pytest.approx(1.0, abs=1e-12)
    # Scaled to a sum of 1 again, after at most so much was added for every outcome.
    assert min(found) >= LEAST_CHANCE / (1 + len(found) * LEAST_CHANCE) * (1 - 1e-12)


@given(ROWS)
def test_which_of_two_faults_is_named_first_changes_no_digit(rows: tuple[Row, Row, Row]) -> None:
    one, other, leak = rows
    assert together(one, other, leak) == together(other, one, leak)


@given(ROWS)
def test_a_fault_that_does_not_show_changes_nothing(rows: tuple[Row, Row, Row]) -> None:
    one, _, leak = rows
    slack = len(one) * LEAST_CHANCE
    assert together(one, leak, leak) == pytest.approx(one, abs=slack)
    assert together(leak, one, leak) == pytest.approx(one, abs=slack)
    kept = [max(chance, LEAST_CHANCE) for chance in one]
    wanted = [chance / sum(kept) for chance in kept]
    assert together(one, leak, leak) == pytest.approx(wanted, abs=1e-9)


@given(ROWS)
def test_a_second_fault_makes_nothing_weaker(rows: tuple[Row, Row, Row]) -> None:
    by_one, by_other, leak = rows
    one, other = contributed(leak, by_one), contributed(leak, by_other)
    both = below(together(one, other, leak))
    slack = len(leak) * LEAST_CHANCE
    for place in range(len(leak)):
        assert both[place] <= min(below(one)[place], below(other)[place]) + slack


@given(ROWS)
def test_the_oracles_own_row_is_the_same(rows: tuple[Row, Row, Row]) -> None:
    wanted = noisy_maximum(*rows, range(len(rows[0])))
    assert together(*rows) == pytest.approx(wanted, abs=1e-12)


@pytest.fixture(scope="module")
def rows_of(oven: RuleSet) -> dict[str, dict[tuple[str, ...], dict[str, float]]]:
    """By check and faults, P(outcome | the faults, and no further effect)."""
    model = belief_model(oven)
    return {
        check.id: {
            state.faults: dict(zip(check.outcomes, row.tolist(), strict=True))
            for state, row in zip(model.states, model.tables[check.id], strict=True)
            if state.condition is None
        }
        for check in oven.checks.values()
    }


RowsOf = dict[str, dict[tuple[str, ...], dict[str, float]]]


@pytest.mark.parametrize(
    ("check", "faults", "wins"),
    [
        # A switch that does not close leaves nothing of a low supply.
        (
            "transformer-primary-voltage",
            ("supply-voltage-low", "primary-interlock-open"),
            "absent",
        ),
        ("transformer-primary-voltage", ("supply-voltage-low", "power-relay-open"), "absent"),
        ("supply-under-load", ("supply-voltage-low", "lamp-open"), "sags"),
        # No heat at all with a worn magnetron behind a relay that does not switch on.
        ("water-load-power", ("power-relay-open", "magnetron-weak-emission"), "none"),
        ("water-load-power", ("supply-voltage-low", "magnetron-weak-emission"), "low"),
        ("heating-hum", ("power-relay-open", "transformer-secondary-open"), "silent"),
        ("heating-hum", ("lamp-open", "diode-shorted"), "loud"),
        ("display", ("lamp-open", "turntable-motor-open"), "lit"),
        ("cooling-fan", ("secondary-interlock-open", "cooling-fan-failed"), "stopped"),
        pytest.param(
            "heating-hum",
            ("power-relay-open", "diode-shorted"),
            "silent",
        ),
        pytest.param(
            "heating-hum",
            ("cavity-cutout-open", "capacitor-shorted"),
            "silent",
        ),
    ],
)
def test_of_two_faults_the_one_wins_that_would_in_the_workshop(
    rows_of: RowsOf, check: str, faults: tuple[str, str], wins: str
) -> None:
    row = next(row for pair, row in rows_of[check].items() if set(pair) == set(faults))
    assert row[wins] > 0.75
    assert row[wins] == max(row.values())


def test_a_fault_without_a_row_of_its_own_leaves_the_others_row(
    oven: RuleSet, rows_of: RowsOf
) -> None:
    compared = 0
    for check in oven.checks.values():
        rows = rows_of[check.id]
        slack = len(check.outcomes) * LEAST_CHANCE
        for pair in [faults for faults in rows if len(faults) == 2]:
            for silent, other in (pair, pair[::-1]):
                # An effect is never there without its condition, so it has no such row alone.
                if silent not in check.rows and (other,) in rows:
                    assert rows[pair] == pytest.approx(rows[other,], abs=slack)
                    compared += other in check.rows
    assert compared > 1000


def test_a_healthy_outcome_is_the_weakest_of_every_check(oven: RuleSet) -> None:
    for check in oven.checks.values():
        order = [check.outcomes[place] for place in dominance(check)]
        assert sorted(order) == sorted(check.outcomes)
        assert set(order[: len(check.expected)]) == set(check.expected)


def test_the_silent_end_of_a_scale_is_the_strongest(oven: RuleSet) -> None:
    strongest = {name: check.outcomes[dominance(check)[-1]] for name, check in oven.checks.items()}
    assert strongest["transformer-primary-voltage"] == "absent"
    assert strongest["outlet-voltage"] == "absent"
    assert strongest["water-load-power"] == "none"
    assert strongest["capacitor-capacitance"] == "none"


def test_the_states_are_the_ones_that_the_oracle_lists(oven: RuleSet, oracle: Oracle) -> None:
    """No state is missing, none too many; each has its place, and its prior is the oracle's."""
    model = belief_model(oven)
    assert [model.position[state] for state in model.states] == list(range(len(model.states)))
    for symptom in oven.symptoms:
        wanted = oracle.prior(symptom)
        assert {State(*state) for state in wanted} == set(model.states)
        prior = np.exp(model.log_prior[symptom])
        assert prior.sum() == pytest.approx(1.0, abs=1e-9)
        for state, chance in wanted.items():
            assert prior[model.position[State(*state)]] == pytest.approx(chance, rel=1e-9)


def test_pairs_are_of_two_parts_and_two_remedies_unless_one_causes_the_other(
    oven: RuleSet, oracle: Oracle
) -> None:
    """Written out by hand: some pairs that must be there, and some that must not."""
    pairs = {frozenset(group) for group in oracle.groups if len(group) == 2}
    listed = {frozenset(state.faults) for state in belief_model(oven).states}
    there = [
        {"cavity-cutout-open", "base-cutout-open"},
        {"cooling-fan-failed", "magnetron-weak-emission"},
        {"capacitor-shorted", "diode-shorted"},
        {"primary-interlock-welded", "monitor-switch-welded"},  # one remedy, but it causes it
    ]
    not_there = [
        {"capacitor-open", "capacitor-low"},  # one part
        {"monitor-switch-open", "secondary-interlock-welded"},  # one remedy
        {"main-fuse-fatigue", "wiring-shorted"},  # that blows the fuse by itself
        {"no-fault-present", "lamp-open"},
        {"unlisted-fault", "lamp-open"},
    ]
    assert all(pair in pairs and pair in listed for pair in map(frozenset, there))
    assert not any(pair in pairs or pair in listed for pair in map(frozenset, not_there))
