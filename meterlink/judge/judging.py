"""Judge a reading against its limits: the verdict, its margin and its reason."""

from collections.abc import Collection, Sequence
from dataclasses import replace
from decimal import Decimal
from typing import NamedTuple

from meterlink.core.equipment import MarkedVoltage, PointKind, Rating, Span, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.readings import Coupling, Reading
from meterlink.core.units import Quantity, convert
from meterlink.core.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.judge.accuracy import Accuracy, accuracy_line_for
from meterlink.judge.close_calls import CloseCall
from meterlink.judge.conformity import conformance_probability
from meterlink.judge.decision_rules import SIMPLE_ACCEPTANCE, DecisionRule
from meterlink.judge.electrical.bands import marked_voltage_limits
from meterlink.judge.flow import Flow, nothing_flows_reason
from meterlink.judge.limits import rated_limits, span_limits
from meterlink.judge.measured_value import (
    MeasuredValue,
    MeterReading,
    convert_interval,
    decimals_of,
    exact_unit,
    format_decimal,
    format_figures,
    shows_nothing,
)
from meterlink.judge.reading_questions import coupling_question, judge_typed, overload_question
from meterlink.judge.repeats import combine_readings
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
    "warning_text",
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
# (UKAS LAB 48, example 13, from memory). The multiple is our own: beyond three, a part that reads in the middle
# of its limits is out of them with a probability of about two thirds.
MOST_UNCERTAINTY = Decimal(3)

# Low insulation may let current flow to the frame: damp, or a lasting path below a tenth of the minimum, where drying
# seldom helps. Common practice, no source.
_DO_NOT_RUN = "Do not run it before it is dried or proven."
_GROUNDED = "It is grounded: do not run it before it is proven or replaced."
DAMP_FACTOR = 10

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
        case MarkedVoltage() as marked:
            return marked_voltage_limits(marked)
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
    meter: str = "",
    earlier: Sequence[MeterReading] = (),
    coupling: Coupling | None = None,
) -> Judgement:
    """Judge one reading, or ask.

    ``accuracy`` is the meter's accuracy line for this quantity and range, or its sheet; None uses the assumed line, and
    the judgement marks it as assumed. ``celsius`` is the temperature of the meter, None for 18 to 28 °C. Open, shorted
    and an overload are decided before the rule applies. Where the measurement cannot distinguish within from outside
    (see `MOST_UNCERTAINTY`), the verdict is cannot tell, unless the reading is outside by more than its uncertainty.
    ``service_parts`` describes the capacitors met on calls: it supports the probability of a capacitor that is within,
    and never changes a verdict. With ``flow`` the verdict on a reading that shows nothing is nothing flows.
    ``coupling`` is the one that the test point needs, None for any.

    The judgement has a question for an overload on capacitance (above the range, or a short?), for a typed value whose
    left-out zeros change the verdict or its margin, and for a typed value without AC or DC where ``coupling`` is given.

    ``earlier`` are other readings of the same test point, and ``meter`` names the meter of this one. Where they agree,
    they reduce its uncertainty as far as they are independent (see `meterlink.judge.repeats`); the verdict is still
    that of this reading. A temperature is judged in °F, into which °C converts exactly: the same air has the same
    verdict in both.

    Raises:
        InputError: limits and reading are of different quantities, a capacitance or resistance is negative, an overload
            has only a low limit to meet, or no meter is specified for ``celsius``.
    """

    def judge_display(display: MeasuredValue) -> Judgement:
        return _judge_display(
            kind, limits, display, accuracy, rule=rule, celsius=celsius, service_parts=service_parts, flow=flow,
            meter=meter, earlier=earlier,
        )  # fmt: skip

    def judge_value(value: MeasuredValue) -> Judgement:
        return judge_typed(value, judge_display, accuracy)

    if coupling is not None and measured.is_typed and measured.coupling is None:
        return coupling_question(coupling, measured, judge_value)
    return judge_value(measured)


