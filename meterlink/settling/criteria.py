"""How long a display must be at rest, by quantity: the slowest time constant that is expected, and its source.

A first-order approach with time constant τ that has r counts to go moves the means of two halves of a window apart (see
`meterlink.settling.series`). A slow approach that hides behind one count of the display needs a long window: a
criterion names the slowest τ that is expected, and the r that may be left.
"""

import math
from dataclasses import dataclass
from decimal import Decimal
from functools import cache, lru_cache

from meterlink.core.units import Amount, Quantity

# Common practice, no source, checked against the simulated meters (docs/settling.md).
QUIET_TIME = 0.8  # s, least time at rest: longer than a bounce and than two refreshes of a slow meter
OVERLOAD_QUIET_TIME = 3.0  # s of overload on volts, amps and the rest: longer than a range is looked for
# A few counts of volts or amps: a hand does not keep leads in the air still to a count for as long. Common practice,
# no source.
FEW_COUNTS_QUIET_TIME = 4.0  # s
# s of overload on capacitance. A multimeter's manual says 'more than 20 seconds' on 400 µF (seen), and another 'several
# minutes' for very large ones (seen): even then the value may follow, so a person must accept this overload.
CAPACITANCE_OVERLOAD_TIME = 30.0

# A sheathed thermocouple in slow air (0.2 m/s) has half of a step after 23 s at 3 mm and after 37 s at 4.5 mm, τ = 33
# and 53 s (t/ln 2; a cable maker's table, seen). A clamp on a pipe is faster, a thermistor in a housing about as slow
# (common practice, no source).
TEMPERATURE_TIME_CONSTANT = 60.0  # s
_TEMPERATURE_LEFT = {"°C": 0.3, "°F": 0.5}  # a third of the ±1 °C of a service thermometer; common practice, no source
TEMPERATURE_QUIET_TIME = 6.0  # s, on any display step: the bead follows its surface seconds late

# A clamp on a lead whose motor was started before: its current follows within seconds. Common practice, no source.
CURRENT_TIME_CONSTANT = 10.0  # s
# After a start that the clamp has shown the motor warms and its load settles within a minute. Common practice, no
# source. A compressor follows its pressures for ten minutes: no display shows that within a reading.
CURRENT_TIME_CONSTANT_AFTER_START = 60.0  # s
_CURRENT_SHARE_LEFT = 0.02  # of the value: a clamp's usual accuracy; common practice, no source
_CURRENT_COUNTS_LEFT = 2.0  # fewer than the digits of a clamp's accuracy, 3 to 5; common practice, no source
CURRENT_QUIET_TIME = 3.0  # s, on any display step: longer than the start of a small motor, cycles to a second
CURRENT_QUIET_TIME_AFTER_START = 10.0  # s
# A start: the display was higher by so many counts, which an alternating last digit is not (coarser counts on a fine
# display). A start takes four to six times the running current (common practice, no source), of which a slow display
# may show little.
START_COUNTS = 1.5

# s between the readings that are kept: a window of minutes has enough of them. Common practice, no source.
_TEMPERATURE_INTERVAL, _CURRENT_INTERVAL = 0.5, 0.25

# An ohmmeter's constant current charges a capacitor, so that the display rises by 1/C ohms a second (t/C, charging by a
# constant current, any textbook). The largest start capacitors have about 1000 µF: common practice, no source.
_LEAST_CHARGING_SPEED = Amount(Decimal(1000), "Ω")  # a second
_CHARGING_COUNTS = 2  # counts by which such a display would have moved: one may hide in its rounding

# A display of which more counts may be left is judged in coarser ones: its last digits need not be at rest.
_MOST_COUNTS_LEFT = 4.0

_ROUNDING_COUNTS = 0.5  # by which rounding brings the halves of a window nearer


