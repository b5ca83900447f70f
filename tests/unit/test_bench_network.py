"""Linear equations and nodal analysis, against numpy and circuits worked by hand."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.core.errors import InputError
from meterlink_simulators.linear_equations import Factors
from meterlink_simulators.network import (
    GROUND,
    LEAKAGE_SIEMENS,
    LEAST_OHMS,
    Solution,
    branch,
    coupling,
    driving_point_impedance,
    machine,
)

ENTRY = st.complex_numbers(max_magnitude=10, allow_nan=False, allow_infinity=False)


@settings(deadline=None)  # no check depends on the machine's speed
@given(st.data(), st.integers(1, 8))
def test_the_solution_is_numpys(data, size):
    matrix = np.array(data.draw(st.lists(st.lists(ENTRY, min_size=size, max_size=size), min_size=size, max_size=size)))
    matrix += np.diag([100.0 * size] * size)  # diagonally dominant, so that it is well conditioned
    matrix = matrix[::-1]  # … and rows out of order, so that pivots must be sought
    right = np.array(data.draw(st.lists(ENTRY, min_size=size, max_size=size)))
    ours = Factors(matrix.tolist()).solve(right.tolist())
    assert np.allclose(ours, np.linalg.solve(matrix, right), rtol=1e-10, atol=1e-12)


def test_two_equations_by_hand():
    """2x + jy = 1 + 2j and jx + y = 0. From the second y = −jx; 2x + x = 1 + 2j; x = (1 + 2j)/3, y = (2 − j)/3."""
    x, y = Factors([[2, 1j], [1j, 1]]).solve([1 + 2j, 0])
    assert x == pytest.approx((1 + 2j) / 3)
    assert y == pytest.approx((2 - 1j) / 3)


def test_a_singular_matrix_is_refused():
    with pytest.raises(InputError, match="no unique solution"):
        Factors([[1, 2], [2, 4]])


def test_a_voltage_divider():
    """12 V over 4 Ω and 8 Ω: the lower resistor has 12·8/(4 + 8) = 8 V, and 1 A flows."""
    source, upper, lower = branch("a", GROUND, LEAST_OHMS, 12) + branch("a", "b", 4) + branch("b", GROUND, 8)
    solution = Solution([source, upper, lower])
    assert solution.volts("b") == pytest.approx(8.0, rel=1e-4)
    assert upper.amps_into("a", solution.volts) == pytest.approx(1.0, rel=1e-4)
    assert source.amps_into("a", solution.volts) == pytest.approx(-1.0, rel=1e-4)


def test_a_voltmeter_loads_its_circuit():
    """10 V behind 10 MΩ read 5 V on a voltmeter of 10 MΩ: it is the other half of a divider."""
    solution = Solution(branch("a", GROUND, LEAST_OHMS, 10) + branch("a", "b", 10e6))
    assert solution.loaded_volts("b", GROUND, 10e6) == pytest.approx(5.0, rel=0.01)  # 1 %: the leakage of the node
    assert solution.loaded_volts("nowhere", GROUND, 10e6) == 0


def test_a_transformer_divides_by_its_ratio():
    """10:1 with 120 V on the primary: 12 V; 6 Ω carry 2 A, the primary 0.2 A."""
    source = branch("p", GROUND, LEAST_OHMS, 120)
    element = coupling({"p": 1, GROUND: -1, "s": -10, "t": 10}, LEAST_OHMS)
    solution = Solution([*source, element, *branch("s", "t", 6), *branch("t", GROUND, 0)])
    assert abs(solution.volts("s") - solution.volts("t")) == pytest.approx(12.0, rel=1e-3)
    assert abs(element.amps_into("p", solution.volts)) == pytest.approx(0.2, rel=1e-3)
    assert abs(element.amps_into("s", solution.volts)) == pytest.approx(2.0, rel=1e-3)


def test_a_machine_has_its_sequence_admittances():
    """With a purely positive system of 100 V each phase carries U·Y₊ = 100·0.1 = 10 A; with a negative one 100·0.5."""
    element = machine(("1", "2", "3"), 0.1, 0.5)
    for direction, amps in ((-1, 10.0), (1, 50.0)):
        phasors = {
            node: 100 * complex(math.cos(direction * math.tau * n / 3), math.sin(direction * math.tau * n / 3))
            for n, node in enumerate(("1", "2", "3"))
        }
        for node, phasor in phasors.items():
            assert element.amps_into(node, phasors.__getitem__) == pytest.approx(amps * phasor / 100)


def test_impedance_between_two_nodes():
    """30 Ω beside 20 Ω + 40 Ω in series: 30·60/90 = 20 Ω. A bridge in balance: 10 Ω in any arm, 10 Ω across."""
    ring = branch("a", "b", 30) + branch("b", "c", 20) + branch("c", "a", 40)
    assert driving_point_impedance(ring, "a", "b") == pytest.approx(20.0)
    arms = [branch("a", "b", 10), branch("b", "d", 10), branch("a", "c", 10), branch("c", "d", 10), branch("b", "c", 7)]
    assert driving_point_impedance([arm for (arm,) in arms], "a", "d") == pytest.approx(10.0)
    assert driving_point_impedance(ring, "a", "elsewhere").real == math.inf
    assert driving_point_impedance(ring, "a", "a") == 0
    assert branch("a", "b", complex(math.inf)) == []


@settings(deadline=None)  # no check depends on the machine's speed
@given(st.lists(st.tuples(st.integers(0, 4), st.integers(0, 4), st.floats(0.1, 1e4)), min_size=1, max_size=12))
def test_currents_balance_and_no_power_is_lost(edges):
    """Kirchhoff's current law at each node; the power of the source is that of the resistors (Tellegen's theorem)."""
    ends = [(f"n{a}", f"n{b}" if b else GROUND, ohms) for a, b, ohms in edges if a != b]
    elements = branch("n1", GROUND, 1.0, 100.0) + [element for end in ends for element in branch(*end)]
    solution = Solution(elements)
    for node in {node for element in elements for node in element.nodes} - {GROUND}:
        total = sum(element.amps_into(node, solution.volts) for element in elements)
        # The rest is the leakage of the node, 1 nS.
        assert abs(total + LEAKAGE_SIEMENS * solution.volts(node)) < 1e-8
    amps = 100.0 - solution.volts("n1").real  # through the 1 Ω of the source
    heat = sum((solution.volts(a) - solution.volts(b)).real ** 2 / ohms for a, b, ohms in ends)
    assert 100.0 * amps == pytest.approx(heat + amps**2, abs=1e-3)