def _judge_display(
    kind: PointKind,
    limits: Limits | None,
    measured: MeasuredValue,
    accuracy: Accuracy | None,
    *,
    rule: DecisionRule,
    celsius: Decimal | None,
    service_parts: ServiceParts,
    flow: Flow | None,
    meter: str,
    earlier: Sequence[MeterReading],
) -> Judgement:
    """Judge a value whose display step is known.

    Raises:
        InputError: a capacitance or a resistance is negative, or an overload has only a low limit to meet.
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
    digits, _ = measured.in_unit(limits.unit)
    if digits is None:
        return _judge_overload(kind, limits, measured, accuracy, line, rule)
    if digits < 0 and measured.quantity in {Quantity.CAPACITANCE, Quantity.RESISTANCE}:
        raise InputError(
            f"{digits:f} {limits.unit} is not possible: {measured.quantity} is never negative.",
            "Check the reading, or zero the meter's leads.",
        )
    scale = exact_unit(limits.unit)
    exact = _in_unit(limits, scale)
    value, _ = measured.in_unit(scale)
    assert value is not None  # noqa: S101  # no overload: see above
    doubt = _doubt(kind, exact, (*earlier, MeterReading(measured, line, meter)), rule, limits.unit)
    uncertainty = doubt.uncertainty
    verdict = _verdict(kind, exact, value, uncertainty, rule)
    constrained = _is_indistinct(exact, value, uncertainty)
    edges = [edge for edge in (exact.low, exact.high) if edge is not None]
    nearest = min((abs(doubt.centre - edge) for edge in edges), default=None)
    close = nearest is not None and nearest <= uncertainty and verdict in _VERDICTS_WITH_MARGIN
    next_measurement = ""
    if nearest is not None and (close or verdict is Verdict.CANNOT_TELL):
        allowed = MOST_UNCERTAINTY * _half_span(exact) if constrained else nearest / max(rule.guard_factor, Decimal(1))
        allowed = convert_interval(allowed, scale, measured.unit)
        next_measurement = CloseCall(kind, measured, allowed, accuracy, celsius).advice()
    probability, prior = _probability(kind, verdict, exact, doubt, service_parts)
    shown_uncertainty = convert_interval(uncertainty, scale, limits.unit)
    if not doubt.agree:
        next_measurement = (
            _disagreement_advice(kind, {meter, *(reading.meter for reading in earlier)}) or next_measurement
        )
    if (measured.unit, limits.unit) == ("°F", "°C"):
        digits = round(digits, decimals_of(measured.resolution) + 2)  # five ninths of a decimal number never end
    # To ground the limit is in MΩ and the reading of a fault in Ω.
    shown = str(measured) if kind is PointKind.INSULATION else f"{digits:f} {limits.unit}"
    reason = (
        _constraint_reason(limits, digits, shown_uncertainty)
        if constrained
        else _reason(verdict, limits, digits, shown, shown_uncertainty, rule, close=close)
    )
    # The zero of °C and of °F is arbitrary: a percentage of a temperature says nothing.
    nominal = None if measured.quantity is Quantity.TEMPERATURE else limits.nominal
    return Judgement(
        verdict,
        (Margin.CLOSE_CALL if close else Margin.CLEAR) if verdict in _VERDICTS_WITH_MARGIN else None,
        limits,
        digits,
        (digits - nominal) / nominal * 100 if nominal else None,
        shown_uncertainty,
        str(line),
        f"{reason}{warning_text(kind, limits, digits)} {doubt.remark}".rstrip(),
        str(rule),
        probability,
        doubt.error.half_width() / doubt.error.standard_uncertainty if doubt.error.standard_uncertainty else None,
        next_measurement,
        prior,
    )


class _Doubt(NamedTuple):
    """What is known of the true value: distributed like ``error`` about ``centre``, in the unit of the limits.

    ``widest`` is the error that a capacitor's probability counts. ``remark`` says what repeated readings change;
    ``agree`` is False where they disagree.
    """

    centre: Decimal
    error: TrapezoidalDistribution
    widest: TrapezoidalDistribution
    remark: str
    agree: bool

    @property
    def uncertainty(self) -> Decimal:
        """The expanded uncertainty."""
        return Decimal(repr(self.error.half_width()))


def _doubt(
    kind: PointKind, limits: Limits, readings: Sequence[MeterReading], rule: DecisionRule, shown_in: str
) -> _Doubt:
    """Return the doubt about the newest of one or more readings, which is the one that is judged.

    The others reduce it only where they agree with it and lead to the same verdict.
    """
    digits, _ = readings[-1].measured.in_unit(limits.unit)
    assert digits is not None  # noqa: S101  # an overload has no doubt
    single = _combined(kind, limits, readings[-1:], shown_in)._replace(centre=digits)
    if len(readings) == 1:
        return single
    combined = _combined(kind, limits, readings, shown_in)
    if not combined.agree:
        return single._replace(remark=combined.remark, agree=False)
    by_display, by_centre = (
        _verdict(kind, limits, value, combined.uncertainty, rule) for value in (digits, combined.centre)
    )
    if by_display is not by_centre:
        return single._replace(remark="The readings lie on both sides of a limit, so they do not reduce the doubt.")
    return combined


def _disagreement_advice(kind: PointKind, meters: Collection[str]) -> str:
    """Return the advice about readings of one point that disagree; empty where the circuit may have changed."""
    if len(meters) > 1:
        return "Read a part of known value with each meter, then read this one again with the meter that was right."
    if kind in {PointKind.CAPACITOR, PointKind.COIL}:
        return "Clean the terminals and read it three times without moving the leads."
    return ""


def _combined(kind: PointKind, limits: Limits, readings: Sequence[MeterReading], shown_in: str) -> _Doubt:
    together = combine_readings(readings, limits.unit, shown_in=shown_in)
    widest = together
    if kind is PointKind.CAPACITOR:
        widest = combine_readings(readings, limits.unit, least_size=_middle(limits))
    return _Doubt(Decimal(repr(together.value)), together.error, widest.error, together.text, together.agree)


def _verdict(kind: PointKind, limits: Limits, digits: Decimal, uncertainty: Decimal, rule: DecisionRule) -> Verdict:
    if _is_indistinct(limits, digits, uncertainty):
        return Verdict.CANNOT_TELL
    return _open_or_shorted(kind, limits, digits) or rule.verdict(limits, digits, uncertainty)


def _in_unit(limits: Limits, unit: str) -> Limits:
    if limits.unit == unit:
        return limits
    low, high, nominal = (
        None if edge is None else convert(edge, limits.unit, unit) for edge in (limits.low, limits.high, limits.nominal)
    )
    return replace(limits, low=low, high=high, nominal=nominal, unit=unit)


def _middle(limits: Limits) -> Decimal:
    """Return the size of the middle of the limits; 0 with one open side.

    An accuracy line is narrower for smaller readings: with its error a reading farther below the middle could seem more
    certain, so a capacitor's probability counts the error of the middle where that is larger.
    """
    return Decimal(0) if limits.low is None or limits.high is None else abs((limits.low + limits.high) / 2)


def warning_text(kind: PointKind, limits: Limits | None, digits: Decimal | None) -> str:
    """Return the warning of a reading below the least resistance to ground, also of a close call; else nothing.

    ``digits`` are in the unit of ``limits``; the text begins with a space.
    """
    if kind is not PointKind.INSULATION or limits is None or limits.low is None or digits is None:
        return ""
    if digits * DAMP_FACTOR < limits.low:
        return f" {_GROUNDED}"
    return f" {_DO_NOT_RUN}" if digits < limits.low else ""


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
        f"{digits:f} {limits.unit}, but the meter may be off by {format_figures(uncertainty, 2)} {limits.unit}: more "
        f"than {MOST_UNCERTAINTY} times the ±{format_decimal(half)} {limits.unit} of {limits.basis}."
    )


def _probability(
    kind: PointKind, verdict: Verdict, limits: Limits, doubt: _Doubt, service_parts: ServiceParts
) -> tuple[float | None, str]:
    """Return ``(probability of being within, source of the prior)``; None beside a verdict without a margin.

    None, too, where readings disagree: one of them is wrong, and no probability of this one says which.
    """
    if verdict not in _VERDICTS_WITH_MARGIN or not doubt.agree:
        return None, ""
    # A capacitor's probability is compared along its readings; of any other part it is that of JCGM 106 to the digit.
    error, centre = doubt.widest, float(doubt.centre)
    low, high = (None if edge is None else float(edge) for edge in (limits.low, limits.high))
    if kind is PointKind.CAPACITOR and verdict is Verdict.WITHIN and limits.nominal and low and high:
        rated = float(limits.nominal)
        return probability_within(service_parts, error, centre, low, high, rated), service_parts.source
    return conformance_probability(error, centre, low, high), ""


def _open_or_shorted(kind: PointKind, limits: Limits, digits: Decimal) -> Verdict | None:
    if kind is PointKind.CAPACITOR and limits.nominal and digits <= limits.nominal * OPEN_SECTION_FRACTION:
        return Verdict.OPEN
    if kind is PointKind.COIL and limits.low and digits <= limits.low * SHORTED_FRACTION:
        return Verdict.SHORTED
    return None


def _judge_overload(
    kind: PointKind,
    limits: Limits,
    measured: MeasuredValue,
    accuracy: Accuracy | None,
    line: AccuracyLine,
    rule: DecisionRule,
) -> Judgement:
    margin = None
    if kind is PointKind.INSULATION:
        least = _minimum_proven_by_overload(limits)
        margin = Margin.CLEAR
        verdict, reason = (
            Verdict.WITHIN,
            f"Above the meter's range, so above {format_decimal(least)} {limits.unit} to ground.",
        )
    elif measured.quantity is Quantity.RESISTANCE:
        verdict, reason = Verdict.OPEN, "Overload on ohms: nothing conducts between these terminals."
    elif measured.quantity is Quantity.CAPACITANCE:
        verdict = Verdict.OVER_RANGE
        reason = "Overload on capacitance: above the meter's range, shorted, or still charging. Read ohms to see which."
        asked = Judgement(verdict, None, limits, None, None, None, str(line), reason, str(rule))
        return overload_question(asked, limits, measured, accuracy)
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
    verdict: Verdict,
    limits: Limits,
    digits: Decimal,
    value_text: str,
    uncertainty: Decimal,
    rule: DecisionRule,
    *,
    close: bool,
) -> str:
    if verdict is Verdict.OPEN and (limits.low or 0) <= digits * 1000 <= (limits.high or 0):
        return (
            f"{value_text} is a thousandth of {limits.basis}, more than an open section reads: look at the prefix on "
            "the display, n or µ, and measure again before you call it open."
        )
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
        guard = f"{format_figures(rule.guard_band(uncertainty), 2)} {limits.unit}"
        return f"{text}, but too near the limit to decide: the guard band is {guard}."
    return (
        f"{text}, but the meter may be off by {format_figures(uncertainty, 2)} {limits.unit}." if close else f"{text}."
    )
