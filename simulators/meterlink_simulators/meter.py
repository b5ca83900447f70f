"""A simulated meter: the bench's truth as a display shows it, with the habits that make settled readings hard to tell.

It refreshes at its rate, is off by its specimen's fixed error, flickers by part of a count, hunts for its range with a
blank display, creeps up on a capacitance, averages what bouncing probes let through, and runs out of battery.
"""

import math
from decimal import Decimal
from random import Random

from meterlink.core.errors import InputError
from meterlink.core.units import Quantity
from meterlink_simulators.bench import Bench
from meterlink_simulators.display import Shown
from meterlink_simulators.probes import Clip
from meterlink_simulators.ranges import (
    NOISE,
    OPEN_NOISE,
    STRAY_FARADS,
    FixedError,
    Function,
    FunctionSpec,
    MeterSpec,
)

# Blank display while changing range by one, s. Common practice, no source.
RANGE_SECONDS = 0.2
# Time constants of the creep to the final display, s. A capacitance needs charging: some seconds for 50 µF to come to
# rest within a count of 6000, ln(6000) ≈ 9 time constants. A thermocouple bead takes longest.
# Common practice, no source.
_SECONDS = {
    Quantity.VOLTAGE: 0.1,
    Quantity.CURRENT: 0.15,
    Quantity.RESISTANCE: 0.05,
    Quantity.CAPACITANCE: 0.2,
    Quantity.FREQUENCY: 0.05,
    Quantity.TEMPERATURE: 1.5,
}
_SECONDS_PER_FARAD = 5e3
_MOST_CREEP = 3.0  # s; meters measure very large capacitors with more current, so the time does not grow for ever


class _Dial:
    """A function with the errors of this specimen in each range."""

    def __init__(self, spec: FunctionSpec, seed: int) -> None:
        self.function = spec.function
        self.ranges = spec.ranges
        self.errors = tuple(FixedError(seed, spec.function, n, scale) for n, scale in enumerate(spec.ranges))

    def fitting(self, value: float) -> int:
        """Return the lowest range that can show ``value``, or the number of ranges where none can.

        Decided by the value without noise, so that a display near the end of a range does not hunt to and fro.
        """
        if math.isinf(value):
            return len(self.ranges)
        fits = (n for n, error in enumerate(self.errors) if abs(error.counts(value)) <= self.ranges[n].most)
        return next(fits, len(self.ranges))