@dataclass(frozen=True, slots=True)
class Approach:
    """A first-order approach that must be excluded: ``exponent`` is 1/τ in 1/s; ``counts_left`` do no harm."""

    exponent: float
    counts_left: float

    def expected_difference(self, seconds: float) -> float:
        """Return the difference, in counts, of the means of the two halves of a window of ``seconds`` s.

        With ``counts_left`` to go at its end: r·(x − 1)²/ln x, x = e^(W/2τ) (see `meterlink.settling.series`).
        """
        log_x = self.exponent * seconds / 2
        return self.counts_left * math.expm1(log_x) ** 2 / log_x

    @property
    def least_window(self) -> float:
        """The shortest window in s that can exclude it: that of a display that shows one value only."""
        return _least_time_constants(self.counts_left) / self.exponent


@lru_cache(256)  # the values of a few displays
def _least_time_constants(counts_left: float) -> float:
    """Return the window, in τ, at which the expected difference reaches the rounding: found by bisection."""
    approach = Approach(1.0, counts_left)
    low, high = 1e-9, 20.0
    while high - low > 1e-9:
        middle = (low + high) / 2
        if approach.expected_difference(middle) < _ROUNDING_COUNTS:
            low = middle
        else:
            high = middle
    return high


@dataclass(frozen=True, slots=True)
class RestCriterion:
    """The criterion of one quantity: at rest for ``quiet_time`` s, and no ``slow_approach`` (None: none is expected).

    Readings that come faster than every ``reading_interval`` s are thinned out, so that minutes can be remembered. A
    display that is finer than it need be is judged in counts of ``display_counts`` of its own.
    """

    quiet_time: float
    slow_approach: Approach | None = None
    reading_interval: float = 0.0
    display_counts: float = 1.0

    @property
    def least_window(self) -> float:
        """The shortest window in s that can fulfil the criterion."""
        return max(self.quiet_time, self.slow_approach.least_window if self.slow_approach else 0.0)


@lru_cache(256)  # as above
def rest_criterion(quantity: Quantity, unit: str, step: float) -> RestCriterion:
    """Return the criterion for a display of any quantity but current; ``step`` is one count in ``unit``."""
    if quantity is Quantity.TEMPERATURE:
        left = max(1.0, _TEMPERATURE_LEFT[unit] / step)
        return _slow_criterion(TEMPERATURE_QUIET_TIME, TEMPERATURE_TIME_CONSTANT, left, _TEMPERATURE_INTERVAL)
    if quantity is Quantity.RESISTANCE:
        return RestCriterion(max(QUIET_TIME, _CHARGING_COUNTS * step / _charging_speed(unit)))
    return RestCriterion(QUIET_TIME)


@lru_cache(256)  # as above
def current_criterion(counts: float, peak_counts: float) -> RestCriterion:
    """Return the criterion for a display of current that shows so many counts.

    ``peak_counts`` are the most that it has shown since the contact, infinite for an overload.
    """
    left = max(_CURRENT_COUNTS_LEFT, _CURRENT_SHARE_LEFT * counts)
    has_started = peak_counts - counts > START_COUNTS * _display_counts(left)
    quiet, tau = CURRENT_QUIET_TIME, CURRENT_TIME_CONSTANT
    if has_started:
        quiet, tau = CURRENT_QUIET_TIME_AFTER_START, CURRENT_TIME_CONSTANT_AFTER_START
    return _slow_criterion(quiet, tau, left, _CURRENT_INTERVAL)


def _slow_criterion(quiet_time: float, time_constant: float, left: float, interval: float) -> RestCriterion:
    """Return the criterion for an approach that may have ``left`` counts of the display to go."""
    display_counts = _display_counts(left)
    return RestCriterion(quiet_time, Approach(1 / time_constant, left / display_counts), interval, display_counts)


def _display_counts(left: float) -> float:
    return max(1.0, left / _MOST_COUNTS_LEFT)


@cache
def _charging_speed(unit: str) -> float:
    # The constant is converted, once for each unit, and never the reading: that is the judge's task.
    return float(_LEAST_CHARGING_SPEED.to(unit))


def overload_quiet_time(quantity: Quantity) -> float:
    """Return the time, in s, after which an overload of this quantity is at rest."""
    return CAPACITANCE_OVERLOAD_TIME if quantity is Quantity.CAPACITANCE else OVERLOAD_QUIET_TIME
