"""A small linear circuit solver: modified nodal analysis, phasors and direct current.

Nodes are names. Units: ohm, henry, farad, volt (r.m.s. phasors), ampere, radians per second.
Zero angular frequency is the ohmmeter's case: inductances are shorts, capacitances are open.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

OPEN = 1e10
"""Resistance in ohm that stands for an open contact."""

STRAY = 2e-12
"""Conductance in siemens from each node to the reference: no node is ever left floating.

It must not be lost in rounding beside a milliohm, nor be seen beside `OPEN`.
"""


@dataclass(frozen=True, slots=True)
class Branch:
    """Resistance, reactance, inductance and capacitance in series; `part` is what it belongs to."""

    part: str
    name: str
    a: str
    b: str
    ohm: float
    henry: float = 0.0
    farad: float | None = None
    reactance: float = 0.0
    volt: complex = 0.0

    def admittance(self, omega: float) -> complex:
        """Siemens at the angular frequency."""
        if self.farad is None:
            return 1 / complex(self.ohm, omega * self.henry + self.reactance)
        if omega == 0:
            return 0j
        x = omega * self.henry + self.reactance - 1 / (omega * max(self.farad, 1e-18))
        return 1 / complex(self.ohm, x)


@dataclass(frozen=True, slots=True)
class Winding:
    """One winding on the common core: turns relative to the core's `henry`, series resistance."""

    part: str
    name: str
    a: str
    b: str
    turns: float
    ohm: float


@dataclass(frozen=True)
class Network:
    """Branches, and windings that share one core of `henry` per turn squared."""

    branches: Sequence[Branch]
    windings: Sequence[Winding] = ()
    henry: float = 0.0

    def nodes(self) -> list[str]:
        """Both ends of everything, with repetitions."""
        ends = [name for branch in self.branches for name in (branch.a, branch.b)]
        return ends + [name for winding in self.windings for name in (winding.a, winding.b)]

    def keeping(self, parts: Sequence[str], without: Sequence[str] = ()) -> Network:
        """The parts alone, as when all other leads have been taken off."""
        return Network(
            [b for b in self.branches if b.part in parts and b.name not in without],
            [w for w in self.windings if w.part in parts and w.name not in without],
            self.henry,
        )

    def without(self, parts: Sequence[str]) -> Network:
        """The rest, as when these parts have been taken out."""
        return Network(
            [b for b in self.branches if b.part not in parts],
            [w for w in self.windings if w.part not in parts],
            self.henry,
        )


@dataclass(frozen=True)
class Solution:
    """Node voltages against the reference, winding currents from a to b."""

    network: Network
    omega: float
    node: dict[str, int]
    values: NDArray[np.complex128]
    _by_name: dict[tuple[str, str], Branch] = field(default_factory=dict)

    def volt(self, a: str, b: str) -> complex:
        """Voltage of a against b, volt; a node that is not there carries none."""
        return self._at(a) - self._at(b)

    def _at(self, name: str) -> complex:
        index = self.node.get(name)
        return 0j if index is None else complex(self.values[index])

    def current(self, part: str, name: str) -> complex:
        """Current of a branch from a to b, ampere; none where there is no such branch."""
        if not self._by_name:
            self._by_name.update({(b.part, b.name): b for b in self.network.branches})
        branch = self._by_name.get((part, name))
        if branch is None:
            return 0j
        across = self.volt(branch.a, branch.b) + branch.volt
        return across * branch.admittance(self.omega)

    def winding_current(self, name: str) -> complex:
        """Current of a winding from a to b, ampere."""
        for offset, winding in enumerate(self.network.windings):
            if winding.name == name:
                return complex(self.values[len(self.node) + offset])
        return 0j


def solve(
    network: Network, omega: float, reference: str, inject: tuple[str, float] | None = None
) -> Solution:
    """Voltages and currents. `inject` drives a current (ampere) into a node from the reference.

    A branch with a voltage pushes current from its a to its b: it is a source with its own series
    impedance, so it needs no unknown of its own.
    """
    node: dict[str, int] = {}
    for name in network.nodes():
        node.setdefault(name, len(node))
    node.setdefault(reference, len(node))
    if inject:
        node.setdefault(inject[0], len(node))
    count, size = len(node), len(node) + len(network.windings)
    matrix = np.zeros((size, size), dtype=np.complex128)
    drive = np.zeros(size, dtype=np.complex128)
    a = np.array([node[b.a] for b in network.branches], dtype=int)
    b = np.array([node[b.b] for b in network.branches], dtype=int)
    y = np.array([branch.admittance(omega) for branch in network.branches], dtype=np.complex128)
    flat = matrix.reshape(-1)
    np.add.at(flat, np.concatenate((a * (size + 1), b * (size + 1))), np.concatenate((y, y)))
    np.add.at(flat, np.concatenate((a * size + b, b * size + a)), np.concatenate((-y, -y)))
    flat[: count * (size + 1) : size + 1] += STRAY
    for index, branch in enumerate(network.branches):
        if branch.volt:
            drive[a[index]] -= y[index] * branch.volt
            drive[b[index]] += y[index] * branch.volt
    for offset, winding in enumerate(network.windings):
        row = count + offset
        i, j = node[winding.a], node[winding.b]
        matrix[i, row] += 1
        matrix[j, row] -= 1
        matrix[row, i] += 1
        matrix[row, j] -= 1
        matrix[row, row] -= winding.ohm
        for other, coupled in enumerate(network.windings):
            matrix[row, count + other] -= 1j * omega * network.henry * winding.turns * coupled.turns
    if inject:
        drive[node[inject[0]]] += inject[1]
    # The reference keeps its row, fixed to zero: indices stay those of `node`.
    fixed = node[reference]
    matrix[fixed, :] = 0
    matrix[:, fixed] = 0
    matrix[fixed, fixed] = 1
    drive[fixed] = 0
    return Solution(network, omega, node, np.linalg.solve(matrix, drive).astype(np.complex128))


def impedance_between(network: Network, a: str, b: str, omega: float = 0.0) -> complex:
    """Impedance between two nodes in ohm, all sources dead; `OPEN` or more where none leads over.

    One probe is the reference, so that milliohms are not lost beside the stray conductances.
    """
    dead = [branch for branch in network.branches if not branch.volt]
    quiet = Network(dead, network.windings, network.henry)
    if not {a, b} <= set(quiet.nodes()):
        return complex(OPEN)
    found = solve(quiet, omega, b, (a, 1.0)).volt(a, b)
    return complex(OPEN) if abs(found) > OPEN else found
