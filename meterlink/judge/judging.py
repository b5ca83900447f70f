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
from meterlink.judge.flow import Flow, nothing_flows_reason
from meterlink.judge.limits import rated_limits, span_limits
from meterlink.judge.measured_value import MeasuredValue, convert_interval, format_decimal, shows_nothing
from meterlink.judge.service_parts import ASSUMED_SERVICE_PARTS, ServiceParts, probability_within
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

# Simple acceptance with a constraint on the uncertainty: the displayed value decides only while the expanded
# uncertainty is at most this multiple of half the width of the limits. The form is "constrained simple acceptance"
# (UKAS LAB 48, example 13, from memory). The multiple is our own: beyond three, two thirds of the values that the
# display allows are outside the limits even for a reading in their middle.
MOST_UNCERTAINTY = Decimal(3)

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
    service_parts: ServiceParts = ASSUMED_SERVICE_PARTS,
    flow: Flow | None = None,
) -> Judgement:
    """Judge one reading.

    ``accuracy`` is the meter's accuracy line for this quantity and range, or its sheet; None uses the assumed line, and
    the judgement marks it as assumed. ``celsius`` is the temperature of the meter, None for 18 to 28 °C. Open, shorted
    and an overload are decided before the rule applies. Where the measurement cannot distinguish within from outside
    (see `MOST_UNCERTAINTY`), the verdict is cannot tell, unless the reading is outside by more than its uncertainty.
    ``service_parts`` describes the capacitors met on calls: it supports the probability of a capacitor that is within,
    and never changes a verdict. With ``flow`` the verdict on a reading that shows nothing is nothing flows.

    Raises:
        InputError: limits and reading are of different quantities, a capacitance or resistance is negative, an overload
            has only a low limit to meet, or no meter is specified for ``celsius``.
    """
    line = accuracy_line_for(accuracy, measured, celsius)
    if flow and shows_nothing(measured, line):
        reason = nothing_flows_reason(measured.quantity, limits, str(measured), flow)
        if reason:
            digits = measured.digits if limits is None else measured.in_unit(limits.unit)[0]
            return Judgement(Verdict.NOTHING_FLOWS, None, limits, digits, None, None, str(line), reason, str(rule))
    if limits is None:
        reason = "No limits yet: enter the rating printed on the part."
        return Judgement(Verdict.NO_LIMITS, None, None, measured.digits, None, None, str(line), reason, str(rule))
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
    constrained = _is_indistinct(limits, digits, uncertainty)
    if constrained:
        verdict = Verdict.CANNOT_TELL
    edges = [edge for edge in (limits.low, limits.high) if edge is not None]
    nearest = min((abs(digits - edge) for edge in edges), default=None)
    close = nearest is not None and nearest <= uncertainty and verdict in _VERDICTS_WITH_MARGIN
    next_measurement = ""
    if nearest is not None and (close or verdict is Verdict.CANNOT_TELL):
        allowed = MOST_UNCERTAINTY * _half_span(limits) if constrained else nearest / max(rule.guard_factor, Decimal(1))
        allowed = convert_interval(allowed, limits.unit, measured.unit)
        next_measurement = CloseCall(kind, measured, allowed, accuracy, celsius).advice()
    # A capacitor's probability is compared along its readings; of any other part it is that of JCGM 106 to the digit.
    doubt = _widest_error(limits, measured, line) if kind is PointKind.CAPACITOR else error
    probability, prior = _probability(kind, verdict, limits, digits, doubt, service_parts)
    return Judgement(
        verdict,
        (Margin.CLOSE_CALL if close else Margin.CLEAR) if verdict in _VERDICTS_WITH_MARGIN else None,
        limits,
        digits,
        (digits - limits.nominal) / limits.nominal * 100 if limits.nominal else None,
        uncertainty,
        str(line),
        _constraint_reason(limits, digits, uncertainty)
        if constrained
        else _reason(verdict, limits, digits, uncertainty, rule, close=close),
        str(rule),
        probability,
        error.half_width() / error.standard_uncertainty if error.standard_uncertainty else None,
        next_measurement,
        prior,
    )


_VERDICTS_WITH_MARGIN = {Verdict.WITHIN, Verdict.OUTSIDE}


def _half_span(limits: Limits) -> Decimal:
    """Return half the width of the limits, infinite with one open side."""
    return Decimal("Infinity") if limits.low is None or limits.high is None else (limits.high - limits.low) / 2


