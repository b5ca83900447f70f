"""A simulated meter: it displays the bench's true values, with the habits that make settling hard to recognise.

It refreshes at its rate, is off by its specimen's fixed error, flickers by part of a count, steps through its ranges
with a blank display, creeps up on a capacitance, averages over bouncing probes, and drains its battery.
"""

import math
from decimal import Decimal
from random import Random

from meterlink.core.errors import InputError
from meterlink.core.units import Quantity
from meterlink_simulators.bench import Bench
from meterlink_simulators.display import DisplayState
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import (
    NOISE,
    OPEN_NOISE,
    STRAY_FARADS,
    FunctionSpec,
    MeterFunction,
    MeterSpec,
    SystematicError,
)

# Time of a blank display for each range step, s. Common practice, no source.
RANGE_SECONDS = 0.2
# Time constants of the creep to the final display, s. A capacitance needs charging: some seconds for 50 µF to come to
# rest within a count of 6000, ln(6000) ≈ 9 time constants. A thermocouple bead takes longest.
# Common practice, no source.
_TIME_CONSTANTS = {
    Quantity.VOLTAGE: 0.1,
    Quantity.CURRENT: 0.15,
    Quantity.RESISTANCE: 0.05,
    Quantity.CAPACITANCE: 0.2,
    Quantity.FREQUENCY: 0.05,
    Quantity.TEMPERATURE: 1.5,
}
_SECONDS_PER_FARAD = 5e3
_LONGEST_TIME_CONSTANT = 3.0  # s; meters measure very large capacitors with more current, so the time has a limit


class _DialPosition:
    """A function with the errors of this specimen in each range."""

    def __init__(self, spec: FunctionSpec, seed: int) -> None:
        self.function = spec.function
        self.ranges = spec.ranges
        self.errors = tuple(SystematicError(seed, spec.function, n, scale) for n, scale in enumerate(spec.ranges))

    def fitting_range(self, value: float) -> int:
        """Return the index of the lowest range that can show ``value``; the number of ranges where none can.

        ``value`` is without noise, so that a display near the end of a range does not hunt.
        """
        if math.isinf(value):
            return len(self.ranges)
        fits = (n for n, error in enumerate(self.errors) if abs(error.counts(value)) <= self.ranges[n].max_counts)
        return next(fits, len(self.ranges))


