"""Judge a reading against its limits: the verdict, its margin and its reason."""

from decimal import Decimal

from meterlink.core.equipment import PointKind, Rating, Span, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.readings import Reading
from meterlink.core.units import Quantity, convert
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.judge.accuracy import Accuracy, accuracy_line_for
from meterlink.judge.close_calls import CloseCall
from meterlink.judge.conformity import conformance_probability
from meterlink.judge.decision_rules import SIMPLE_ACCEPTANCE, DecisionRule
from meterlink.judge.limits import rated_limits, span_limits
from meterlink.judge.measured_value import MeasuredValue, convert_interval, format_decimal
from meterlink.judge.tolerance import DEFAULT_CAPACITOR_TOLERANCE
from meterlink.judge.uncertainty import AccuracyLine, TrapezoidalDistribution

__all__ = [
    "DEFAULT_RULE_NAME",
    "OPEN_SECTION_FRACTION",
    "SHORTED_FRACTION",
    "MeasuredValue",
    "digits_in_limits",
    "format_decimal",
    "judge",
    "limits_for",
]

# The default decision rule (JCGM 106, 8.2: simple acceptance): the displayed value decides, its uncertainty is shown
# beside it. The trade judges this way with a meter in hand.
DEFAULT_RULE_NAME = str(SIMPLE_ACCEPTANCE)

# A section with a broken lead or a blown fuse link reads only the stray capacitance of the leads, a few tens of
# picofarads. 2 % of the rated value is far above that for any run capacitor (2 µF and up), and far below any weak
# section. Common practice, no source.
OPEN_SECTION_FRACTION = Decimal("0.02")

# A dead short reads as the test leads alone, some tenths of an ohm; turns shorted among themselves leave more than
# this share of the low limit. Common practice, no source.
SHORTED_FRACTION = Decimal("0.1")

# A handheld meter's highest resistance range ends at 10 MΩ or above (common practice, no source), so its overload to
# ground proves no minimum above that.
LEAST_OHMS_OVERLOAD_PROVES = Decimal(10)  # MΩ


def limits_for(point: TestPoint, capacitor_tolerance: str = DEFAULT_CAPACITOR_TOLERANCE) -> Limits | None:
    """Return the limits of a test point, None while its rating is unknown.

    ``capacitor_tolerance`` applies to a rating without a tolerance.

    Raises:
        InputError: the tolerance is not understood.
    """
    match point.specification:
        case Rating() as rating:
            return rated_limits(rating, capacitor_tolerance)
        case Span() as span:
            return span_limits(span)
        case None:
            return None


def digits_in_limits(reading: Reading, limits: Limits) -> Decimal | None:
    """Return the digits of a reading in the unit of ``limits``, as they are judged; None without a value.

    Raises:
        InputError: limits and reading are of different quantities.
    """
    return None if reading.digits is None else convert(reading.digits, reading.unit, limits.unit)


def judge(
    kind: PointKind,
    limits: Limits | None,
    measured: MeasuredValue,
    accuracy: Accuracy | None = None,
    *,
    rule: DecisionRule = SIMPLE_ACCEPTANCE,
    celsius: Decimal | None = None,
) -> Judgement:
    """Judge one reading.

    ``accuracy`` is the meter's accuracy line for this quantity and range, or its sheet; None uses the assumed line, and
    the judgement marks it as assumed. ``celsius`` is the temperature of the meter, None for 18 to 28 °C. Open, shorted
    and an overload are decided before the rule applies.

    Raises:
        InputError: limits and reading are of different quantities, a capacitance or resistance is negative, an overload
            has only a low limit to meet, or no meter is specified for ``celsius``.
    """
    line = accuracy_line_for(accuracy, measured, celsius)
    if limits is None:
        reason = "No limits yet: enter the rating printed on the part."
        return Judgement(
            Verdict.NO_LIMITS, Margin.CLEAR, None, measured.digits, None, None, str(line), reason, str(rule)
        )
    digits, step = measured.in_unit(limits.unit)
    if digits is None or measured.digits is None:
        return _judge_overload(kind, limits, measured.quantity, line, rule)
    if digits < 0 and measured.quantity in {Quantity.CAPACITANCE, Quantity.RESISTANCE}:
        raise InputError(
            f"{digits:f} {limits.unit} is not possible: {measured.quantity} is never negative.",
            "Check the reading, or zero the meter's leads.",
        )
    # The line applies to the displayed value: 1 % of 75 °F is not 1 % of 23.9 °C.
    half_width = convert_interval(line.half_width(measured.digits, measured.resolution), measured.unit, limits.unit)
    error = TrapezoidalDistribution(float(half_width), float(step) / 2)
    uncertainty = Decimal(repr(error.half_width()))
    verdict = _open_or_shorted(kind, limits, digits) or rule.verdict(limits, digits, uncertainty)
    edges = [edge for edge in (limits.low, limits.high) if edge is not None]
    nearest = min((abs(digits - edge) for edge in edges), default=None)
    close = nearest is not None and (nearest <= uncertainty or verdict is Verdict.UNDECIDED)
    next_measurement = ""
    if close and nearest is not None:
        allowed = convert_interval(nearest, limits.unit, measured.unit) / max(rule.guard_factor, Decimal(1))
        next_measurement = CloseCall(kind, measured, allowed, accuracy, celsius).advice()
    return Judgement(
        verdict,
        Margin.CLOSE_CALL if close else Margin.CLEAR,
        limits,
        digits,
        (digits - limits.nominal) / limits.nominal * 100 if limits.nominal else None,
        uncertainty,
        str(line),
        _reason(verdict, limits, digits, uncertainty if close else None, rule),
        str(rule),
        conformance_probability(
            error, float(digits), *(None if edge is None else float(edge) for edge in (limits.low, limits.high))
        ),
        error.half_width() / error.standard_uncertainty if error.standard_uncertainty else None,
        next_measurement,
    )