class SimulatedMeter:
    """One meter on a bench; an `Instrument`. Its dial starts at its first function.

    Deterministic: the same spec, bench and calls give the same displays.
    """

    def __init__(self, spec: MeterSpec, bench: Bench) -> None:
        self.spec = spec
        self._bench = bench
        self._dials = {entry.function: _Dial(entry, spec.seed) for entry in spec.functions}
        self._dial = self._dials[spec.functions[0].function]
        self._tick = -1
        self._now = 0.0
        self._range = 0
        self._next_range_at = 0.0
        self._crept: float | None = None
        self._shown = self._display(0.0, self._dial, 0)

    @property
    def name(self) -> str:
        """What it advertises."""
        return self.spec.name

    @property
    def rate(self) -> float:
        """Display refreshes a second, in Hz."""
        return self.spec.rate

    @property
    def function(self) -> Function:
        """Where the dial is."""
        return self._dial.function

    def turn(self, function: Function) -> None:
        """Turn the dial; the lowest range comes first. InputError for a function it does not have."""
        if function not in self._dials:
            raise InputError(f"{self.name!r} has no function '{function}'.", f"It has {', '.join(self._dials)}.")
        if function is not self.function:
            self._dial = self._dials[function]
            self._range = 0
            self._crept = None

    def show(self, now: float) -> Shown:
        """Measure and return what the display shows at ``now``, s; the same until the next refresh is due."""
        tick = math.floor(now * self.rate + 1e-6)  # a caller's sum of tenths falls just short of the tick it means
        if tick > self._tick:
            self._shown = self._refresh(now, tick)
            self._tick, self._now = tick, now
        return self._shown

    def settled(self, clip: Clip | None, function: Function, now: float) -> Shown:
        """Return the display at rest: probes on ``clip`` (None: on nothing) for ever, no noise, things as at ``now``.

        InputError for a function it does not have.
        """
        if function not in self._dials:
            raise InputError(f"{self.name!r} has no function '{function}'.")
        dial = self._dials[function]
        value = self._open(function) if clip is None else self._measured(clip, function, now, math.inf)
        if value is None:
            return self._display(now, dial, 0)
        fitting = dial.fitting(value)
        if fitting == len(dial.ranges):
            return self._display(now, dial, -1, overload=True)
        return self._display(now, dial, fitting, dial.ranges[fitting].digits(dial.errors[fitting].counts(value)))

    def _refresh(self, now: float, tick: int) -> Shown:
        dial = self._dial
        probes = self._bench.probes(self.name)
        share = probes.share(now - 1 / self.rate, now)
        value: float | None
        if probes.clip is None or share == 0:
            value = self._open(dial.function)
        else:
            value = self._measured(probes.clip, dial.function, now, now - probes.touched(now))
            value = _averaged(value, share, dial.function.quantity)
        if value is None:
            self._crept = None
            return self._display(now, dial, self._range)
        fitting = dial.fitting(value)
        if not self._ranged(min(fitting, len(dial.ranges) - 1), now):
            return self._display(now, dial, self._range)
        if fitting == len(dial.ranges):
            self._crept = None
            return self._display(now, dial, self._range, overload=True)
        error, scale = dial.errors[self._range], dial.ranges[self._range]
        crept = self._creep(value, now)
        if abs(error.counts(crept)) > scale.most:
            return self._display(now, dial, self._range)  # still falling from a higher range
        noise = Random(f"{self.spec.seed}/{tick}").uniform(-1, 1) * (NOISE if share else OPEN_NOISE)
        counts = error.counts(crept, noise)
        # Noise alone does not push a display over the end of its range.
        return self._display(now, dial, self._range, scale.digits(max(-scale.most, min(scale.most, counts))))

    def _measured(self, clip: Clip, function: Function, now: float, charged_for: float) -> float | None:
        return self._bench.truth(clip, function.quantity, now, function.coupling, charged_for).value

    def _open(self, function: Function) -> float | None:
        """Return what a meter measures with its probes on nothing, in base units."""
        match function:
            case Function.RESISTANCE:
                return math.inf
            case Function.CAPACITANCE:
                return STRAY_FARADS
            case Function.TEMPERATURE:
                return self._bench.ambient
            case Function.FREQUENCY:
                return None
            case _:
                return 0.0

    def _ranged(self, wanted: int, now: float) -> bool:
        """Step one range towards the one wanted where a step is due; return whether it has been reached."""
        if now < self._next_range_at:
            return False
        if self._range == wanted:
            return True
        self._range += 1 if wanted > self._range else -1
        self._next_range_at = now + RANGE_SECONDS
        return False

    def _creep(self, value: float, now: float) -> float:
        """Return where the display has got to: first-order approach to ``value``, y += (x − y)(1 − e^(−Δt/τ))."""
        quantity = self._dial.function.quantity
        if self._crept is None:
            # The first conversion after overload or blank starts from nothing where something must be charged.
            self._crept = 0.0 if quantity is Quantity.CAPACITANCE else value
        seconds = _SECONDS[quantity]
        if quantity is Quantity.CAPACITANCE:
            seconds = min(_MOST_CREEP, seconds + value * _SECONDS_PER_FARAD)
        self._crept -= (value - self._crept) * math.expm1(-(now - self._now) / seconds)
        return self._crept

    # Displays

    def _display(
        self, now: float, dial: _Dial, number: int, digits: Decimal | None = None, *, overload: bool = False
    ) -> Shown:
        """Return a display in range ``number``: digits, overload, or neither, which is blank."""
        battery = max(0.0, self.spec.battery - self.spec.drain * now / 60)
        return Shown(
            quantity=dial.function.quantity,
            digits=digits,
            unit=dial.ranges[number].unit,
            overload=overload,
            blank=digits is None and not overload,
            coupling=dial.function.coupling,
            low_battery=battery < self.spec.low_below,
            battery_percent=math.floor(battery),
        )


def _averaged(value: float | None, share: float, quantity: Quantity) -> float | None:
    """Return what a converter makes of probes that touched for a ``share`` (above 0 to 1) of its refresh."""
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