class SimulatedMeter:
    """One meter on a bench; an `Instrument`. Its dial starts at its first function.

    Deterministic: the same spec, bench and calls give the same displays.
    """

    def __init__(self, spec: MeterSpec, bench: Bench) -> None:
        self.spec = spec
        self._bench = bench
        self._dials = {entry.function: _DialPosition(entry, spec.seed) for entry in spec.functions}
        self._dial = self._dials[spec.functions[0].function]
        self._tick = -1
        self._now = 0.0
        self._range = 0
        self._next_range_at = 0.0
        self._filtered: float | None = None
        self._last_display = self._display(0.0, self._dial, 0)

    @property
    def name(self) -> str:
        """The advertised name."""
        return self.spec.name

    @property
    def rate(self) -> float:
        """Display refreshes a second, in Hz."""
        return self.spec.rate

    @property
    def function(self) -> MeterFunction:
        """The function that the dial is at."""
        return self._dial.function

    def turn_dial(self, function: MeterFunction) -> None:
        """Turn the dial; the meter begins in the lowest range.

        Raises:
            InputError: the meter does not have that function.
        """
        if function not in self._dials:
            raise InputError(f"{self.name!r} has no function '{function}'.", f"It has {', '.join(self._dials)}.")
        if function is not self.function:
            self._dial = self._dials[function]
            self._range = 0
            self._filtered = None

    def show(self, now: float) -> DisplayState:
        """Measure and return the display at ``now``, s; it changes only when a refresh is due."""
        tick = math.floor(now * self.rate + 1e-6)  # 1e-6: a caller's sum of tenths may fall just short of its tick
        if tick > self._tick:
            self._last_display = self._refresh(now, tick)
            self._tick, self._now = tick, now
        return self._last_display

    def settled_display(self, terminals: TerminalPair | None, function: MeterFunction, now: float) -> DisplayState:
        """Return the display at rest at ``now``, s, without noise. ``terminals`` None is open leads.

        Raises:
            InputError: the meter does not have that function.
        """
        self._require(function)
        return self.display_for(
            self._open_leads_value(function)
            if terminals is None
            else self._true_value(terminals, function, now, math.inf),
            function,
            now,
        )

    def display_for(self, value: float | None, function: MeterFunction, now: float, noise: float = 0.0) -> DisplayState:
        """Return the display at rest at ``now``, s, for a true ``value`` in the base unit; None leaves it blank.

        ``noise`` is in counts of the range that fits, added before rounding (`NOISE` either way on a part).

        Raises:
            InputError: the meter does not have that function.
        """
        dial = self._require(function)
        if value is None:
            return self._display(now, dial, 0)
        fitting = dial.fitting_range(value)
        if fitting == len(dial.ranges):
            return self._display(now, dial, -1, overload=True)
        counts = dial.errors[fitting].counts(value, noise)
        most = dial.ranges[fitting].max_counts
        return self._display(now, dial, fitting, dial.ranges[fitting].display_digits(max(-most, min(most, counts))))

    def _require(self, function: MeterFunction) -> _DialPosition:
        if function not in self._dials:
            raise InputError(f"{self.name!r} has no function '{function}'.")
        return self._dials[function]

    def _refresh(self, now: float, tick: int) -> DisplayState:
        dial = self._dial
        probes = self._bench.probes(self.name)
        share = probes.contact_share(now - 1 / self.rate, now)
        value: float | None
        if probes.terminals is None or share == 0:
            value = self._open_leads_value(dial.function)
        else:
            value = self._true_value(probes.terminals, dial.function, now, now - probes.contact_start(now))
            value = _averaged_value(value, share, dial.function.quantity)
        if value is None:
            self._filtered = None
            return self._display(now, dial, self._range)
        fitting = dial.fitting_range(value)
        if not self._step_range(min(fitting, len(dial.ranges) - 1), now):
            return self._display(now, dial, self._range)
        if fitting == len(dial.ranges):
            self._filtered = None
            return self._display(now, dial, self._range, overload=True)
        error, scale = dial.errors[self._range], dial.ranges[self._range]
        filtered = self._filter(value, now)
        if abs(error.counts(filtered)) > scale.max_counts:
            return self._display(now, dial, self._range)  # still falling from a higher range
        noise = Random(f"{self.spec.seed}/{tick}").uniform(-1, 1) * (NOISE if share else OPEN_NOISE)
        counts = error.counts(filtered, noise)
        # Noise alone does not push a display over the end of its range.
        return self._display(
            now, dial, self._range, scale.display_digits(max(-scale.max_counts, min(scale.max_counts, counts)))
        )

    def _true_value(
        self, terminals: TerminalPair, function: MeterFunction, now: float, charged_for: float
    ) -> float | None:
        return self._bench.true_value(terminals, function.quantity, now, function.coupling, charged_for).value

    def _open_leads_value(self, function: MeterFunction) -> float | None:
        """Return the value with open leads, in the base unit; None for no value."""
        match function:
            case MeterFunction.RESISTANCE:
                return math.inf
            case MeterFunction.CAPACITANCE:
                return STRAY_FARADS
            case MeterFunction.TEMPERATURE:
                return self._bench.ambient
            case MeterFunction.FREQUENCY:
                return None
            case _:
                return 0.0

    def _step_range(self, target: int, now: float) -> bool:
        """Step one range towards ``target`` if a step is due; return whether ``target`` is reached."""
        if now < self._next_range_at:
            return False
        if self._range == target:
            return True
        self._range += 1 if target > self._range else -1
        self._next_range_at = now + RANGE_SECONDS
        return False

    def _filter(self, value: float, now: float) -> float:
        """Return the filtered value: first-order approach to ``value``, y += (x − y)(1 − e^(−Δt/τ))."""
        quantity = self._dial.function.quantity
        if self._filtered is None:
            # After overload or blank a capacitance starts at zero: the capacitor must be charged.
            self._filtered = 0.0 if quantity is Quantity.CAPACITANCE else value
        seconds = _TIME_CONSTANTS[quantity]
        if quantity is Quantity.CAPACITANCE:
            seconds = min(_LONGEST_TIME_CONSTANT, seconds + value * _SECONDS_PER_FARAD)
        self._filtered -= (value - self._filtered) * math.expm1(-(now - self._now) / seconds)
        return self._filtered

    # Displays

    def _display(
        self, now: float, dial: _DialPosition, number: int, digits: Decimal | None = None, *, overload: bool = False
    ) -> DisplayState:
        """Return a display in range ``number``; without digits and overload it is blank."""
        battery = max(0.0, self.spec.battery - self.spec.drain * now / 60)
        return DisplayState(
            quantity=dial.function.quantity,
            digits=digits,
            unit=dial.ranges[number].unit,
            overload=overload,
            blank=digits is None and not overload,
            coupling=dial.function.coupling,
            low_battery=battery < self.spec.low_battery_percent,
            battery_percent=math.floor(battery),
        )


def _averaged_value(value: float | None, share: float, quantity: Quantity) -> float | None:
    """Return the converter's value when the probes touched for a ``share`` (above 0 to 1) of its refresh."""
    if value is None or share == 1:
        return value
    match quantity:
        case Quantity.RESISTANCE:
            return value / share
        case Quantity.TEMPERATURE:
            return value
        case Quantity.FREQUENCY:
            return None  # cycles were missed
        case _:
            return value * share
