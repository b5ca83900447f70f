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

from meterlink.core.clock import Stamp
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Amount, step_of
from meterlink.judge.uncertainty import AccuracyLine
from meterlink_simulators.bench import Bench
from meterlink_simulators.components import Component, Leg, Ramp, Star, Supply, Surface
from meterlink_simulators.display import Shown
from meterlink_simulators.meter import SimulatedMeter
from meterlink_simulators.probes import Clip
from meterlink_simulators.ranges import Function, FunctionSpec, MeterSpec, Range

COUNTS = (2000, 4000, 6000, 20000, 60000)
RATES = (2.0, 4.0, 5.0, 10.0)  # refreshes a second
RAMP = 3.0  # counts a second: well over two within the detector's quiet time; a ramp is never to be held
RAMP_SECONDS = 20.0  # that a ramp is watched for


class Kind(StrEnum):
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


_SHARES = {
    Kind.RUN_CAPACITOR: 32,
    Kind.START_CAPACITOR: 8,
    Kind.COIL: 14,
    Kind.WINDING: 10,
    Kind.VOLTS: 10,
    Kind.MOVED: 10,
    Kind.OVERLOAD: 2,
    Kind.DRIFT: 7,
    Kind.RAMP: 7,
}
# Resolution of each range of a 6000-count meter as a power of ten of the unit; others shift with their counts.
_UNITS = {
    Function.CAPACITANCE: ("µF", (-3, -2, -1, 0)),
    Function.RESISTANCE: ("Ω", (-1, 0)),
    Function.AC_VOLTS: ("V", (-3, -2, -1, 0)),
    Function.TEMPERATURE: ("°C", (-1,)),
}
_ACCURACY = AccuracyLine(Decimal(1), Decimal(3))


@dataclass(frozen=True, slots=True)
class Touch:
    """Probes on ``clip`` from ``at`` s to ``off`` s, bouncing for ``bounce`` s."""

    clip: Clip
    at: float
    off: float
    bounce: float


@dataclass(slots=True, eq=False)
class Case:
    """One meter, its probes and its link, with everything that will happen.

    ``flicker`` is the chance that a reading shows a count more or less than the meter measured, beyond its own half
    count; ``lost`` the chance that one does not arrive. From ``gap[0]`` to ``gap[1]`` s the link is down, from
    ``blank[0]`` to ``blank[1]`` the display is blank, until ``charged`` it shows overload. ``speed`` is how fast the
    thing measured changes, counts a second, None where it changes by its own law.
    """

    kind: Kind
    spec: MeterSpec
    components: tuple[Component, ...]
    function: Function
    touches: tuple[Touch, ...]
    seed: int
    speed: float | None = 0.0
    flicker: float = 0.0
    lost: float = 0.0
    gap: tuple[float, float] = (0.0, 0.0)
    blank: tuple[float, float] = (0.0, 0.0)
    charged: float = 0.0
    bench: Bench = field(init=False)
    meter: SimulatedMeter = field(init=False)

    def __post_init__(self) -> None:
        self.bench = Bench(self.components, self.seed)
        self.meter = SimulatedMeter(self.spec, self.bench)

    @property
    def moving(self) -> bool:
        """Whether what is measured changes."""
        return self.speed != 0

    def truth(self, touch: Touch, now: float) -> Shown:
        """Return the display at rest for a touch, things as at ``now``, s."""
        return self.meter.settled(touch.clip, self.function, now)

    def speed_at(self, now: float) -> float:
        """Return how fast the thing measured changes at ``now``, counts a second."""
        if self.speed is not None:
            return self.speed
        (surface,) = self.components
        assert isinstance(surface, Surface)  # the only one without a constant speed
        (scale,) = _ranges(self.function, self.spec.counts)
        return abs(surface.final - surface.celsius(now)) / surface.seconds / scale.count

    def readings(self) -> Iterator[tuple[float, Touch | None, Reading | None]]:
        """Yield, refresh by refresh for ever: when, s, on what the probes are, and the reading where one arrives."""
        rng = Random(f"{self.seed}/link")
        period = 1 / self.spec.rate
        phase = rng.random() * period
        waiting = list(self.touches)
        touch: Touch | None = None
        # Two refreshes with the probes in the air come first; air has a temperature too, which is nothing to wait for.
        before = 0 if self.function is Function.TEMPERATURE else 2
        tick = math.ceil(self.touches[0].at * self.spec.rate) - before
        while True:
            now = tick * period + phase
            tick += 1
            if touch is not None and now >= touch.off:
                self.bench.lift(self.spec.name, touch.off)
                touch = None
            if waiting and now >= waiting[0].at:
                touch = waiting.pop(0)
                self.bench.clip(self.spec.name, touch.clip, touch.at, touch.bounce)
            shown = self.meter.show(now)
            flickers, by, arrives = rng.random() < self.flicker, rng.choice((-1, 1)), rng.random() >= self.lost
            if self.gap[0] <= now < self.gap[1] or not arrives:
                yield now, touch, None
                continue
            yield now, touch, self._reading(shown, now, touch, by if flickers else 0)

    def _reading(self, shown: Shown, now: float, touch: Touch | None, by: int) -> Reading:
        stamp = Stamp(0, round(now * 1e9))
        digits = shown.digits
        status = Status.OVERLOAD if shown.overload else Status.INVALID if shown.blank else Status.OK
        if self.blank[0] <= now < self.blank[1]:
            digits, status = None, Status.INVALID
        elif touch is not None and now < self.charged and digits is not None:
            digits, status = None, Status.OVERLOAD
        step = None if digits is None else step_of(digits)
        if digits and step:  # a flickering nought would be no flicker but a touch
            digits += by * step
        return Reading(
            shown.quantity, digits, shown.unit, stamp, status, shown.coupling, step, low_battery=shown.low_battery
        )


