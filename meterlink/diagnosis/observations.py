"""The input of a diagnosis: the accepted readings of one visit, by test point and by part."""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import cached_property
from itertools import chain, groupby

from meterlink.core.equipment import CircuitState, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling, Reading
from meterlink.core.replacements import Replacement
from meterlink.core.units import Amount, Quantity
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.judge.decision_rules import parse_decision_rule
from meterlink.judge.electrical.insulation import DEFAULT_INSULATION_MINIMUM
from meterlink.judge.estimates import Estimate
from meterlink.judge.flow import expected_flow
from meterlink.judge.judging import MeasuredValue, judge, limits_for
from meterlink.judge.measured_value import MeterReading
from meterlink.judge.tolerance import DEFAULT_CAPACITOR_TOLERANCE
from meterlink.judge.uncertainty import AccuracyLine, assumed_accuracy, parse_accuracy

# Open leads pick up some counts; for as many the settling detector wants a proof of contact. A millivolt range shows
# only pick-up below a tenth of a volt. Common practice, no source.
_PICKED_UP_COUNTS = 10
_PICKED_UP_VOLTS = Decimal("0.1")


@dataclass(frozen=True)  # without slots: a cached property needs a place
class Observation:
    """One accepted reading.

    ``number`` is its position in the order of the visit. ``time`` is in seconds from any zero; None where unknown.
    ``judgement`` is None where the meter measured another quantity than that of the test point.
    """

    number: int
    measured: MeasuredValue
    accuracy: AccuracyLine
    judgement: Judgement | None
    meter: str = ""
    time: float | None = None
    coupling: Coupling | None = None
    low_battery: bool = False

    @cached_property
    def estimate(self) -> Estimate | None:
        """The value and its standard uncertainty in the base unit of its quantity; None for an overload."""
        return Estimate.from_measured_value(self.measured, self.accuracy)

    @property
    def meter_reading(self) -> MeterReading:
        """The value with its meter and its accuracy line, as the judge compares and combines readings."""
        return MeterReading(self.measured, self.accuracy, self.meter)

    @cached_property
    def shows_voltage(self) -> bool:
        """Whether it is a voltage above the pick-up of open leads; an overload on volts is."""
        if self.measured.quantity is not Quantity.VOLTAGE:
            return False
        if self.measured.digits is None:
            return True
        volts, resolution = self.measured.in_unit("V")
        return abs(volts or Decimal(0)) > max(_PICKED_UP_COUNTS * resolution, _PICKED_UP_VOLTS)

    @property
    def is_displayed_outside(self) -> bool:
        """Whether the displayed value is out of its limits; the verdict of a decision rule does not count."""
        judgement = self.judgement
        if judgement is None or judgement.limits is None or judgement.digits is None:
            return False
        low, high = judgement.limits.low, judgement.limits.high
        return (low is not None and judgement.digits < low) or (high is not None and judgement.digits > high)

    @property
    def verdict(self) -> Verdict | None:
        """The verdict; None for a reading that is not judged."""
        return self.judgement.verdict if self.judgement else None

    @cached_property
    def text(self) -> str:
        """The displayed value with its unit: ``4.70 µF``, ``OL Ω``."""
        digits = self.measured.digits
        return f"{'OL' if digits is None else f'{digits:f}'} {self.measured.unit}"