def _is_indistinct(limits: Limits, digits: Decimal, uncertainty: Decimal) -> bool:
    """Return whether the uncertainty is too large for these limits, and reaches from the reading into them."""
    if uncertainty <= MOST_UNCERTAINTY * _half_span(limits):
        return False
    assert limits.low is not None  # noqa: S101  # an open side has an infinite width
    assert limits.high is not None  # noqa: S101
    return limits.low - uncertainty <= digits <= limits.high + uncertainty


def _constraint_reason(limits: Limits, digits: Decimal, uncertainty: Decimal) -> str:
    half = _half_span(limits)
    return (
        f"{digits:f} {limits.unit}, but the meter may be off by {uncertainty:.2g} {limits.unit}: more than "
        f"{MOST_UNCERTAINTY} times the ±{format_decimal(half)} {limits.unit} of {limits.basis}."
    )


def _widest_error(limits: Limits, measured: MeasuredValue, line: AccuracyLine) -> TrapezoidalDistribution:
    """Return the error, in ``limits.unit``, of the reading or of the middle of the limits, whichever is larger.

    An accuracy line is narrower for smaller readings: with its error a reading farther below the middle could seem more
    certain.
    """
    sizes = [abs(measured.digits or Decimal(0))]
    if limits.low is not None and limits.high is not None:
        sizes.append(abs(convert((limits.low + limits.high) / 2, limits.unit, measured.unit)))
    widths = (line.half_width(max(sizes), measured.resolution), measured.resolution / 2)
    return TrapezoidalDistribution(*(float(convert_interval(width, measured.unit, limits.unit)) for width in widths))


def _probability(
    kind: PointKind,
    verdict: Verdict,
    limits: Limits,
    digits: Decimal,
    error: TrapezoidalDistribution,
    service_parts: ServiceParts,
) -> tuple[float | None, str]:
    """Return ``(probability of being within, source of the prior)``; None beside a verdict without a margin."""
    if verdict not in _VERDICTS_WITH_MARGIN:
        return None, ""
    low, high = (None if edge is None else float(edge) for edge in (limits.low, limits.high))
    if kind is PointKind.CAPACITOR and verdict is Verdict.WITHIN and limits.nominal and low and high:
        rated = float(limits.nominal)
        return probability_within(service_parts, error, float(digits), low, high, rated), service_parts.source
    return conformance_probability(error, float(digits), low, high), ""


def _open_or_shorted(kind: PointKind, limits: Limits, digits: Decimal) -> Verdict | None:
    if kind is PointKind.CAPACITOR and limits.nominal and digits <= limits.nominal * OPEN_SECTION_FRACTION:
        return Verdict.OPEN
    if kind is PointKind.COIL and limits.low and digits <= limits.low * SHORTED_FRACTION:
        return Verdict.SHORTED
    return None


def _judge_overload(
    kind: PointKind, limits: Limits, quantity: Quantity, line: AccuracyLine, rule: DecisionRule
) -> Judgement:
    margin = None
    if kind is PointKind.INSULATION:
        least = _minimum_proven_by_overload(limits)
        margin = Margin.CLEAR
        verdict, reason = (
            Verdict.WITHIN,
            f"Above the meter's range, so above {format_decimal(least)} {limits.unit} to ground.",
        )
    elif quantity is Quantity.RESISTANCE:
        verdict, reason = Verdict.OPEN, "Overload on ohms: nothing conducts between these terminals."
    elif kind is PointKind.CAPACITOR:
        verdict = Verdict.OVER_RANGE
        reason = "Overload on capacitance: above the meter's range, shorted, or still charging. Read ohms to see which."
    elif limits.high is None:
        raise InputError(f"An overload does not show whether the value is {limits.basis}.", "Use a higher range.")
    else:
        verdict, margin = Verdict.OUTSIDE, Margin.CLEAR
        reason = f"Above the meter's range, so above {limits.basis}."
    return Judgement(verdict, margin, limits, None, None, None, str(line), reason, str(rule))


def _minimum_proven_by_overload(limits: Limits) -> Decimal:
    least = limits.low or Decimal(0)
    if convert(least, limits.unit, "MΩ") > LEAST_OHMS_OVERLOAD_PROVES:
        raise InputError(
            f"An overload does not show whether {format_decimal(least)} {limits.unit} is reached.",
            "Use an insulation tester that shows a number.",
        )
    return least


def _reason(
    verdict: Verdict, limits: Limits, digits: Decimal, uncertainty: Decimal, rule: DecisionRule, *, close: bool
) -> str:
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
    if verdict is Verdict.CANNOT_TELL:
        guard = f"{rule.guard_factor * uncertainty:.2g} {limits.unit}"
        return f"{text}, but too near the limit to decide: the guard band is {guard}."
    return f"{text}, but the meter may be off by {uncertainty:.2g} {limits.unit}." if close else f"{text}."
