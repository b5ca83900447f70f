"""Seeded measurements for `settling_study`: parts, meters, hands and radio links as they come, on the simulated bench.

Every share and range below is our own choice of what a service call may meet; common practice, no source.
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
RAMP = 3.0  # counts a second: well over two within the detector's quiet time; a ramp is never to be held
RAMP_SECONDS = 20.0  # that a ramp is watched for


class MeasurementKind(StrEnum):
    """What is measured."""

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
# Resolution of each range of a 6000-count meter as a power of ten of the unit; others shift with their counts.
_RANGE_POWERS = {
    MeterFunction.CAPACITANCE: ("µF", (-3, -2, -1, 0)),
    MeterFunction.RESISTANCE: ("Ω", (-1, 0)),
    MeterFunction.AC_VOLTS: ("V", (-3, -2, -1, 0)),
    MeterFunction.TEMPERATURE: ("°C", (-1,)),
}
_ACCURACY = AccuracyLine(Decimal(1), Decimal(3))


@dataclass(frozen=True, slots=True)
class ProbeContact:
    """Probes on ``clip`` from ``at`` s to ``off`` s, bouncing for ``bounce`` s."""

    terminals: TerminalPair
    begin: float
    end: float
    bounce: float


@dataclass(slots=True, eq=False)
class MeasurementCase:
    """One meter, its probes and its link, with everything that will happen.

    ``flicker`` is the chance that a reading shows a count more or less than the meter measured, beyond its own half
    count; ``lost`` the chance that one does not arrive. From ``gap[0]`` to ``gap[1]`` s the link is down, from
    ``blank[0]`` to ``blank[1]`` the display is blank, until ``charged`` it shows overload. ``speed`` is how fast the
    thing measured changes, counts a second, None where it changes by its own law.
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
    def changing(self) -> bool:
        """Whether what is measured changes."""
        return self.drift_rate != 0

    def display_at_rest(self, contact: ProbeContact, now: float) -> DisplayState:
        """Return the display at rest for a touch, things as at ``now``, s."""
        return self.meter.settled_display(contact.terminals, self.function, now)

    def drift_rate_at(self, now: float) -> float:
        """Return how fast the thing measured changes at ``now``, counts a second."""
        if self.drift_rate is not None:
            return self.drift_rate
        (surface,) = self.components
        assert isinstance(surface, Surface)  # the only one without a constant speed
        (scale,) = _ranges(self.function, self.spec.counts)
        return abs(surface.final - surface.temperature_at(now)) / surface.time_constant / scale.count_value

    def readings(self) -> Iterator[tuple[float, ProbeContact | None, Reading | None]]:
        """Yield, refresh by refresh for ever: when, s, on what the probes are, and the reading where one arrives."""
        rng = Random(f"{self.seed}/link")
        period = 1 / self.spec.rate
        phase = rng.random() * period
        waiting = list(self.contacts)
        touch: ProbeContact | None = None
        # Two refreshes with the probes in the air come first; air has a temperature too, which is nothing to wait for.
        before = 0 if self.function is MeterFunction.TEMPERATURE else 2
        tick = math.ceil(self.contacts[0].begin * self.spec.rate) - before
        while True:
            now = tick * period + phase
            tick += 1
            if touch is not None and now >= touch.end:
                self.bench.lift_probes(self.spec.name, touch.end)
                touch = None
            if waiting and now >= waiting[0].begin:
                touch = waiting.pop(0)
                self.bench.attach_probes(self.spec.name, touch.terminals, touch.begin, touch.bounce)
            shown = self.meter.show(now)
            flickers, by, arrives = (
                rng.random() < self.flicker_rate,
                rng.choice((-1, 1)),
                rng.random() >= self.loss_rate,
            )
            if self.disconnected[0] <= now < self.disconnected[1] or not arrives:
                yield now, touch, None
                continue
            yield now, touch, self._reading(shown, now, touch, by if flickers else 0)

    def _reading(self, shown: DisplayState, now: float, contact: ProbeContact | None, flicker_counts: int) -> Reading:
        stamp = Timestamp(0, round(now * 1e9))
        digits = shown.digits
        status = Status.OVERLOAD if shown.overload else Status.INVALID if shown.blank else Status.OK
        if self.blank[0] <= now < self.blank[1]:
            digits, status = None, Status.INVALID
        elif contact is not None and now < self.overload_until and digits is not None:
            digits, status = None, Status.OVERLOAD
        step = None if digits is None else resolution_of(digits)
        if digits and step:  # a flickering nought would be no flicker but a touch
            digits += flicker_counts * step
        return Reading(
            shown.quantity, digits, shown.unit, stamp, status, shown.coupling, step, low_battery=shown.low_battery
        )


