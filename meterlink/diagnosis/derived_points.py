"""Judgements worked out of several held readings: unbalance, capacitance under load, windings, temperature split.

Which readings belong together, and what they are held against, is a plan's `DerivedCheck`; each is judged by the
function that judges the same numbers typed in. The rule is simple acceptance, as there.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

from meterlink.core.equipment import DerivedPoint, DerivedPointKind, Rating, Span, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.units import BASE_UNIT, Quantity
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.diagnosis.observations import Observation, PointReadings
from meterlink.judge.electrical.capacitance import ASSUMED_FREQUENCY_HALF_WIDTH, judge_under_load
from meterlink.judge.electrical.temperature_split import DEFAULT_SPLIT_LIMITS, judge_split
from meterlink.judge.electrical.unbalance import (
    DEFAULT_UNBALANCE_LIMIT,
    derating_factor,
    derating_text,
    judge_unbalance,
    unbalance,
)
from meterlink.judge.electrical.windings import identify_windings
from meterlink.judge.estimates import Estimate, round_significant
from meterlink.judge.judging import format_decimal
from meterlink.judge.limits import rated_limits
from meterlink.judge.tolerance import DEFAULT_CAPACITOR_TOLERANCE
from meterlink.judge.uncertainty import AccuracyLine

FAILED_VERDICTS = {Verdict.OUTSIDE, Verdict.OPEN, Verdict.SHORTED}


@dataclass(frozen=True, slots=True)
class DerivedResult:
    """What a check says of the readings held so far.

    ``verdict`` is None where it says nothing: inputs are ``missing``, or the readings cannot be or do not tell, which
    ``text`` then says. ``value`` is the figure in a few words (``2.41 %``), ``text`` one or two sentences with the
    numbers, ``basis`` what it is held against and how it is worked out. ``margin`` is None where none was taken.
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
        """Whether it is outside, open or shorted."""
        return self.verdict in FAILED_VERDICTS


@dataclass(frozen=True, slots=True)
class DerivedInputs:
    """What there is to work with: the test points with their readings by key, and what each is held against."""

    point_readings: Mapping[str, PointReadings]
    limits: Mapping[str, Limits | None]
    capacitor_tolerance: str = DEFAULT_CAPACITOR_TOLERANCE

    @property
    def points(self) -> dict[str, TestPoint]:
        """The test points by key."""
        return {key: takes.point for key, takes in self.point_readings.items()}


def judge_derived_points(points: Sequence[DerivedPoint], inputs: DerivedInputs) -> tuple[DerivedResult, ...]:
    """Return what each check says, in their order; KeyError where one names a test point that is not in ``inputs``."""
    return tuple(_judge_derived_point(check, inputs) for check in points)


def _judge_derived_point(derived_point: DerivedPoint, inputs: DerivedInputs) -> DerivedResult:
    basis = describe_basis(derived_point, inputs.points)
    taken = {role: inputs.point_readings[key].latest for role, key in derived_point.inputs if role != "capacitor"}
    missing = tuple(_input_name(derived_point, role, inputs.points) for role, latest in taken.items() if latest is None)
    if missing:
        return DerivedResult(derived_point, None, None, "", f"Needs {', '.join(missing)}.", basis, missing)
    try:
        return _JUDGES[derived_point.kind](derived_point, {role: each for role, each in taken.items() if each}, inputs)
    except InputError as error:  # readings that cannot be, or have no value
        return DerivedResult(derived_point, None, None, "", str(error), basis)


def _input_name(derived_point: DerivedPoint, role: str, points: Mapping[str, TestPoint]) -> str:
    """Return what a reading is called among the others of its check: ``L2–L3``, ``amps HERM–S``, ``supply air``."""
    point = points[derived_point.input_key(role) or ""]
    where = "–".join(point.terminals)
    match derived_point.kind:
        case DerivedPointKind.UNDER_LOAD:
            return f"{role} {where}"
        case DerivedPointKind.SPLIT:
            return point.title
    return where


def describe_basis(derived_point: DerivedPoint, points: Mapping[str, TestPoint]) -> str:
    """Return what a check is held against and how it is worked out, in words, before there is any reading."""
    match derived_point.kind, derived_point.specification:
        case DerivedPointKind.UNBALANCE, against:
            quantity = points[derived_point.inputs[0][1]].quantity
            limit = str(against) if against else f"at most {DEFAULT_UNBALANCE_LIMIT[quantity]:f} %, common practice"
            return f"{limit}; largest deviation from the mean, by the mean (NEMA MG-1, 14.36)"
        case DerivedPointKind.UNDER_LOAD, against:
            capacitor = points.get(derived_point.input_key("capacitor") or "")
            rating = str(against) if against else f"the rating of the {capacitor.title}" if capacitor else "no rating"
            at = derived_point.frequency or "the frequency read"
            return f"{rating}; I/(2πfV) at {at}, from amps in its own lead and volts across its own terminals"
        case DerivedPointKind.SPLIT, against:
            usual = " or ".join(map(str, DEFAULT_SPLIT_LIMITS.values()))
            return f"{against or f'{usual}, common practice'}; return air less supply air"
    return "each other: R–S is C–S + C–R in a single-phase motor, the three are equal in a three-phase one"