def _open_or_shorted(kind: PointKind, limits: Limits, digits: Decimal) -> Verdict | None:
    if kind is PointKind.CAPACITOR and limits.nominal and digits <= limits.nominal * OPEN_SECTION_FRACTION:
        return Verdict.OPEN
    if kind is PointKind.COIL and limits.low and digits <= limits.low * SHORTED_FRACTION:
        return Verdict.SHORTED
    return None


def _judge_overload(
    kind: PointKind, limits: Limits, quantity: Quantity, line: AccuracyLine, rule: DecisionRule
) -> Judgement:
    if kind is PointKind.INSULATION:
        least = _minimum_proven_by_overload(limits)
        verdict, reason = (
            Verdict.WITHIN,
            f"Above the meter's range, so above {format_decimal(least)} {limits.unit} to ground.",
        )
    elif quantity is Quantity.RESISTANCE:
        verdict, reason = Verdict.OPEN, "Overload on ohms: nothing conducts between these terminals."
    elif kind is PointKind.CAPACITOR:
        verdict = Verdict.SHORTED
        reason = "Overload on capacitance: shorted, or above the meter's range. Read ohms to see which."
    elif limits.high is None:
        raise InputError(f"An overload does not show whether the value is {limits.basis}.", "Use a higher range.")
    else:
        verdict, reason = Verdict.OUTSIDE, f"Above the meter's range, so above {limits.basis}."
    return Judgement(verdict, Margin.CLEAR, limits, None, None, None, str(line), reason, str(rule))


def _minimum_proven_by_overload(limits: Limits) -> Decimal:
    least = limits.low or Decimal(0)
    if convert(least, limits.unit, "MΩ") > LEAST_OHMS_OVERLOAD_PROVES:
        raise InputError(
            f"An overload does not show whether {format_decimal(least)} {limits.unit} is reached.",
            "Use an insulation tester that shows a number.",
        )
    return least


def _reason(verdict: Verdict, limits: Limits, digits: Decimal, uncertainty: Decimal | None, rule: DecisionRule) -> str:
    value_text = f"{digits:f} {limits.unit}"
    if verdict is Verdict.OPEN:
        return f"{value_text} is almost zero: this section is open, or a probe is not on its terminal."
    if verdict is Verdict.SHORTED:
        return (
            f"{value_text} is no more than the test leads alone: the coil is shorted, or the probes touch each other."
        )
    if limits.low is not None and digits < limits.low:
        text = f"{value_text} is below the low limit of {format_decimal(limits.low)} {limits.unit}"
    elif limits.high is not None and digits > limits.high:
        text = f"{value_text} is above the high limit of {format_decimal(limits.high)} {limits.unit}"
    else:
        within = "" if limits.basis.startswith(("at least ", "at most ")) else "within "
        text = f"{value_text} is {within}{limits.basis}"
    if uncertainty is None:
        return f"{text}."
    if verdict is Verdict.UNDECIDED:
        guard = f"{rule.guard_factor * uncertainty:.2g} {limits.unit}"
        return f"{text}, but too near the limit to decide: the guard band is {guard}."
    return f"{text}, but the meter may be off by {uncertainty:.2g} {limits.unit}."
