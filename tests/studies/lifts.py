"""Seeded lifts on ohms: probes that bounce, touch each other, touch fingers, or hang in the air, on a lossy link.

The part is a sound coil, so an open or a short that is accepted without a key is false. Two rules that a person might
think of run beside the one of the station; they show how often such lifts would deceive them.

Every share and range below is our own choice; common practice, no source.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from random import Random

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import PointKind
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Amount, Quantity, resolution_of, to_base
from meterlink.core.verdicts import Judgement, Limits
from meterlink.judge.judging import MeasuredValue, judge
from meterlink.judge.uncertainty import AccuracyLine
from meterlink.settling.lead_proof import reads_as_leads
from meterlink.station.acceptance import judge_settled, looks_open
from meterlink.station.tracker import MeterTracker
from meterlink_simulators.bench import Bench
from meterlink_simulators.components import Leg, Star
from meterlink_simulators.meter import SimulatedMeter
from meterlink_simulators.probes import TerminalPair
from meterlink_simulators.ranges import FunctionSpec, MeterFunction, MeterSpec, Range

COUNTS = (2000, 4000, 6000, 20000)
RATES = (2.0, 4.0, 5.0, 10.0)  # refreshes a second
COIL, TIPS, HAND = "coil", "tips", "hand"  # where the probes are; None is the air
_HANDS = 6  # resistances of a hand that squeezes: it changes a few times a second
_LARGEST_OVERLOAD_GAP = 1.5  # s without a reading that ends an overload, for the rules beside


@dataclass(frozen=True, slots=True)
class Stay:
    """The probes stay at ``place`` for ``seconds`` s, the first ``bounce`` s of it bouncing."""

    place: str | None
    seconds: float
    bounce: float = 0.0


@dataclass(frozen=True, slots=True)
class Lift:
    """One drawn case: a coil of ``ohms``, a meter and the stays of its probes one after the other."""

    ohms: float
    spec: MeterSpec
    stays: tuple[Stay, ...]
    seed: int
    loss_rate: float
    link_lost: tuple[float, float]
    blank: tuple[float, float]


@dataclass(slots=True)
class LiftResult:
    """The outcome of one lift: readings accepted without a key, and how often a person was asked."""

    lift: Lift
    accepted: list[tuple[Reading, Judgement]] = field(default_factory=list)
    asked_open: bool = False
    open_by_proof_alone: bool = False
    open_by_proof_before_and_after: bool = False

    @property
    def false_readings(self) -> list[tuple[Reading, Judgement]]:
        """The accepted readings that are not those of the coil: more than 5 % and five counts away."""
        return [
            (reading, judgement)
            for reading, judgement in self.accepted
            if reading.digits is None
            or abs(float(to_base(reading.digits, reading.unit)) - self.lift.ohms)
            > 0.05 * self.lift.ohms + 5 * float(to_base(resolution_of(reading.digits), reading.unit))
        ]


def draw_lift(seed: int, number: int) -> Lift:
    """Return the lift of a seed and a number; the same two give the same lift."""
    rng = Random(f"lift/{seed}/{number}")
    stays = [Stay(None, rng.uniform(0.5, 3))]
    for _ in range(rng.randint(2, 5)):
        stays += _episode(rng)
    stays.append(Stay(None, rng.uniform(3.5, 15)))  # it ends in the air: long enough to look like an open part
    failure = rng.uniform(0, sum(stay.seconds for stay in stays))
    disturbance = rng.random()
    return Lift(
        ohms=rng.uniform(8, 30) if rng.random() < 0.6 else rng.uniform(300, 1500),
        spec=MeterSpec(
            "Sanderling", "C0:00:00:00:00:05", rng.randrange(1 << 30), rng.choice(RATES), counts := rng.choice(COUNTS),
            (FunctionSpec(MeterFunction.RESISTANCE, _ranges(counts)),),
        ),
        stays=tuple(stays),
        seed=rng.randrange(1 << 30),
        loss_rate=rng.uniform(0, 0.15) if rng.random() < 0.3 else 0.0,
        link_lost=(failure, failure + rng.uniform(0.3, 6)) if disturbance < 0.2 else (0.0, 0.0),
        blank=(failure, failure + rng.uniform(0.2, 2)) if 0.2 <= disturbance < 0.4 else (0.0, 0.0),
    )  # fmt: skip


def _episode(rng: Random) -> list[Stay]:
    """Return an episode of hands: they prove the leads and lift, prove them twice, touch fingers, or touch the part."""
    bounce = rng.uniform(0, 0.8) if rng.random() < 0.5 else 0.0
    together = Stay(TIPS, bounce + rng.uniform(0.3, 4), bounce)
    in_air = Stay(None, rng.uniform(0.1, 12))
    fingers = Stay(HAND, rng.uniform(0.2, 5), rng.uniform(0, 0.5))
    on_part = Stay(COIL, rng.uniform(0.2, 8), bounce)
    return rng.choice(
        (
            [together, in_air],
            [together, in_air, together],
            [together, fingers, in_air],
            [fingers, in_air],
            [on_part, in_air],
            [together, Stay(None, rng.uniform(0.3, 2)), on_part, in_air],
            [together, on_part],
            [on_part, together, in_air],
        )
    )


def _ranges(counts: int) -> tuple[Range, ...]:
    """Return ranges of ohms to some tens of megohms: 600.0 Ω, 6.000 kΩ … 60.00 MΩ on a 6000-count meter."""
    accuracy, finer = AccuracyLine(Decimal(1), Decimal(3)), 1 if counts >= 20000 else 0
    steps = (("Ω", -1), ("kΩ", -3), ("kΩ", -2), ("kΩ", -1), ("MΩ", -3), ("MΩ", -2))
    return tuple(Range(Amount((counts * Decimal(1)).scaleb(power - finer), unit), accuracy) for unit, power in steps)


def readings(lift: Lift) -> Iterator[Reading]:
    """Yield the readings that arrive from the first stay to the end of the last."""
    rng = Random(f"{lift.seed}/hands")
    parts = {COIL: lift.ohms, TIPS: rng.uniform(0.05, 0.45)}
    parts |= {f"{HAND} {n}": rng.uniform(0.3e6, 9e6) for n in range(_HANDS)}
    bench = Bench((Star(name, "part", {"1": Leg(ohms=ohms), "2": Leg()}) for name, ohms in parts.items()), lift.seed)
    meter = SimulatedMeter(lift.spec, bench)
    moves = list(_moves(lift, rng))
    end = sum(stay.seconds for stay in lift.stays)
    for tick in range(int(end * lift.spec.rate)):
        now = tick / lift.spec.rate
        while moves and moves[0][0] <= now:
            at, place, bounce = moves.pop(0)
            if place is None:
                bench.lift_probes(lift.spec.name, at)
            else:
                bench.attach_probes(lift.spec.name, TerminalPair(place, "1", "2"), at, bounce)
        display = meter.show(now)
        arrives = rng.random() >= lift.loss_rate
        if not arrives or lift.link_lost[0] <= now < lift.link_lost[1]:
            continue
        digits = None if lift.blank[0] <= now < lift.blank[1] else display.digits
        status = Status.OK if digits is not None else Status.OVERLOAD if display.overload else Status.INVALID
        step = None if digits is None else resolution_of(digits)
        yield Reading(
            Quantity.RESISTANCE, digits, display.unit, Timestamp(0, round(now * 1e9)), status, resolution=step
        )


def _moves(lift: Lift, rng: Random) -> Iterator[tuple[float, str | None, float]]:
    """Yield ``(s, component or None, s of bounce)``: a hand squeezes differently a few times a second."""
    now = 0.0
    for stay in lift.stays:
        end = now + stay.seconds
        if stay.place != HAND:
            yield now, stay.place, stay.bounce
        else:
            squeeze = now
            while squeeze < end:
                yield squeeze, f"{HAND} {rng.randrange(_HANDS)}", stay.bounce if squeeze == now else 0.0
                squeeze += rng.uniform(0.15, 0.7)
        now = end


def run_lift(lift: Lift) -> LiftResult:
    """Return the result of a lift by the station's own tracker and rule of acceptance."""
    low, high = Decimal(repr(round(lift.ohms * 0.8, 1))), Decimal(repr(round(lift.ohms * 1.2, 1)))
    limits = Limits(low, high, "Ω", "the coil")
    tracker, result = MeterTracker("M", "Sanderling", 1), LiftResult(lift)
    rules = _OtherRules()

    def judge_latest(followed: MeterTracker) -> Judgement | None:
        assert followed.latest is not None  # it was just added
        return judge(PointKind.COIL, limits, MeasuredValue.from_reading(followed.latest))

    for reading in readings(lift):
        tracker.add_reading(reading)
        judgement = judge_settled(tracker, reading, judge_latest)
        if judgement is not None:
            result.accepted.append((reading, judgement))
            tracker.accept(reading, "coil")
        result.asked_open |= looks_open(tracker)
        rules.add(reading)
    result.open_by_proof_alone = rules.proof_alone
    result.open_by_proof_before_and_after = rules.before_and_after
    return result


class _OtherRules:
    """Two rules that are not used: an open after the leads were proven; and one proven again right after it.

    An overload of 3 s after the probes were together for 1 s is open; or only if they are together for 1 s again.
    """

    def __init__(self) -> None:
        self.proof_alone = self.before_and_after = False
        self._since, self._kind, self._last = 0.0, "", 0.0
        self._steps: list[str] = []

    def add(self, reading: Reading) -> None:
        """Add the next reading."""
        now = reading.timestamp.monotonic_ns * 1e-9
        if reading.status is Status.INVALID:
            return
        kind = "open" if reading.status is Status.OVERLOAD else "together" if reads_as_leads(reading) else "value"
        if kind != self._kind or now - self._last > _LARGEST_OVERLOAD_GAP:
            self._since, self._kind = now, kind
        self._last = now
        if kind == "value":
            self._steps = []
        elif now - self._since >= (3.0 if kind == "open" else 1.0) and self._steps[-1:] != [kind]:
            self._steps.append(kind)
            self.proof_alone |= self._steps[-2:] == ["together", "open"]
            self.before_and_after |= self._steps[-3:] == ["together", "open", "together"]
