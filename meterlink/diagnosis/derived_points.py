"""Judge derived points from several accepted readings: unbalance, capacitance under load, windings, temperature split.

A plan's `DerivedPoint` names the readings and their specification. The same functions judge the same numbers typed in,
by simple acceptance.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from meterlink.core.equipment import DerivedPoint, DerivedPointKind, Rating, Span, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.units import BASE_UNIT, Quantity
from meterlink.core.verdicts import FAILED_VERDICTS, Judgement, Limits, Margin, Verdict
from meterlink.diagnosis.observations import Observation, PointReadings
from meterlink.judge.electrical.capacitance import ASSUMED_FREQUENCY_HALF_WIDTH, judge_under_load
from meterlink.judge.electrical.lost_phase import LineReading
from meterlink.judge.electrical.temperature_split import DEFAULT_SPLIT_LIMITS, judge_split
from meterlink.judge.electrical.unbalance import (
    DEFAULT_UNBALANCE_LIMIT,
    derating_factor,
    derating_text,
    judge_phases,
)
from meterlink.judge.estimates import Estimate, round_significant
from meterlink.judge.judging import format_decimal
from meterlink.judge.limits import rated_limits
from meterlink.judge.tolerance import DEFAULT_CAPACITOR_TOLERANCE
from meterlink.judge.uncertainty import AccuracyLine


@dataclass(frozen=True, slots=True)
class DerivedResult:
    """The result of a derived point from the readings accepted so far.

    ``verdict`` is None without a result: inputs are ``missing``, or the readings are impossible or decide nothing.
    ``text`` then gives the reason, else the numbers in one or two sentences. ``value`` is the figure with its unit
    (``2.41 %``). ``basis`` is the specification and the method. ``margin`` is None where none applies. ``missing`` are
    the names of the inputs without a reading.
    """

    point: DerivedPoint
    verdict: Verdict | None
    margin: Margin | None
    value: str
    text: str
    basis: str
    missing: tuple[str, ...] = ()

    @property
    def failed(self) -> bool:
        """Whether the verdict is outside, open or shorted."""
        return self.verdict in FAILED_VERDICTS


@dataclass(frozen=True, slots=True)
class DerivedInputs:
    """The readings and the limits (None: unknown) of the test points, both by the key of the point.

    ``capacitor_tolerance`` is for a capacitor without a marked tolerance.
    """

    point_readings: Mapping[str, PointReadings]
    limits: Mapping[str, Limits | None]
    capacitor_tolerance: str = DEFAULT_CAPACITOR_TOLERANCE

    @property
    def points(self) -> dict[str, TestPoint]:
        """The test points: ``{key: test point}``."""
        return {key: point_readings.point for key, point_readings in self.point_readings.items()}


def judge_derived_points(points: Sequence[DerivedPoint], inputs: DerivedInputs) -> tuple[DerivedResult, ...]:
    """Return the result of each derived point, in the order of ``points``.

    Raises:
        KeyError: a derived point names a test point that is not in ``inputs``.
    """
    return tuple(_judge_derived_point(derived_point, inputs) for derived_point in points)


def _judge_derived_point(derived_point: DerivedPoint, inputs: DerivedInputs) -> DerivedResult:
    basis = describe_basis(derived_point, inputs.points)
    latest = {role: inputs.point_readings[key].latest for role, key in derived_point.inputs if role != "capacitor"}
    missing = tuple(
        _input_name(derived_point, role, inputs.points) for role, reading in latest.items() if reading is None
    )
    if missing:
        return DerivedResult(derived_point, None, None, "", f"Needs {', '.join(missing)}.", basis, missing)
    try:
        readings = {role: reading for role, reading in latest.items() if reading}
        return _JUDGES[derived_point.kind](derived_point, readings, inputs)
    except InputError as error:  # impossible readings, or an overload
        return DerivedResult(derived_point, None, None, "", str(error), basis)


def _input_name(derived_point: DerivedPoint, role: str, points: Mapping[str, TestPoint]) -> str:
    """Return the short name of an input: ``L2–L3``, ``amps HERM–S``, ``supply air``."""
    point = points[derived_point.input_key(role) or ""]
    terminals = "–".join(point.terminals)
    match derived_point.kind:
        case DerivedPointKind.UNDER_LOAD:
            return f"{role} {terminals}"
        case DerivedPointKind.SPLIT:
            return point.title
    return terminals


def describe_basis(derived_point: DerivedPoint, points: Mapping[str, TestPoint]) -> str:
    """Return the specification and the method of a derived point in words; ``points`` are ``{key: test point}``."""
    match derived_point.kind, derived_point.specification:
        case DerivedPointKind.UNBALANCE, specification:
            quantity = points[derived_point.inputs[0][1]].quantity
            limit = (
                str(specification)
                if specification
                else f"at most {DEFAULT_UNBALANCE_LIMIT[quantity]:f} %, common practice"
            )
            return f"{limit}; largest deviation from the mean, by the mean (NEMA MG-1, 14.36)"
        case DerivedPointKind.UNDER_LOAD, specification:
            capacitor = points.get(derived_point.input_key("capacitor") or "")
            rating = f"the rating of the {capacitor.title}" if capacitor else "no rating"
            frequency = derived_point.frequency or "the measured frequency"
            return (
                f"{specification or rating}; I/(2πfV) at {frequency}, from amps in its own lead and volts across its"
                " own terminals"
            )
        case DerivedPointKind.SPLIT, specification:
            usual = f"{DEFAULT_SPLIT_LIMITS}, common practice"
            return f"{specification or usual}; return air minus supply air"
    return "R–S is C–S + C–R in a single-phase motor; the three are equal in a three-phase motor"


def _judge_unbalance(
    derived_point: DerivedPoint, observations: Mapping[str, Observation], inputs: DerivedInputs
) -> DerivedResult:
    readings = list(observations.values())
    values = [reading.measured for reading in readings]
    quantity, unit = values[0].quantity, values[0].unit
    limit = derived_point.specification.high if isinstance(derived_point.specification, Span) else None
    volts = quantity is Quantity.VOLTAGE
    points = [inputs.points[derived_point.input_key(role) or ""] for role in observations]
    lines = [
        # Of a current, the lead is the first terminal and the second the motor.
        LineReading(point.terminals if volts else point.terminals[:1], value)
        for point, value in zip(points, values, strict=True)
    ]
    phases = judge_phases(
        lines,
        limit or DEFAULT_UNBALANCE_LIMIT[quantity],
        [reading.accuracy for reading in readings],
        [reading.meter for reading in readings],
    )
    judgement, result = phases.judgement, phases.unbalance
    basis = describe_basis(derived_point, inputs.points)
    if result is None or phases.lost_line:
        return _make_result(derived_point, judgement, judgement.reason, basis)
    text = (
        f"{judgement.reason} Mean {format_decimal(round_significant(float(result.mean)))} {unit};"
        f" {'V2/V1' if volts else 'I2/I1'} {result.true_percent:.2f} %."
    )
    if volts and derating_factor(float(result.nema_percent)) != 1:
        text += f" {derating_text(float(result.nema_percent))}"
    return _make_result(derived_point, judgement, text, basis)


def _judge_under_load(
    derived_point: DerivedPoint, observations: Mapping[str, Observation], inputs: DerivedInputs
) -> DerivedResult:
    amps, volts = observations["amps"], observations["volts"]
    accuracy = f"{amps.accuracy} on amps, {volts.accuracy} on volts"
    if derived_point.frequency is not None:
        frequency = Estimate.rectangular(float(derived_point.frequency.base_value), ASSUMED_FREQUENCY_HALF_WIDTH)
        accuracy += f", ±{ASSUMED_FREQUENCY_HALF_WIDTH:g} Hz, assumed"
    else:
        frequency = _require_estimate(observations["frequency"])
        accuracy += f", {observations['frequency'].accuracy} on frequency"
    limits = _capacitor_limits(derived_point, inputs)
    result = judge_under_load(_require_estimate(amps), _require_estimate(volts), frequency, limits, accuracy)
    figures = f"{amps.text} and {volts.text} at {frequency.value:.4g} Hz."
    if result.judgement is None:
        farads = result.capacitance
        value = f"{format_decimal(round_significant(farads.value * 1e6))} µF"
        uncertainty = f"{farads.expanded_uncertainty * 1e6:.2g} µF"
        text = " ".join((f"{value} ± {uncertainty} from {figures} Not judged: enter the rating.", *result.warnings))
        return DerivedResult(
            derived_point, Verdict.NO_LIMITS, Margin.CLEAR, value, text, describe_basis(derived_point, inputs.points)
        )
    text = " ".join((result.judgement.reason, f"From {figures}", *result.warnings))
    return _make_result(derived_point, result.judgement, text, describe_basis(derived_point, inputs.points))


def _capacitor_limits(derived_point: DerivedPoint, inputs: DerivedInputs) -> Limits | None:
    if isinstance(derived_point.specification, Rating):
        return rated_limits(derived_point.specification, inputs.capacitor_tolerance)
    key = derived_point.input_key("capacitor") or ""
    return inputs.limits.get(key) or inputs.point_readings[key].limits


def _judge_windings(
    derived_point: DerivedPoint, observations: Mapping[str, Observation], inputs: DerivedInputs
) -> DerivedResult:
    points, readings = inputs.points, list(observations.values())
    measured = [
        (*points[derived_point.input_key(role) or ""].terminals, reading.meter_reading)
        for role, reading in observations.items()
    ]
    # Imported only for windings: a station starts without it.
    from meterlink.judge.electrical.windings import judge_windings  # noqa: PLC0415

    result = judge_windings(measured)
    value = result.headline.removeprefix(f"{result.verdict}: ".upper()) if result.verdict else result.headline
    if result.terminals_by_role and all(role == name.upper() for role, name in result.terminals_by_role.items()):
        value = "as marked"  # C = C, S = S, R = R
    listed = ", ".join(
        f"{first}–{second} {reading.text}" for (first, second, _), reading in zip(measured, readings, strict=True)
    )
    lines = ", ".join(dict.fromkeys(str(reading.accuracy) for reading in readings))
    basis = f"{describe_basis(derived_point, points)}; meter accuracy {lines}" + (
        "" if _is_one_meter(readings) else ", more than one meter"
    )
    return DerivedResult(derived_point, result.verdict, None, value, f"{listed}. {result.reason}", basis)


def _judge_split(
    derived_point: DerivedPoint, observations: Mapping[str, Observation], inputs: DerivedInputs
) -> DerivedResult:
    return_air, supply_air = observations["return"], observations["supply"]
    span = derived_point.specification if isinstance(derived_point.specification, Span) else None
    assumed = return_air.accuracy.assumed or supply_air.accuracy.assumed
    line = None if assumed else _least_accurate_line([return_air, supply_air])
    judgement = judge_split(return_air.measured, supply_air.measured, span, line)
    text = f"{judgement.reason} Return air {return_air.text}, supply air {supply_air.text}."
    return _make_result(derived_point, judgement, text, describe_basis(derived_point, inputs.points))


_JUDGES: dict[DerivedPointKind, Callable[[DerivedPoint, Mapping[str, Observation], DerivedInputs], DerivedResult]] = {
    DerivedPointKind.UNBALANCE: _judge_unbalance,
    DerivedPointKind.UNDER_LOAD: _judge_under_load,
    DerivedPointKind.WINDINGS: _judge_windings,
    DerivedPointKind.SPLIT: _judge_split,
}


def _make_result(derived_point: DerivedPoint, judgement: Judgement, text: str, basis: str) -> DerivedResult:
    unit = judgement.limits.unit if judgement.limits else ""
    value = "" if judgement.digits is None else f"{format_decimal(judgement.digits)} {unit}"
    full_basis = f"{basis}; meter accuracy {judgement.accuracy}"
    return DerivedResult(derived_point, judgement.verdict, judgement.margin, value, text, full_basis)


def _require_estimate(observation: Observation) -> Estimate:
    estimate = observation.estimate
    if estimate is None:
        raise InputError(f"{observation.text} has no value.", "Use a higher range.")
    return estimate


def _is_one_meter(observations: Sequence[Observation]) -> bool:
    return len({reading.meter for reading in observations}) == 1


def _least_accurate_line(observations: Sequence[Observation]) -> AccuracyLine:
    """Return the accuracy line with the largest error, for a judgement that accepts only one line for all readings."""
    return max((reading.accuracy for reading in observations), key=lambda line: _half_width(line, observations))


def _half_width(line: AccuracyLine, observations: Sequence[Observation]) -> Decimal:
    unit = BASE_UNIT[observations[0].measured.quantity]
    values = [reading.measured.in_unit(unit) for reading in observations]
    return max(line.half_width(digits or Decimal(0), step, unit) for digits, step in values)
