"""Seeded sequences of displays for `studies.settling.study`: displays of parts that the bench has not.

Few counts and pick-up, alternating last digits, slow temperatures, starts of motors, capacitors that charge. Every
share and range below is our own choice of the conditions of a service call; common practice, no source.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum
from random import Random

from meterlink.core.clock import Timestamp
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Quantity, quantity_of
from meterlink_simulators.display import DisplayState
from meterlink_simulators.probes import TerminalPair
from studies.settling.cases import ProbeContact

_PLACE = TerminalPair("part", "one", "two")
_NEVER = math.nan  # the value at rest of a sequence in which nothing is to be accepted
NOISE = 0.3  # counts either way before rounding


class SequenceKind(StrEnum):
    """The kind of a sequence."""

    FEW_AMPS = "few counts of amps"
    FEW_VOLTS = "few volts across contacts"
    PICK_UP = "leads in the air, pick-up"
    ALTERNATING = "last digit alternates"
    TEMPERATURE = "slow temperature"
    MOTOR_START = "start of a motor"
    CHARGING_OVERLOAD = "overload, then a large capacitor"
    CHARGING_OHMS = "ohms across a capacitor"


Shown = Callable[[float, Random], float | None]


@dataclass(slots=True, eq=False)
class SequenceCase:
    """One contact from ``begin`` s on, as a display shows it.

    ``shown`` returns the value on the display at a time after the contact (s), before noise and rounding; None for an
    overload. Before the contact the display shows ``open_shown`` (None: nothing arrives). ``at_rest`` is the value at
    rest, nan if nothing is to be accepted. ``counts_allowed`` is the difference that is not false.
    """

    kind: SequenceKind
    seed: int
    rate: float
    unit: str
    step: Decimal
    shown: Shown
    at_rest: float
    counts_allowed: float = 1.0
    open_shown: Shown | None = None
    step_of: Callable[[float], Decimal] | None = None
    noise: float = NOISE
    loss_rate: float = 0.0
    settle_timeout: float = 30.0
    flicker_rate: float = 0.0
    begin: float = 1.5
    contacts: tuple[ProbeContact, ...] = field(init=False)

    def __post_init__(self) -> None:
        self.contacts = (ProbeContact(_PLACE, self.begin, math.inf, 0.0),)

    @property
    def quantity(self) -> Quantity:
        """The measured quantity."""
        return quantity_of(self.unit)

    @property
    def changing(self) -> bool:
        """Whether nothing is to be accepted, so that nothing is missed either."""
        return math.isnan(self.at_rest)

    @property
    def drift_rate(self) -> float:
        """The speed of the value at rest, in counts a second."""
        return 0.0

    def drift_rate_at(self, now: float) -> float:  # noqa: ARG002  # as in `MeasurementCase`
        """Return the speed of the value at rest, in counts a second."""
        return self.drift_rate

    def display_at_rest(self, contact: ProbeContact, now: float) -> DisplayState:  # noqa: ARG002  # as above
        """Return the display at rest; blank if nothing is to be accepted."""
        if self.changing:
            return DisplayState(self.quantity, None, self.unit, blank=True)
        return DisplayState(self.quantity, self._rounded(self.at_rest), self.unit)

    def _rounded(self, value: float) -> Decimal:
        step = self.step_of(value) if self.step_of else self.step
        return math.floor(value / float(step) + 0.5) * step

    def readings(self) -> Iterator[tuple[float, ProbeContact | None, Reading | None]]:
        """Yield ``(time, contact, reading)`` as `MeasurementCase.readings` does."""
        rng = Random(f"{self.seed}/sequence")
        (contact,) = self.contacts
        phase = rng.random() / self.rate
        for tick in range(10**6):
            now = tick / self.rate + phase
            touching = now >= self.begin
            shown = self.shown if touching else self.open_shown
            lost = rng.random() < self.loss_rate
            if shown is None or lost:
                yield now, contact if touching else None, None
                continue
            value = shown(now - self.begin, rng)
            timestamp = Timestamp(0, round(now * 1e9))
            if value is None:
                reading = Reading(self.quantity, None, self.unit, timestamp, Status.OVERLOAD)
            else:
                step = self.step_of(value) if self.step_of else self.step
                noise = rng.uniform(-self.noise, self.noise) * float(step)
                digits = math.floor((value + noise) / float(step) + 0.5) * step
                reading = Reading(self.quantity, digits, self.unit, timestamp, resolution=step)
            yield now, contact if touching else None, reading


def draw_sequence(seed: int, number: int) -> SequenceCase:
    """Return the sequence of a seed and a number; the same two give the same sequence."""
    rng = Random(f"{seed}/{number}/sequence")
    kind = list(SequenceKind)[number % len(SequenceKind)]
    case = _MAKERS[kind](kind, rng)
    case.loss_rate = rng.uniform(0, 0.1) if rng.random() < 0.2 else 0.0
    return case


def _rate(rng: Random) -> float:
    return rng.choice((2.0, 3.0, 4.0, 5.0, 10.0))


def _approach(start: float, end: float, seconds: float) -> Shown:
    """Return a first-order approach."""
    return lambda now, _: end + (start - end) * math.exp(-now / seconds)


def _constant(value: float) -> Shown:
    return lambda _now, _rng: value


def _few_amps(kind: SequenceKind, rng: Random) -> SequenceCase:
    step = rng.choice((Decimal("0.1"), Decimal("0.01")))
    stray = rng.uniform(0, 2) * float(step)
    amps = rng.uniform(stray / float(step) + 4.5, 10) * float(step)
    shown, air = _approach(stray, amps, rng.uniform(0.05, 0.3)), _constant(stray)
    return SequenceCase(
        kind, rng.randrange(1 << 30), _rate(rng), "A", step, shown, amps, open_shown=air, settle_timeout=60.0
    )


def _few_volts(kind: SequenceKind, rng: Random) -> SequenceCase:
    step = rng.choice((Decimal("0.1"), Decimal("0.01"), Decimal("0.001")))
    stray = rng.uniform(0, 2) * float(step)
    # Three times the display of the leads in the air, and a count more each for noise and rounding.
    least = max(3 * (stray + float(step)) + float(step), 0.02 if step < Decimal("0.01") else 0.12)
    volts = math.exp(rng.uniform(math.log(least), math.log(max(1.2, 2 * least))))
    shown, air = _approach(stray, volts, rng.uniform(0.05, 0.2)), _constant(stray)
    return SequenceCase(kind, rng.randrange(1 << 30), _rate(rng), "V", step, shown, volts, open_shown=air)


def _pick_up(kind: SequenceKind, rng: Random) -> SequenceCase:
    """Return leads in the air: a level that the hand moves and leaves, after a contact or from the start."""
    step, unit = rng.choice(
        ((Decimal("0.1"), "V"), (Decimal("0.01"), "V"), (Decimal("0.001"), "V"), (Decimal("0.1"), "mV"))
    )
    level = math.exp(rng.uniform(math.log(0.004), math.log(0.9))) * (1000 if unit == "mV" else 1)
    most = 2.5 * (1000 if unit == "mV" else 1)  # little more than a hand-held lead picks up
    moving, spread = rng.random() < 0.7, rng.uniform(0.1, 0.6)
    seed = rng.randrange(1 << 30)
    period = rng.uniform(0.5, 4)  # s from one movement of the hand to the next
    lifted_from = rng.uniform(20, 250) if unit == "V" and rng.random() < 0.5 else None

    def shown(now: float, _: Random) -> float:
        if not moving:
            return level
        share = now / period
        before, after = (Random(f"{seed}/{math.floor(share) + n}").gauss(0, spread) for n in (0, 1))
        slide = min(1.0, (share - math.floor(share)) * period / 0.7)  # the hand takes 0.7 s, then rests
        return min(level * math.exp(before + (after - before) * slide), most)

    air = None if lifted_from is None else _constant(lifted_from)
    return SequenceCase(kind, seed, _rate(rng), unit, step, shown, _NEVER, open_shown=air, noise=rng.choice((0.3, 1.5)))


def _alternating(kind: SequenceKind, rng: Random) -> SequenceCase:
    unit, step = rng.choice((("µF", "0.01"), ("µF", "0.1"), ("V", "0.1"), ("Ω", "0.1"), ("A", "0.1")))
    counts = rng.randrange(50, 5000)
    rate = _rate(rng)
    pattern = rng.choice(
        ((0, 1), (0, 0, 1), (0, 1, 1), (0, 0, 0, 1), (0, 0, 1, 1), (0, 0, 0, 0, 0, 1), (1, 0, 1, 0, 0))
    )
    size = float(Decimal(step))

    def shown(now: float, _: Random) -> float:
        return (counts + pattern[math.floor(now * rate) % len(pattern)]) * size

    return SequenceCase(
        kind, rng.randrange(1 << 30), rate, unit, Decimal(step), shown, counts * size, noise=0.0, begin=0.2 / rate
    )


def _temperature(kind: SequenceKind, rng: Random) -> SequenceCase:
    unit, step = rng.choice((("°C", "0.1"), ("°F", "0.1"), ("°C", "1"), ("°F", "1")))
    start, end = rng.uniform(15, 35), rng.uniform(-10, 60)
    slow = math.exp(rng.uniform(math.log(2), math.log(60)))  # s
    fast, share = slow * rng.uniform(0.05, 0.4), rng.choice((0.0, rng.uniform(0.3, 0.9)))  # of a second time constant
    scale = 1.8 if unit == "°F" else 1.0

    def shown(now: float, _: Random) -> float:
        left = share * math.exp(-now / fast) + (1 - share) * math.exp(-now / slow)
        return scale * (end + (start - end) * left)

    left = max(1.0, round(0.3 * scale / float(Decimal(step))))
    return SequenceCase(
        kind, rng.randrange(1 << 30), rng.choice((1.0, 2.0, 4.0)), unit, Decimal(step), shown, scale * end,
        counts_allowed=left, settle_timeout=300.0, begin=0.0,
    )  # fmt: skip


def _motor_start(kind: SequenceKind, rng: Random) -> SequenceCase:
    step = rng.choice((Decimal("0.1"), Decimal("0.01")))
    amps = math.exp(rng.uniform(math.log(5 * float(step)), math.log(30)))
    inrush = amps * rng.uniform(3, 7)
    lasts = math.exp(rng.uniform(math.log(0.05), math.log(1.2)))  # s: cycles to a second
    above = rng.uniform(0.0, 0.25)  # of the running current, when the motor has just run up
    settles = math.exp(rng.uniform(math.log(2), math.log(60)))  # s
    rate = rng.choice((2.0, 3.0, 4.0))
    averaged = 1 / rate  # s over which the clamp measures: all the time
    full_scale = rng.choice((60.0, 400.0))

    def shown(now: float, _: Random) -> float | None:
        locked = max(0.0, min(lasts, now) - max(0.0, now - averaged)) / averaged if now < lasts + averaged else 0.0
        running = amps * (1 + above * math.exp(-now / settles))
        value = (
            math.hypot(inrush * math.sqrt(locked), running) if now > averaged else inrush * math.sqrt(now / averaged)
        )
        return None if value > full_scale else value

    return SequenceCase(
        kind, rng.randrange(1 << 30), rate, "A", step, shown, amps,
        counts_allowed=max(2.0, 0.02 * amps / float(step)), open_shown=_constant(0.0), settle_timeout=300.0,
    )  # fmt: skip


def _charging_overload(kind: SequenceKind, rng: Random) -> SequenceCase:
    microfarads, overloaded = rng.uniform(80, 1500), rng.uniform(0.5, 25)
    step = Decimal("0.1") if microfarads < 600 else Decimal(1)
    creep = _approach(0.6 * microfarads, microfarads, rng.uniform(0.2, 3))

    def shown(now: float, source: Random) -> float | None:
        return None if now < overloaded else creep(now - overloaded, source)

    return SequenceCase(
        kind, rng.randrange(1 << 30), _rate(rng), "µF", step, shown, microfarads, open_shown=_constant(0.0)
    )


def _charging_ohms(kind: SequenceKind, rng: Random) -> SequenceCase:
    """Return the ohms across a capacitor, with a bleeder across it or without."""
    farads = math.exp(rng.uniform(math.log(2e-6), math.log(1e-3)))
    bleeder = rng.choice((math.inf, rng.uniform(5e3, min(50e3, 10 / farads))))  # a bleeder has 10 s, or little more
    counts = rng.choice((2000, 4000, 6000, 20000))
    full_scale = rng.choice((counts * 1e3, counts * 1e4))

    def step_of(ohms: float) -> Decimal:
        fitting = next((power for power in range(-1, 5) if ohms < counts * 10.0**power), 4)
        return Decimal(1).scaleb(fitting)

    def shown(now: float, _: Random) -> float | None:
        ohms = now / farads if math.isinf(bleeder) else -bleeder * math.expm1(-now / (bleeder * farads))
        return None if ohms > full_scale else ohms

    at_rest = _NEVER if math.isinf(bleeder) else bleeder
    return SequenceCase(
        kind, rng.randrange(1 << 30), _rate(rng), "Ω", Decimal(1), shown, at_rest,
        open_shown=lambda _now, _rng: None, step_of=step_of, settle_timeout=60.0,
    )  # fmt: skip


_MAKERS: dict[SequenceKind, Callable[[SequenceKind, Random], SequenceCase]] = {
    SequenceKind.FEW_AMPS: _few_amps,
    SequenceKind.FEW_VOLTS: _few_volts,
    SequenceKind.PICK_UP: _pick_up,
    SequenceKind.ALTERNATING: _alternating,
    SequenceKind.TEMPERATURE: _temperature,
    SequenceKind.MOTOR_START: _motor_start,
    SequenceKind.CHARGING_OVERLOAD: _charging_overload,
    SequenceKind.CHARGING_OHMS: _charging_ohms,
}
