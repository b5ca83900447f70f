"""How long a display must be at rest, against the formula of the hidden approach, solved by another way.

The constants are written out again here: whoever changes one says in this file why a technician may wait less.
"""

import math

import pytest
from scipy.optimize import brentq

from meterlink.core.units import Quantity
from meterlink.settling.criteria import RestCriterion, current_criterion, overload_quiet_time, rest_criterion

# Half a count: by so much rounding hides a difference of the halves of a window.
ROUNDING = 0.5


def window_of(tau: float, counts_left: float) -> float:
    """Return the s after which an approach shows itself: r·(x − 1)²/ln x = ½ with x = e^(W/2τ) (docs/settling.md)."""

    def off(log_x: float) -> float:
        return counts_left * (math.exp(log_x) - 1) ** 2 / log_x - ROUNDING

    return float(brentq(off, 1e-6, 10)) * 2 * tau


def exponent(criterion: RestCriterion) -> float:
    assert criterion.slow_approach is not None
    return criterion.slow_approach.exponent


@pytest.mark.parametrize("quantity", [Quantity.VOLTAGE, Quantity.CAPACITANCE, Quantity.FREQUENCY])
def test_quick_quantities_need_two_refreshes_of_a_slow_meter(quantity: Quantity) -> None:
    """A cheap meter refreshes two to three times a second. Common practice, no source."""
    every_reading, its_own_counts = 0.0, 1.0
    assert rest_criterion(quantity, "V", 0.1) == RestCriterion(0.8, None, every_reading, its_own_counts)
    assert rest_criterion(quantity, "V", 0.1).least_window == 0.8


@pytest.mark.parametrize(
    ("unit", "step", "left", "grain"),
    [
        ("°C", 0.1, 3.0, 1.0),  # a third of a degree: three tenths
        ("°C", 0.5, 1.0, 1.0),  # less than a count of the display: one count
        ("°C", 1.0, 1.0, 1.0),
        ("°C", 0.01, 4.0, 7.5),  # thirty hundredths, judged four at a time
        ("°F", 0.1, 4.0, 1.25),  # five tenths
    ],
)
def test_a_temperature_waits_for_a_sheathed_thermocouple_in_slow_air(
    unit: str, step: float, left: float, grain: float
) -> None:
    """τ is up to a minute (a cable maker's table gives 53 s at 4.5 mm); the bead follows its surface seconds late."""
    criterion = rest_criterion(Quantity.TEMPERATURE, unit, step)
    assert criterion.quiet_time == 6.0
    assert criterion.display_counts == pytest.approx(grain)
    assert 1 / exponent(criterion) == pytest.approx(60.0)
    assert criterion.least_window == pytest.approx(max(6.0, window_of(60.0, left)), abs=1e-6)
    assert criterion.reading_interval == 0.5


@pytest.mark.parametrize(
    ("counts", "left", "grain"),
    [
        (8.0, 2.0, 1.0),  # a small fan on a clamp of tenths: two counts
        (108.0, 2.16, 1.0),  # 10.8 A: 2 % of it
        (1080.0, 4.0, 5.4),  # the same on a display of hundredths: its last digit need not be at rest
    ],
)
def test_a_current_waits_for_two_percent_of_it(counts: float, left: float, grain: float) -> None:
    """A running motor follows within ten seconds, and within a minute after its start. Common practice, no source."""
    running = current_criterion(counts, counts)
    assert running.display_counts == pytest.approx(grain)
    assert 1 / exponent(running) == pytest.approx(10.0)
    assert running.least_window == pytest.approx(max(3.0, window_of(10.0, left)), abs=1e-6)
    assert running.reading_interval == 0.25
    started = current_criterion(counts, 5 * counts)
    assert 1 / exponent(started) == pytest.approx(60.0)
    assert started.quiet_time == 10.0
    assert started.least_window == pytest.approx(max(10.0, window_of(60.0, left)), abs=1e-6)


@pytest.mark.parametrize(
    ("counts", "peak", "has_started"),
    [
        (108.0, 109.0, False),
        (108.0, 109.5, False),
        (108.0, 109.6, True),
        (108.0, math.inf, True),
        (1080.0, 1088.0, False),  # on a display of hundredths, which is judged in 5.4 of its counts
        (1080.0, 1089.0, True),
    ],
)
def test_an_alternating_last_digit_is_no_start(counts: float, peak: float, has_started: bool) -> None:
    """A start takes several times the running current; a clamp that shows 10.8 and 10.9 in turn has seen none."""
    assert current_criterion(counts, peak).quiet_time == (10.0 if has_started else 3.0)


@pytest.mark.parametrize(
    ("unit", "step", "seconds"),
    [("Ω", 0.1, 0.8), ("Ω", 100.0, 0.8), ("kΩ", 1.0, 2.0), ("MΩ", 0.001, 2.0), ("MΩ", 0.01, 20.0)],
)
def test_ohms_wait_until_the_largest_start_capacitor_would_have_moved_them(
    unit: str, step: float, seconds: float
) -> None:
    """1000 µF rise by 1000 Ω a second (t/C, any textbook): two counts of 1 kΩ in two seconds."""
    assert rest_criterion(Quantity.RESISTANCE, unit, step).quiet_time == pytest.approx(seconds)


@pytest.mark.parametrize(
    ("quantity", "seconds"), [(Quantity.CAPACITANCE, 30.0), (Quantity.VOLTAGE, 3.0), (Quantity.RESISTANCE, 3.0)]
)
def test_an_overload_waits_for_the_search_of_a_range_or_for_a_large_capacitor(
    quantity: Quantity, seconds: float
) -> None:
    """A multimeter's manual says 'more than 20 seconds' for 400 µF (seen)."""
    assert overload_quiet_time(quantity) == seconds