@dataclass(frozen=True)  # without slots: a cached property needs a place
class PointReadings:
    """A test point and every accepted reading there, in order.

    After a ``replacement`` at this point ``readings`` are those of the new part, and ``before`` those of the part that
    it replaced.
    """

    point: TestPoint
    readings: tuple[Observation, ...]
    before: tuple[Observation, ...] = ()
    replacement: Replacement | None = None

    @cached_property
    def latest(self) -> Observation | None:
        """The newest reading of the test point's quantity, which is its result; None without such a reading."""
        return self.matching_readings[-1] if self.matching_readings else None

    @cached_property
    def matching_readings(self) -> tuple[Observation, ...]:
        """The readings of the test point's quantity, in order."""
        return tuple(reading for reading in self.readings if reading.measured.quantity is self.point.quantity)

    @cached_property
    def together(self) -> Judgement | None:
        """The judgement on the newest reading, its doubt reduced by the earlier ones as far as they are independent.

        The verdict stays that of the newest reading; see `meterlink.judge.repeats`.
        """
        *earlier, latest = self.matching_readings or (None,)
        judgement = latest.judgement if latest else None
        if latest is None or judgement is None or not earlier:
            return judgement
        if judgement.margin is None and judgement.verdict is not Verdict.CANNOT_TELL:
            return judgement
        return judge(
            self.point.kind,
            judgement.limits,
            latest.measured,
            latest.accuracy,
            rule=parse_decision_rule(judgement.rule),
            flow=expected_flow(self.point),
            meter=latest.meter,
            earlier=[reading.meter_reading for reading in earlier if reading],
        )

    @cached_property
    def limits(self) -> Limits | None:
        """The limits of the newest reading; None where it has none."""
        return self.latest.judgement.limits if self.latest and self.latest.judgement else None

    @cached_property
    def numbers(self) -> frozenset[int]:
        """The numbers of its readings."""
        return frozenset(reading.number for reading in self.readings)

    @cached_property
    def latest_before(self) -> Observation | None:
        """The last reading of the test point's quantity at the old part; None without such a reading."""
        matching = [reading for reading in self.before if reading.measured.quantity is self.point.quantity]
        return matching[-1] if matching else None

    @cached_property
    def stray_voltages(self) -> tuple[Observation, ...]:
        """The voltages read at a point that should be isolated and discharged, in order; empty for other points.

        Those before a replacement count, too: they belong to the circuit. The charge of the old part went with it.
        """
        if self.point.state is not CircuitState.ISOLATED:
            return ()
        circuit = [reading for reading in self.before if reading.coupling is not Coupling.DC]
        return tuple(reading for reading in (*circuit, *self.readings) if reading.shows_voltage)

    @property
    def terminals_text(self) -> str:
        """The terminals: ``C–HERM``."""
        return "–".join(self.point.terminals)


@dataclass(frozen=True)  # without slots: a cached property needs a place
class Case:
    """The readings of one visit at one unit, in plan order.

    ``recorded`` are the readings as accepted; `point_readings` divides them between the parts at each
    ``replacements``. ``mains_frequency`` is the supply frequency in Hz (None: unknown). ``ground_minimum`` is the
    lowest good resistance of a winding to ground, for test points without a limit.

    Raises:
        InputError: a replacement does not say after which reading it was.
    """

    recorded: tuple[PointReadings, ...]
    mains_frequency: float | None = None
    ground_minimum: Amount = DEFAULT_INSULATION_MINIMUM
    replacements: tuple[Replacement, ...] = ()

    def __post_init__(self) -> None:
        for replacement in self.replacements:
            if replacement.after_number is None:
                message = f"The replacement of the {replacement.part} has no place among the readings of this visit."
                raise InputError(message, "Say after which reading it was.")

    @cached_property
    def point_readings(self) -> tuple[PointReadings, ...]:
        """The test points; the readings of the part that is there now decide, those before it are its ``before``."""
        if not self.replacements:
            return self.recorded
        points = [recorded.point for recorded in self.recorded]
        in_order = sorted(self.replacements, key=lambda replacement: replacement.after_number or 0)
        covered = [(replacement, replacement.covered_keys(points)) for replacement in in_order]
        return tuple(
            _divide(recorded, at_point)
            if (at_point := [replacement for replacement, keys in covered if recorded.point.key in keys])
            else recorded
            for recorded in self.recorded
        )

    @cached_property
    def observations(self) -> tuple[Observation, ...]:
        """Every reading of the parts that are there now, in the order of the test points."""
        return tuple(reading for point_readings in self.point_readings for reading in point_readings.readings)


def _divide(recorded: PointReadings, replacements: Sequence[Replacement]) -> PointReadings:
    """Return the readings of the newest part, with those of the part before it."""
    readings, before = recorded.readings, recorded.before
    for replacement in replacements:
        old = tuple(reading for reading in readings if reading.number <= (replacement.after_number or 0))
        before, readings = old or before, readings[len(old) :]
    return replace(recorded, readings=readings, before=before, replacement=replacements[-1])


