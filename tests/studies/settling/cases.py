"""Seeded measurements for `studies.settling.study` on the simulated bench: parts, meters, hands and radio links.

Every share and range below is our own choice of the conditions of a service call; common practice, no source.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum
from functools import cache
from random import Random

from meterlink.core.clock import Timestamp
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Amount, resolution_of
from meterlink.judge.uncertainty import AccuracyLine
from meterlink_simulators.bench import Bench
from meterlink_simulators.components import Component, Leg, Ramp, Star, Supply, Surface
from meterlink_simulators.display import DisplayState
from meterlink_simulators.meter import SimulatedMeter
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import FunctionSpec, MeterFunction, MeterSpec, Range

COUNTS = (2000, 4000, 6000, 20000, 60000)
RATES = (2.0, 4.0, 5.0, 10.0)  # refreshes a second
RAMP = 3.0  # counts a second: well over two within the detector's quiet time; a ramp must never be accepted
RAMP_SECONDS = 20.0  # time for which a ramp is observed


class MeasurementKind(StrEnum):
    """The kind of a measurement."""

    RUN_CAPACITOR = "run capacitor, 2–80 µF"
    START_CAPACITOR = "start capacitor, 80–400 µF"
    COIL = "coil, 5–30 Ω"
    WINDING = "winding, 0.5–8 Ω"
    VOLTS = "24 V and 230 V"
    MOVED = "lifted, clipped on another part"
    OVERLOAD = "too large for the meter"
    DRIFT = "drift, up to 3 counts/s"
    RAMP = "ramp, from 3 counts/s"


_KIND_WEIGHTS = {
    MeasurementKind.RUN_CAPACITOR: 32,
    MeasurementKind.START_CAPACITOR: 8,
    MeasurementKind.COIL: 14,
    MeasurementKind.WINDING: 10,
    MeasurementKind.VOLTS: 10,
    MeasurementKind.MOVED: 10,
    MeasurementKind.OVERLOAD: 2,
    MeasurementKind.DRIFT: 7,
    MeasurementKind.RAMP: 7,
}
# Resolution of each range of a 6000-count meter as a power of ten of the unit; other meters shift with their counts.
_RANGE_POWERS = {
    MeterFunction.CAPACITANCE: ("µF", (-3, -2, -1, 0)),
    MeterFunction.RESISTANCE: ("Ω", (-1, 0)),
    MeterFunction.AC_VOLTS: ("V", (-3, -2, -1, 0)),
    MeterFunction.TEMPERATURE: ("°C", (-1,)),
}
_ACCURACY = AccuracyLine(Decimal(1), Decimal(3))


@dataclass(frozen=True, slots=True)
class ProbeContact:
    """Probes on ``terminals`` from ``begin`` s to ``end`` s, bouncing for ``bounce`` s."""

    terminals: TerminalPair
    begin: float
    end: float
    bounce: float


@dataclass(slots=True, eq=False)
class MeasurementCase:
    """One meter, its probes and its link, with all events.

    ``flicker_rate`` is the probability that a reading is a count more or less than the rounded value, ``loss_rate`` the
    probability that it does not arrive. From ``disconnected[0]`` to ``disconnected[1]`` s the link is down, from
    ``blank[0]`` to ``blank[1]`` s the display is blank, until ``overload_until`` s it shows overload. ``drift_rate`` is
    the speed of the measured value in counts a second, None where it is not constant.
    """

    kind: MeasurementKind
    spec: MeterSpec
    components: tuple[Component, ...]
    function: MeterFunction
    contacts: tuple[ProbeContact, ...]
    seed: int
    drift_rate: float | None = 0.0
    flicker_rate: float = 0.0
    loss_rate: float = 0.0
    disconnected: tuple[float, float] = (0.0, 0.0)
    blank: tuple[float, float] = (0.0, 0.0)
    overload_until: float = 0.0
    bench: Bench = field(init=False)
    meter: SimulatedMeter = field(init=False)

    def __post_init__(self) -> None:
        self.bench = Bench(self.components, self.seed)
        self.meter = SimulatedMeter(self.spec, self.bench)

    @property
    def rate(self) -> float:
        """Display refreshes a second, in Hz."""
        return self.spec.rate

    @property
    def counts_allowed(self) -> float:
        """The difference to the display at rest that is not false."""
        return 1.0

    @property
    def settle_timeout(self) -> float:
        """The time in s after which a display at rest is missed."""
        return 45.0 if self.kind is MeasurementKind.OVERLOAD else 30.0

    @property
    def changing(self) -> bool:
        """Whether the measured value changes."""
        return self.drift_rate != 0

    def display_at_rest(self, contact: ProbeContact, now: float) -> DisplayState:
        """Return the display at rest for a contact, with the measured value at ``now`` s."""
        return self.meter.settled_display(contact.terminals, self.function, now)

    def drift_rate_at(self, now: float) -> float:
        """Return the speed of the measured value at ``now`` s, in counts a second."""
        if self.drift_rate is not None:
            return self.drift_rate
        (surface,) = self.components
        assert isinstance(surface, Surface)  # only a surface has no constant speed
        (scale,) = _ranges(self.function, self.spec.counts)
        return abs(surface.final - surface.temperature_at(now)) / surface.time_constant / scale.count_value

    def readings(self) -> Iterator[tuple[float, ProbeContact | None, Reading | None]]:
        """Yield ``(time, contact, reading)`` refresh by refresh, without end.

        ``time`` is in s; ``contact`` is None while the probes are in the air, ``reading`` None when it is lost.
        """
        rng = Random(f"{self.seed}/link")
        period = 1 / self.spec.rate
        phase = rng.random() * period
        waiting = list(self.contacts)
        contact: ProbeContact | None = None
        # The first two refreshes are with the probes in the air; a thermometer reads the air too, so it has none.
        before = 0 if self.function is MeterFunction.TEMPERATURE else 2
        tick = math.ceil(self.contacts[0].begin * self.spec.rate) - before
        while True:
            now = tick * period + phase
            tick += 1
            if contact is not None and now >= contact.end:
                self.bench.lift_probes(self.spec.name, contact.end)
                contact = None
            if waiting and now >= waiting[0].begin:
                contact = waiting.pop(0)
                self.bench.attach_probes(self.spec.name, contact.terminals, contact.begin, contact.bounce)
            display = self.meter.show(now)
            flickers, flicker_counts, arrives = (
                rng.random() < self.flicker_rate,
                rng.choice((-1, 1)),
                rng.random() >= self.loss_rate,
            )
            if self.disconnected[0] <= now < self.disconnected[1] or not arrives:
                yield now, contact, None
                continue
            yield now, contact, self._reading(display, now, contact, flicker_counts if flickers else 0)

    def _reading(self, display: DisplayState, now: float, contact: ProbeContact | None, flicker_counts: int) -> Reading:
        timestamp = Timestamp(0, round(now * 1e9))
        digits = display.digits
        status = Status.OVERLOAD if display.overload else Status.INVALID if display.blank else Status.OK
        if self.blank[0] <= now < self.blank[1]:
            digits, status = None, Status.INVALID
        elif contact is not None and now < self.overload_until and digits is not None:
            digits, status = None, Status.OVERLOAD
        step = None if digits is None else resolution_of(digits)
        if digits and step:  # a flicker of zero would look like a contact
            digits += flicker_counts * step
        return Reading(
            display.quantity,
            digits,
            display.unit,
            timestamp,
            status,
            display.coupling,
            step,
            low_battery=display.low_battery,
        )


def draw_case(seed: int, number: int) -> MeasurementCase:
    """Return the measurement of a seed and a number; the same two give the same measurement."""
    rng = Random(f"{seed}/{number}")
    kind = rng.choices(list(_KIND_WEIGHTS), list(_KIND_WEIGHTS.values()))[0]
    counts, rate = rng.choice(COUNTS), rng.choice(RATES)
    begin = 1 + rng.random()
    # Half of all probes are clipped without a bounce.
    bounce = rng.uniform(0, 0.8) if rng.random() < 0.5 else 0.0
    function, parts, drift_rate = _parts(kind, counts, begin, rng)
    contacts = [ProbeContact(TerminalPair(parts[0].name, *parts[0].terminals), begin, math.inf, bounce)]
    if kind is MeasurementKind.MOVED:
        end = begin + rng.uniform(0.5, 12)
        second_begin = end + rng.uniform(0.7, 3) + 1 / rate  # longer than a bounce, seen by at least two refreshes
        contacts = [
            ProbeContact(contacts[0].terminals, begin, end, bounce),
            ProbeContact(TerminalPair(parts[1].name, *parts[1].terminals), second_begin, math.inf, rng.uniform(0, 0.8)),
        ]
    spec = MeterSpec(
        name="Sanderling",
        address="C0:00:00:00:00:05",
        seed=rng.randrange(1 << 30),
        rate=rate,
        counts=counts,
        functions=(FunctionSpec(function, _ranges(function, counts)),),
        battery=rng.choice((100.0, 5.0)),
    )
    disturbance = rng.random()
    failure = begin + rng.uniform(0, 5)
    charging = kind is MeasurementKind.START_CAPACITOR and rng.random() < 0.5
    return MeasurementCase(
        kind=kind,
        spec=spec,
        components=parts,
        function=function,
        contacts=tuple(contacts),
        seed=rng.randrange(1 << 30),
        drift_rate=drift_rate,
        flicker_rate=rng.uniform(0.05, 0.4) if rng.random() < 0.2 else 0.0,
        loss_rate=rng.uniform(0, 0.1) if rng.random() < 0.3 else 0.0,
        disconnected=(failure, failure + rng.uniform(1, 6)) if disturbance < 0.08 else (0.0, 0.0),
        blank=(failure, failure + rng.uniform(0.2, 2)) if 0.08 <= disturbance < 0.16 else (0.0, 0.0),
        overload_until=begin + bounce + rng.uniform(0.3, 1.5) if charging else 0.0,
    )


def _parts(
    kind: MeasurementKind, counts: int, begin: float, rng: Random
) -> tuple[MeterFunction, tuple[Component, ...], float | None]:
    """Return ``(function, parts in the order of contact, drift rate in counts a second)``."""
    if kind is MeasurementKind.VOLTS:
        return (
            MeterFunction.AC_VOLTS,
            (_supply(rng.uniform(18, 30) if rng.random() < 0.5 else rng.uniform(190, 260)),),
            0.0,
        )
    if kind is MeasurementKind.DRIFT and rng.random() < 0.3:
        return MeterFunction.TEMPERATURE, (_warming_surface(rng),), None
    if kind in {MeasurementKind.DRIFT, MeasurementKind.RAMP}:
        return MeterFunction.AC_VOLTS, *_drifting(kind, counts, begin, rng)
    if kind is MeasurementKind.OVERLOAD:
        return MeterFunction.CAPACITANCE, (_capacitor("one", 3 * counts),), 0.0  # far above the highest range
    spans = {
        MeasurementKind.RUN_CAPACITOR: ((2, 80), ()),
        MeasurementKind.START_CAPACITOR: ((80, 400), ()),
        MeasurementKind.COIL: ((), (5, 30)),
        MeasurementKind.WINDING: ((), (0.5, 8)),
        MeasurementKind.MOVED: ((2, 80), (0.5, 30)),
    }
    farads, ohms = spans[kind]
    if farads and (not ohms or rng.random() < 0.6):
        return MeterFunction.CAPACITANCE, tuple(_capacitor(name, rng.uniform(*farads)) for name in ("one", "two")), 0.0
    return MeterFunction.RESISTANCE, tuple(_resistance(name, rng.uniform(*ohms)) for name in ("one", "two")), 0.0


def _drifting(kind: MeasurementKind, counts: int, begin: float, rng: Random) -> tuple[tuple[Supply], float]:
    sign = rng.choice((-1, 1))
    if kind is MeasurementKind.RAMP:
        speed = RAMP * math.exp(rng.uniform(0, math.log(8)))
        volts = rng.uniform(12, 15) if sign > 0 else rng.uniform(17, 19)  # stays within one range while observed
    else:
        speed = RAMP * math.exp(-rng.uniform(0, math.log(500)))
        volts = rng.uniform(18, 30)
    count = next(
        scale.count_value
        for scale in _ranges(MeterFunction.AC_VOLTS, counts)
        if volts < scale.max_counts * scale.count_value
    )
    change = sign * speed * count * RAMP_SECONDS
    return (_supply(volts, Ramp(volts, volts + 2 * change, begin, begin + 2 * RAMP_SECONDS)),), speed


def _capacitor(name: str, microfarads: float) -> Star:
    return Star(name, "compressor", {"C": Leg(), "HERM": Leg(ohms=0.05, farads=microfarads * 1e-6)})


def _resistance(name: str, ohms: float) -> Star:
    return Star(name, "control 24 V", {"A1": Leg(ohms=ohms, henries=0.03, is_winding=True), "A2": Leg()})


def _supply(volts: float, drift: Ramp | None = None) -> Supply:
    return Supply("one", "supply", ("L1", "L2"), volts, 60.0, drift=drift)


def _warming_surface(rng: Random) -> Surface:
    seconds = math.exp(rng.uniform(math.log(20), math.log(600)))
    return Surface("one", "supply", rng.uniform(20, 30), rng.uniform(30, 60), seconds)


@cache
def _ranges(function: MeterFunction, counts: int) -> tuple[Range, ...]:
    unit, powers = _RANGE_POWERS[function]
    # 20000 and 60000 counts show one decimal more than 2000 and 6000.
    finer = 1 if counts >= 20000 else 0
    return tuple(Range(Amount((counts * Decimal(1)).scaleb(power - finer), unit), _ACCURACY) for power in powers)