def _judge_unbalance(
    derived_point: DerivedPoint, observations: Mapping[str, Observation], inputs: DerivedInputs
) -> DerivedResult:
    read = list(observations.values())
    quantity, shown = read[0].measured.quantity, [each.measured for each in read]
    most = derived_point.specification.high if isinstance(derived_point.specification, Span) else None
    steps = {each.in_unit(BASE_UNIT[quantity])[1] for each in shown}
    apart = None if _is_one_meter(read) and len(steps) == 1 else [each.accuracy for each in read]
    judgement = judge_unbalance(shown, most or DEFAULT_UNBALANCE_LIMIT[quantity], apart)
    unit = shown[0].unit
    first, second, third = (each.in_unit(unit)[0] or Decimal(0) for each in shown)
    result = unbalance(first, second, third)
    volts = quantity is Quantity.VOLTAGE
    text = (
        f"{judgement.reason} Mean {format_decimal(round_significant(float(result.mean)))} {unit};"
        f" {'V2/V1' if volts else 'I2/I1'} {result.true_percent:.2f} %."
    )
    if volts and derating_factor(float(result.nema_percent)) != 1:
        text += f" {derating_text(float(result.nema_percent))}"
    return _make_result(derived_point, judgement, text, describe_basis(derived_point, inputs.points))


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
        text = f"{value} ± {farads.expanded_uncertainty * 1e6:.2g} µF from {figures} Nothing to hold it against yet: enter the rating."
        text = " ".join((text, *result.warnings))
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
    points = inputs.points
    read = [
        (*points[derived_point.input_key(role) or ""].terminals, each.measured) for role, each in observations.items()
    ]
    line, one_meter = _least_accurate_line(list(observations.values())), _is_one_meter(list(observations.values()))
    result = identify_windings(read, line, same_meter=one_meter)
    value = result.headline.removeprefix(f"{result.verdict}: ".upper()) if result.verdict else result.headline
    if result.terminals_by_role and all(role == name.upper() for role, name in result.terminals_by_role.items()):
        value = "as marked"  # C = C, S = S, R = R
    shown = ", ".join(
        f"{one}–{other} {each.text}" for (one, other, _), each in zip(read, observations.values(), strict=True)
    )
    basis = f"{describe_basis(derived_point, points)}; meter accuracy {line}" + (
        "" if one_meter else ", more than one meter"
    )
    return DerivedResult(derived_point, result.verdict, None, value, f"{shown}. {result.reason}", basis)


def _judge_split(
    derived_point: DerivedPoint, observations: Mapping[str, Observation], inputs: DerivedInputs
) -> DerivedResult:
    back, supply = observations["return"], observations["supply"]
    span = derived_point.specification if isinstance(derived_point.specification, Span) else None
    line = None if back.accuracy.assumed or supply.accuracy.assumed else _least_accurate_line([back, supply])
    judgement = judge_split(back.measured, supply.measured, span, line)
    text = f"{judgement.reason} Return air {back.text}, supply air {supply.text}."
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
    rests_on = f"{basis}; meter accuracy {judgement.accuracy}"
    return DerivedResult(derived_point, judgement.verdict, judgement.margin, value, text, rests_on)


def _require_estimate(observation: Observation) -> Estimate:
    estimate = observation.estimate
    if estimate is None:
        raise InputError(f"{observation.text} has no value to work with.", "Take a higher range.")
    return estimate


def _is_one_meter(observations: Sequence[Observation]) -> bool:
    return len({each.meter for each in observations}) == 1


def _least_accurate_line(observations: Sequence[Observation]) -> AccuracyLine:
    """Return the accuracy line that leaves the most doubt: what goes for all where one line is asked for."""
    return max((each.accuracy for each in observations), key=lambda line: _half_width(line, observations))


def _half_width(line: AccuracyLine, observations: Sequence[Observation]) -> Decimal:
    values = [each.measured.in_unit(BASE_UNIT[each.measured.quantity]) for each in observations]
    return max(line.half_width(digits or Decimal(0), step) for digits, step in values)