def draw_case(seed: int, number: int) -> MeasurementCase:
    """Return the measurement of that number; the same seed and number give the same one."""
    rng = Random(f"{seed}/{number}")
    kind = rng.choices(list(_KIND_WEIGHTS), list(_KIND_WEIGHTS.values()))[0]
    counts, rate = rng.choice(COUNTS), rng.choice(RATES)
    at = 1 + rng.random()
    # Half of all probes are clipped without a bounce.
    bounce = rng.uniform(0, 0.8) if rng.random() < 0.5 else 0.0
    function, parts, speed = _parts(kind, counts, at, rng)
    touches = [ProbeContact(TerminalPair(parts[0].name, *parts[0].terminals), at, math.inf, bounce)]
    if kind is MeasurementKind.MOVED:
        off = at + rng.uniform(0.5, 12)
        again = off + rng.uniform(0.7, 3) + 1 / rate  # longer than a bounce, seen by at least two refreshes
        touches = [
            ProbeContact(touches[0].terminals, at, off, bounce),
            ProbeContact(TerminalPair(parts[1].name, *parts[1].terminals), again, math.inf, rng.uniform(0, 0.8)),
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
    trouble = rng.random()
    begin = at + rng.uniform(0, 5)
    charging = kind is MeasurementKind.START_CAPACITOR and rng.random() < 0.5
    return MeasurementCase(
        kind=kind,
        spec=spec,
        components=parts,
        function=function,
        contacts=tuple(touches),
        seed=rng.randrange(1 << 30),
        drift_rate=speed,
        flicker_rate=rng.uniform(0.05, 0.4) if rng.random() < 0.2 else 0.0,
        loss_rate=rng.uniform(0, 0.1) if rng.random() < 0.3 else 0.0,
        disconnected=(begin, begin + rng.uniform(1, 6)) if trouble < 0.08 else (0.0, 0.0),
        blank=(begin, begin + rng.uniform(0.2, 2)) if 0.08 <= trouble < 0.16 else (0.0, 0.0),
        overload_until=at + bounce + rng.uniform(0.3, 1.5) if charging else 0.0,
    )


def _parts(
    kind: MeasurementKind, counts: int, at: float, rng: Random
) -> tuple[MeterFunction, tuple[Component, ...], float | None]:
    """Return the function, the parts in the order of the touches, and the speed, counts a second."""
    if kind is MeasurementKind.VOLTS:
        return (
            MeterFunction.AC_VOLTS,
            (_supply(rng.uniform(18, 30) if rng.random() < 0.5 else rng.uniform(190, 260)),),
            0.0,
        )
    if kind is MeasurementKind.DRIFT and rng.random() < 0.3:
        return MeterFunction.TEMPERATURE, (_warming_surface(rng),), None
    if kind in {MeasurementKind.DRIFT, MeasurementKind.RAMP}:
        return MeterFunction.AC_VOLTS, *_drifting(kind, counts, at, rng)
    if kind is MeasurementKind.OVERLOAD:
        return MeterFunction.CAPACITANCE, (_capacitor("one", 3 * counts),), 0.0  # the highest range ends far below
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


def _drifting(kind: MeasurementKind, counts: int, at: float, rng: Random) -> tuple[tuple[Supply], float]:
    way = rng.choice((-1, 1))
    if kind is MeasurementKind.RAMP:
        speed = RAMP * math.exp(rng.uniform(0, math.log(8)))
        volts = rng.uniform(12, 15) if way > 0 else rng.uniform(17, 19)  # to stay within one range while watched
    else:
        speed = RAMP * math.exp(-rng.uniform(0, math.log(500)))
        volts = rng.uniform(18, 30)
    count = next(
        scale.count_value
        for scale in _ranges(MeterFunction.AC_VOLTS, counts)
        if volts < scale.max_counts * scale.count_value
    )
    change = way * speed * count * RAMP_SECONDS
    return (_supply(volts, Ramp(volts, volts + 2 * change, at, at + 2 * RAMP_SECONDS)),), speed


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
    # 20000 and 60000 counts show one place more than 2000 and 6000.
    finer = 1 if counts >= 20000 else 0
    return tuple(Range(Amount((counts * Decimal(1)).scaleb(power - finer), unit), _ACCURACY) for power in powers)
