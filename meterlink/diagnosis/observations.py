"""What a diagnosis starts from: the held readings of one visit, test point by test point."""

from dataclasses import dataclass, replace

from meterlink.core.equipment import TestPoint
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling
from meterlink.core.units import Amount, Quantity
from meterlink.core.verdicts import Judgement, Limits, Verdict
from meterlink.judge.electrical.insulation import DEFAULT_INSULATION_MINIMUM
from meterlink.judge.estimates import Estimate
from meterlink.judge.judging import MeasuredValue, judge, limits_for
from meterlink.judge.tolerance import DEFAULT_CAPACITOR_TOLERANCE
from meterlink.judge.uncertainty import AccuracyLine, assumed_accuracy, parse_accuracy


@dataclass(frozen=True, slots=True)
class Observation:
    """One held reading.

    ``number`` is its place in the order of the visit, ``at`` when it was taken (s, from any zero; None where nobody
    knows). ``judgement`` is None where the meter measured another quantity than its test point wants.
    """

    number: int
    measured: MeasuredValue
    accuracy: AccuracyLine
    judgement: Judgement | None
    meter: str = ""
    time: float | None = None
    coupling: Coupling | None = None
    low_battery: bool = False

    @property
    def estimate(self) -> Estimate | None:
        """The value and its standard uncertainty in the base unit of its quantity; None for an overload."""
        return Estimate.from_measured_value(self.measured, self.accuracy)

    @property
    def verdict(self) -> Verdict | None:
        """What the judge said of it, if anything."""
        return self.judgement.verdict if self.judgement else None

    @property
    def text(self) -> str:
        """What the display showed: ``4.70 µF``, ``OL Ω``."""
        digits = self.measured.digits
        return f"{'OL' if digits is None else f'{digits:f}'} {self.measured.unit}"


@dataclass(frozen=True, slots=True)
class PointReadings:
    """A test point and every reading held there, in order."""

    point: TestPoint
    readings: tuple[Observation, ...]

    @property
    def latest(self) -> Observation | None:
        """The newest reading of the quantity the test point wants: the one that counts."""
        return self.matching_readings[-1] if self.matching_readings else None

    @property
    def matching_readings(self) -> tuple[Observation, ...]:
        """The readings of the quantity the test point wants."""
        return tuple(each for each in self.readings if each.measured.quantity is self.point.quantity)

    @property
    def limits(self) -> Limits | None:
        """What the newest reading was held against."""
        return self.latest.judgement.limits if self.latest and self.latest.judgement else None

    @property
    def terminals_text(self) -> str:
        """``C–HERM``."""
        return "–".join(self.point.terminals)


@dataclass(frozen=True, slots=True)
class Case:
    """The readings of one visit at one unit, in plan order.

    ``mains`` is the supply frequency in Hz (None: unknown), ``ground_minimum`` the least winding resistance to ground
    where a test point states none.
    """

    point_readings: tuple[PointReadings, ...]
    mains_frequency: float | None = None
    ground_minimum: Amount = DEFAULT_INSULATION_MINIMUM

    @property
    def observations(self) -> tuple[Observation, ...]:
        """Every reading, in the order of the test points."""
        return tuple(each for takes in self.point_readings for each in takes.readings)


def observe(
    point: TestPoint,
    measured: MeasuredValue,
    number: int,
    accuracy: AccuracyLine | None = None,
    default_tolerance: str = DEFAULT_CAPACITOR_TOLERANCE,
) -> Observation:
    """Return a reading taken at ``point``, judged as the collector would; InputError where that cannot be."""
    judgement = None
    if measured.quantity is point.quantity:
        judgement = judge(point.kind, limits_for(point, default_tolerance), measured, accuracy)
    return Observation(number, measured, accuracy or assumed_accuracy(measured.quantity), judgement)


def judge_with_known_limits(point: TestPoint, readings: tuple[Observation, ...]) -> PointReadings:
    """Return the takes at ``point``; those held before its rating was known are judged by the limits known since."""
    known = [each.judgement.limits for each in readings if each.judgement and each.judgement.limits]
    if not known:
        return PointReadings(point, readings)
    return PointReadings(
        point,
        tuple(
            replace(each, judgement=judge(point.kind, known[-1], each.measured, each.accuracy))
            if each.verdict is Verdict.NO_LIMITS
            else each
            for each in readings
        ),
    )


def parse_recorded_accuracy(text: str, quantity: Quantity) -> AccuracyLine:
    """Return the accuracy line a judgement was made with, from its words; the assumed one where they are no line."""
    line, _, remarks = text.partition(", ")
    try:
        return replace(parse_accuracy(line), assumed=remarks.endswith("assumed"))
    except InputError:
        return assumed_accuracy(quantity)