def case(seed: int, number: int) -> Case:
    """Return the measurement of that number; the same seed and number give the same one."""
    rng = Random(f"{seed}/{number}")
    kind = rng.choices(list(_SHARES), list(_SHARES.values()))[0]
    counts, rate = rng.choice(COUNTS), rng.choice(RATES)
    at = 1 + rng.random()
    # Half of all probes are clipped without a bounce.
    bounce = rng.uniform(0, 0.8) if rng.random() < 0.5 else 0.0
    function, parts, speed = _parts(kind, counts, at, rng)
    touches = [Touch(Clip(parts[0].name, *parts[0].terminals), at, math.inf, bounce)]
    if kind is Kind.MOVED:
        off = at + rng.uniform(0.5, 12)
        again = off + rng.uniform(0.7, 3) + 1 / rate  # longer than a bounce, seen by at least two refreshes
        touches = [
            Touch(touches[0].clip, at, off, bounce),
            Touch(Clip(parts[1].name, *parts[1].terminals), again, math.inf, rng.uniform(0, 0.8)),
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
    charging = kind is Kind.START_CAPACITOR and rng.random() < 0.5
    return Case(
        kind=kind,
        spec=spec,
        components=parts,
        function=function,
        touches=tuple(touches),
        seed=rng.randrange(1 << 30),
        speed=speed,
        flicker=rng.uniform(0.05, 0.4) if rng.random() < 0.2 else 0.0,
        lost=rng.uniform(0, 0.1) if rng.random() < 0.3 else 0.0,
        gap=(begin, begin + rng.uniform(1, 6)) if trouble < 0.08 else (0.0, 0.0),
        blank=(begin, begin + rng.uniform(0.2, 2)) if 0.08 <= trouble < 0.16 else (0.0, 0.0),
        charged=at + bounce + rng.uniform(0.3, 1.5) if charging else 0.0,
    )


def _parts(kind: Kind, counts: int, at: float, rng: Random) -> tuple[Function, tuple[Component, ...], float | None]:
    """Return the function, the parts in the order of the touches, and the speed, counts a second."""
    if kind is Kind.VOLTS:
        return Function.AC_VOLTS, (_supply(rng.uniform(18, 30) if rng.random() < 0.5 else rng.uniform(190, 260)),), 0.0
    if kind is Kind.DRIFT and rng.random() < 0.3:
        return Function.TEMPERATURE, (_warming(rng),), None
    if kind in {Kind.DRIFT, Kind.RAMP}:
        return Function.AC_VOLTS, *_drifting(kind, counts, at, rng)
    if kind is Kind.OVERLOAD:
        return Function.CAPACITANCE, (_capacitor("one", 3 * counts),), 0.0  # the highest range ends far below
    spans = {
        Kind.RUN_CAPACITOR: ((2, 80), ()),
        Kind.START_CAPACITOR: ((80, 400), ()),
        Kind.COIL: ((), (5, 30)),
        Kind.WINDING: ((), (0.5, 8)),
        Kind.MOVED: ((2, 80), (0.5, 30)),
    }
    farads, ohms = spans[kind]
    if farads and (not ohms or rng.random() < 0.6):
        return Function.CAPACITANCE, tuple(_capacitor(name, rng.uniform(*farads)) for name in ("one", "two")), 0.0
    return Function.RESISTANCE, tuple(_resistance(name, rng.uniform(*ohms)) for name in ("one", "two")), 0.0


def _drifting(kind: Kind, counts: int, at: float, rng: Random) -> tuple[tuple[Supply], float]:
    way = rng.choice((-1, 1))
    if kind is Kind.RAMP:
        speed = RAMP * math.exp(rng.uniform(0, math.log(8)))
        volts = rng.uniform(12, 15) if way > 0 else rng.uniform(17, 19)  # to stay within one range while watched
    else:
        speed = RAMP * math.exp(-rng.uniform(0, math.log(500)))
        volts = rng.uniform(18, 30)
    count = next(scale.count for scale in _ranges(Function.AC_VOLTS, counts) if volts < scale.most * scale.count)
    change = way * speed * count * RAMP_SECONDS
    return (_supply(volts, Ramp(volts, volts + 2 * change, at, at + 2 * RAMP_SECONDS)),), speed


def _capacitor(name: str, microfarads: float) -> Star:
    return Star(name, "compressor", {"C": Leg(), "HERM": Leg(ohms=0.05, farads=microfarads * 1e-6)})


def _resistance(name: str, ohms: float) -> Star:
    return Star(name, "control 24 V", {"A1": Leg(ohms=ohms, henries=0.03, wound=True), "A2": Leg()})


def _supply(volts: float, drift: Ramp | None = None) -> Supply:
    return Supply("one", "supply", ("L1", "L2"), volts, 60.0, drift=drift)


def _warming(rng: Random) -> Surface:
    seconds = math.exp(rng.uniform(math.log(20), math.log(600)))
    return Surface("one", "supply", rng.uniform(20, 30), rng.uniform(30, 60), seconds)


@cache
def _ranges(function: Function, counts: int) -> tuple[Range, ...]:
    unit, powers = _UNITS[function]
    # 20000 and 60000 counts show one place more than 2000 and 6000.
    finer = 1 if counts >= 20000 else 0
    return tuple(Range(Amount((counts * Decimal(1)).scaleb(power - finer), unit), _ACCURACY) for power in powers)
