"""Nodal analysis: elements between named nodes, solved for one frequency (any textbook on circuit theory).

An `Element` states how the currents into its nodes follow from their voltages: I = Y·V − J. That covers an impedance, a
source behind an impedance, the coupling of a transformer, and a rotating machine. Sources are never ideal: each has an
impedance, so that no unknown currents are needed.
"""

import cmath
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from meterlink_simulators.linear_equations import Factors

GROUND = "GND"
# Least impedance, Ω, of a path that has none of its own: a tight screw or crimp. Common practice, no source.
LEAST_OHMS = 1e-4
# Leakage, S, of every node to ground: 1 GΩ of dry insulation. It gives a node that nothing else holds a voltage.
# Common practice, no source.
LEAKAGE_SIEMENS = 1e-9


@dataclass(frozen=True, slots=True)
class Element:
    """``admittance`` (S) and ``injected`` current (A, out of the element) for each of ``nodes``."""

    nodes: tuple[str, ...]
    admittance: tuple[tuple[complex, ...], ...]
    injected: tuple[complex, ...]

    def amps_into(self, node: str, volts: Callable[[str], complex]) -> complex:
        """Return the current that flows from ``node`` into the element, A; 0 where it does not touch the node."""
        return sum(
            (
                sum(entry * volts(other) for entry, other in zip(row, self.nodes, strict=True)) - source
                for own, row, source in zip(self.nodes, self.admittance, self.injected, strict=True)
                if own == node
            ),
            0j,
        )

    def renamed(self, rename: Callable[[str], str]) -> "Element":
        """Return the element with ``rename`` applied to its nodes."""
        return Element(tuple(rename(node) for node in self.nodes), self.admittance, self.injected)


def coupling(weights: Mapping[str, complex], impedance: complex, emf: complex = 0j) -> Element:
    """Return an element with one current, (Σ weight·V − ``emf``)/``impedance`` (V, Ω), that enters each node by weight.

    With the weights 1 and −1 it is a branch; with n, −n, −1 and 1 a transformer of the ratio n.
    """
    admittance = 1 / (impedance if abs(impedance) >= LEAST_OHMS else LEAST_OHMS)
    return Element(
        tuple(weights),
        tuple(tuple(admittance * row * column for column in weights.values()) for row in weights.values()),
        tuple(admittance * emf * row for row in weights.values()),
    )


def branch(first: str, second: str, impedance: complex, emf: complex = 0j) -> list[Element]:
    """Return the branch from ``first`` to ``second``: ``emf`` (V, plus at ``first``) behind ``impedance`` (Ω).

    An infinite impedance is no branch.
    """
    return [] if cmath.isinf(impedance) else [coupling({first: 1, second: -1}, impedance, emf)]


def machine(nodes: tuple[str, str, str], positive: complex, negative: complex) -> Element:
    """Return a three-phase machine by its admittances (S, per phase) for positive and negative sequence.

    No current flows in the zero sequence: the star point is not connected. Y = A·diag(0, Y₊, Y₋)·A⁻¹ with
    a = e^(j120°) (symmetrical components, any textbook on electrical machines).
    """
    turn = cmath.exp(2j * math.pi / 3)
    rows = tuple(
        tuple((positive * turn ** (column - row) + negative * turn ** (row - column)) / 3 for column in range(3))
        for row in range(3)
    )
    return Element(nodes, rows, (0j, 0j, 0j))


class Solution:
    """The node voltages of ``elements`` against `GROUND`, V."""

    def __init__(self, elements: Iterable[Element]) -> None:
        self._index: dict[str, int] = {}
        elements = list(elements)
        for element in elements:
            for node in element.nodes:
                if node != GROUND:
                    self._index.setdefault(node, len(self._index))
        size = len(self._index)
        matrix = [[0j] * size for _ in range(size)]
        right = [0j] * size
        for number in range(size):
            matrix[number][number] = complex(LEAKAGE_SIEMENS)
        for element in elements:
            _stamp(element, self._index, matrix, right)
        self._factors = Factors(matrix)
        self._volts = self._factors.solve(right)

    def volts(self, node: str) -> complex:
        """Return the voltage of ``node``, V: 0 for `GROUND` and for a node that no element touches."""
        return self._volts[self._index[node]] if node in self._index else 0j

    def loaded_volts(self, first: str, second: str, ohms: float) -> complex:
        """Return the voltage between two nodes with a voltmeter of ``ohms`` Ω across them (Thévenin's theorem).

        A node that no element touches leads nowhere: no voltage is read from it.
        """
        if any(node != GROUND and node not in self._index for node in (first, second)):
            return 0j
        current = [0j] * len(self._index)
        for node, amps in ((first, 1), (second, -1)):
            if node != GROUND:
                current[self._index[node]] += amps
        response = self._factors.solve(current)
        source = sum(amps * response[number] for number, amps in enumerate(current) if amps)
        return (self.volts(first) - self.volts(second)) * ohms / (ohms + source)


def driving_point_impedance(elements: Iterable[Element], first: str, second: str) -> complex:
    """Return the impedance between two nodes, Ω; inf where no element leads from one to the other.

    A current of 1 A in at ``first`` and out at ``second`` gives it as a voltage (Ohm's law).
    """
    elements = list(elements)
    reached, frontier = {first}, [first]
    while frontier:
        node = frontier.pop()
        for element in elements:
            if node in element.nodes:
                found = set(element.nodes) - reached
                reached |= found
                frontier += found
    if second not in reached:
        return complex(math.inf)
    if first == second:
        return 0j
    index = {node: number for number, node in enumerate(sorted(reached - {second}))}
    matrix = [[0j] * len(index) for _ in index]
    right = [0j] * len(index)
    for element in elements:
        if element.nodes[0] in reached:
            _stamp(element, index, matrix, right)
    current = [0j] * len(index)
    current[index[first]] = 1 + 0j
    return Factors(matrix).solve(current)[index[first]]


def _stamp(element: Element, index: Mapping[str, int], matrix: list[list[complex]], right: list[complex]) -> None:
    """Add ``element`` to the node equations Y·V = J; a node without an index is the reference."""
    for node, row, source in zip(element.nodes, element.admittance, element.injected, strict=True):
        if node not in index:
            continue
        right[index[node]] += source
        for other, entry in zip(element.nodes, row, strict=True):
            if other in index:
                matrix[index[node]][index[other]] += entry
