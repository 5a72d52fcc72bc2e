"""The solver against networks worked out by hand."""

from __future__ import annotations

from math import pi, sqrt

import pytest

from tests.visits.circuit import OPEN, Branch, Network, Winding, impedance_between, solve


def resistor(name: str, a: str, b: str, ohm: float, **more: float) -> Branch:
    return Branch("part", name, a, b, ohm, **more)


def test_a_divider() -> None:
    net = Network(
        [
            resistor("source", "0", "a", 10.0, volt=120.0),
            resistor("upper", "a", "b", 20.0),
            resistor("lower", "b", "0", 30.0),
        ]
    )
    found = solve(net, 0.0, "0")
    assert found.volt("b", "0").real == pytest.approx(60.0)
    assert found.volt("a", "0").real == pytest.approx(100.0)
    assert found.current("part", "upper").real == pytest.approx(2.0)
    assert found.current("part", "source").real == pytest.approx(2.0)


def test_a_bridge_out_of_balance() -> None:
    net = Network(
        [
            resistor("1", "a", "c", 10.0),
            resistor("2", "a", "d", 20.0),
            resistor("3", "c", "b", 30.0),
            resistor("4", "d", "b", 15.0),
            resistor("5", "c", "d", 5.0),
        ]
    )
    # Star of the delta a-c-d: 10*20/35, 10*5/35, 20*5/35 ohm.
    ra, rc, rd = 200 / 35, 50 / 35, 100 / 35
    expected = ra + (rc + 30) * (rd + 15) / (rc + 30 + rd + 15)
    assert impedance_between(net, "a", "b").real == pytest.approx(expected)


def test_series_resonance() -> None:
    henry, farad = 0.1, 1e-6
    omega = 1 / sqrt(henry * farad)
    net = Network(
        [
            resistor("source", "0", "a", 1.0, volt=1.0),
            resistor("coil", "a", "b", 9.0, henry=henry),
            resistor("capacitor", "b", "0", 1e-6, farad=farad),
        ]
    )
    found = solve(net, omega, "0")
    assert abs(found.current("part", "coil")) == pytest.approx(0.1, rel=1e-5)
    assert abs(found.volt("b", "0")) == pytest.approx(0.1 * omega * henry, rel=1e-4)
    off = solve(net, 2 * omega, "0").current("part", "coil")
    assert abs(off) == pytest.approx(1 / abs(complex(10, 1.5 * omega * henry)), rel=1e-4)


def test_coupled_windings_make_a_transformer() -> None:
    omega, load = 2 * pi * 60, 100.0
    net = Network(
        [
            resistor("source", "0", "a", 1e-6, volt=120.0),
            resistor("load", "c", "0", load),
        ],
        [Winding("t", "one", "a", "0", 1.0, 1e-6), Winding("t", "two", "c", "0", 0.5, 1e-6)],
        henry=0.1,
    )
    found = solve(net, omega, "0")
    assert abs(found.volt("c", "0")) == pytest.approx(60.0, rel=1e-4)
    # Reflected load of four times 100 ohm in parallel with the magnetising reactance.
    expected = abs(120 / 400 + 120 / (1j * omega * 0.1))
    assert abs(found.winding_current("one")) == pytest.approx(expected, rel=1e-4)


def test_a_shorted_winding_takes_the_inductance_away() -> None:
    windings = [Winding("t", "one", "a", "0", 1.0, 0.4), Winding("t", "two", "c", "d", 0.1, 0.001)]
    omega = 2 * pi * 120
    leaking = Network([resistor("x", "c", "d", 1e6)], windings, 0.08)
    shorted = Network([resistor("x", "c", "d", 0.01)], windings, 0.08)
    assert impedance_between(leaking, "a", "0", omega).imag / omega == pytest.approx(0.08, rel=0.01)
    assert impedance_between(shorted, "a", "0", omega).imag / omega < 0.002


def test_the_ohmmeter_sees_milliohms_and_open_ends() -> None:
    net = Network(
        [
            resistor("contact", "a", "b", 0.004),
            resistor("leak", "c", "d", OPEN),
            resistor("capacitor", "a", "e", 1.0, farad=1e-6),
        ]
    )
    assert impedance_between(net, "a", "b").real == pytest.approx(0.004, rel=1e-6)
    assert impedance_between(net, "a", "e").real >= OPEN / 2
    assert impedance_between(net, "a", "c").real >= OPEN / 2
    assert impedance_between(net, "a", "nowhere").real >= OPEN


def test_sources_do_not_disturb_the_ohmmeter() -> None:
    net = Network([resistor("source", "a", "b", 1.0, volt=230.0), resistor("r", "a", "b", 50.0)])
    assert impedance_between(net, "a", "b").real == pytest.approx(50.0)


def test_keeping_a_part_lifts_all_else() -> None:
    net = Network([Branch("one", "r", "a", "b", 10.0), Branch("two", "r", "a", "b", 10.0)])
    assert impedance_between(net, "a", "b").real == pytest.approx(5.0)
    assert impedance_between(net.keeping(("one",)), "a", "b").real == pytest.approx(10.0)