def is_in_doubt(observation: Observation) -> bool:
    """Return whether the meter's own error could reverse the verdict, or leaves it open."""
    return leaves_doubt(observation.judgement)


def leaves_doubt(judgement: Judgement | None) -> bool:
    """Return whether the doubt of a judgement could reverse its verdict, or leaves it open."""
    return judgement is not None and (judgement.margin is Margin.CLOSE_CALL or judgement.verdict is Verdict.CANNOT_TELL)


def is_evidence(reading: Reading, judgement: Judgement, *, decoded_again: bool) -> bool:
    """Return whether an accepted reading says anything of its part; one that may be of another function says nothing.

    Volts typed without AC or DC, for example, may be the near zero that a meter on DC shows of AC. A reading that was
    ``decoded_again`` and then decides nothing may be of the probes alone.
    """
    if decoded_again and judgement.verdict is Verdict.CANNOT_TELL:
        return False
    return reading.digits is None or judgement.digits is not None


def observe_accepted(
    number: int, reading: Reading, judgement: Judgement, *, meter: str, time: float | None
) -> Observation:
    """Return an accepted reading with its judgement; ``time`` is in seconds from any zero, None where unknown."""
    return Observation(
        number=number,
        measured=MeasuredValue.from_reading(reading, judgement.resolution),
        accuracy=parse_recorded_accuracy(judgement.accuracy, reading.quantity),
        judgement=judgement,
        meter=meter,
        time=time,
        coupling=reading.coupling,
        low_battery=reading.low_battery,
    )


def observe(
    point: TestPoint,
    measured: MeasuredValue,
    number: int,
    accuracy: AccuracyLine | None = None,
    default_tolerance: str = DEFAULT_CAPACITOR_TOLERANCE,
) -> Observation:
    """Return a reading at ``point``, judged like a reading that a station accepts.

    ``accuracy`` is the meter's line; None uses the assumed line. ``default_tolerance`` is for a capacitor without a
    marked tolerance.

    Raises:
        InputError: the value is impossible, or the tolerance is not understood.
    """
    judgement = None
    if measured.quantity is point.quantity:
        judgement = judge(
            point.kind, limits_for(point, default_tolerance), measured, accuracy, flow=expected_flow(point)
        )
    return Observation(number, measured, accuracy or assumed_accuracy(measured.quantity), judgement)


def judge_with_known_limits(point: TestPoint, readings: tuple[Observation, ...]) -> PointReadings:
    """Return the readings at ``point``; those accepted before its rating was entered are judged by the newest limits.

    Raises:
        InputError: a reading is impossible under these limits.
    """
    known = [reading.judgement.limits for reading in readings if reading.judgement and reading.judgement.limits]
    if not known:
        return PointReadings(point, readings)
    return PointReadings(
        point,
        tuple(
            replace(
                reading,
                judgement=judge(point.kind, known[-1], reading.measured, reading.accuracy, flow=expected_flow(point)),
            )
            if reading.verdict is Verdict.NO_LIMITS
            else reading
            for reading in readings
        ),
    )


def judge_each_part(
    point: TestPoint, readings: Sequence[Observation], replacements: Iterable[Replacement]
) -> PointReadings:
    """Return the readings at ``point``, each judged by the limits of its own part; see `judge_with_known_limits`.

    ``replacements`` are those of the part at ``point``, with the numbers of the readings before them.

    Raises:
        InputError: a reading is impossible under the limits of its part.
    """
    last_numbers = sorted(replacement.after_number or 0 for replacement in replacements)
    parts = groupby(readings, lambda reading: bisect_left(last_numbers, reading.number))
    judged = (judge_with_known_limits(point, tuple(of_part)).readings for _, of_part in parts)
    return PointReadings(point, tuple(chain.from_iterable(judged)))


def parse_recorded_accuracy(text: str, quantity: Quantity) -> AccuracyLine:
    """Return the accuracy line in the text of a recorded judgement; the assumed line of ``quantity`` for other text."""
    line, _, remarks = text.partition(", ")
    try:
        return replace(parse_accuracy(line), assumed=remarks.endswith("assumed"))
    except InputError:
        return assumed_accuracy(quantity)
