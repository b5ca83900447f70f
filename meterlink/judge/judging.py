"""From a reading and its limits to a verdict with its margin and its reason in words."""

from dataclasses import dataclass
from decimal import Decimal

from meterlink.equipment import Check, Rating, Span, TestPoint
from meterlink.errors import InputError
from meterlink.judge.limits import rated_limits, span_limits
from meterlink.judge.tolerance import DEFAULT_CAPACITOR_TOLERANCE
from meterlink.judge.uncertainty import AccuracyLine, assumed_accuracy, expanded_uncertainty
from meterlink.judge.verdicts import Judgement, Limits, Margin, Verdict
from meterlink.readings import Reading, Status
from meterlink.units import Amount, Quantity, convert, step_of

# The decision rule every judgement here is taken by (JCGM 106, 8.2: simple acceptance): the displayed value decides,
# the doubt is shown beside it. It is what the trade does with a meter in hand.
RULE = "simple acceptance"

# A section with a broken lead or a blown fuse link leaves only the stray capacitance of the leads, a few tens of
# picofarads. 2 % of the rated value is far above that for any run capacitor (2 µF and up), and far below any section
# that is merely weak. Common practice, no source.
OPEN_SECTION_FRACTION = Decimal("0.02")

# A dead short reads as the test leads, some tenths of an ohm, whatever the coil should have; turns shorted among
# themselves leave more than this. Common practice, no source.
SHORTED_FRACTION = Decimal("0.1")


@dataclass(frozen=True, slots=True)
class Measured:
    """What the meter showed: ``digits`` of ``unit`` to the nearest ``step``, or an overload (``digits`` None)."""

    quantity: Quantity
    digits: Decimal | None
    unit: str
    step: Decimal

    @classmethod
    def from_reading(cls, reading: Reading) -> "Measured":
        """Take a reading that is ok or overload; InputError for one that carries no value."""
        if reading.status is Status.INVALID:
            raise InputError("The meter shows no value.", "Check its function and range.")
        return cls(reading.quantity, reading.digits, reading.unit, reading.resolution or Decimal(0))

    @classmethod
    def from_amount(cls, quantity: Quantity, amount: Amount) -> "Measured":
        """Take what somebody read off a display: its last written place is the step."""
        return cls(quantity, amount.digits, amount.unit, step_of(amount.digits))

    def in_unit(self, unit: str) -> tuple[Decimal | None, Decimal]:
        """Return (digits, step) in ``unit``, which must be of the same quantity."""
        step = convert(self.step, self.unit, unit) - convert(Decimal(0), self.unit, unit)  # °F has an offset
        return (None if self.digits is None else convert(self.digits, self.unit, unit)), abs(step)


def limits_of(point: TestPoint, capacitor_tolerance: str = DEFAULT_CAPACITOR_TOLERANCE) -> Limits | None:
    """Return what a test point is held against, None while its rating is unknown; InputError for a bad rating."""
    match point.against:
        case Rating() as rating:
            return rated_limits(rating, capacitor_tolerance)
        case Span() as span:
            return span_limits(span)
        case None:
            return None


def judge(check: Check, limits: Limits | None, measured: Measured, accuracy: AccuracyLine | None = None) -> Judgement:
    """Judge one reading.

    ``accuracy`` is the meter's own line for this quantity and range; None takes the assumed one, which the judgement
    then says. InputError when limits and reading measure different things, or a capacitance or resistance is negative.
    """
    line = accuracy or assumed_accuracy(measured.quantity)
    if limits is None:
        reason = "Nothing to hold this against yet: enter what is printed on the part."
        return Judgement(Verdict.NO_LIMITS, Margin.CLEAR, None, measured.digits, None, None, str(line), reason)
    digits, step = measured.in_unit(limits.unit)
    if digits is None:
        return _overload(check, limits, measured.quantity, line)
    if digits < 0 and measured.quantity in {Quantity.CAPACITANCE, Quantity.RESISTANCE}:
        raise InputError(
            f"{digits:f} {limits.unit} cannot be: {measured.quantity} is never negative.",
            "Check the reading, or zero the meter's leads.",
        )
    half_width = expanded_uncertainty(float(line.half_width(digits, step)), float(step))
    uncertainty = Decimal(repr(half_width))
    verdict = _verdict(check, limits, digits)
    nearest = min((abs(digits - edge) for edge in (limits.low, limits.high) if edge is not None), default=None)
    close = nearest is not None and nearest <= uncertainty
    return Judgement(
        verdict,
        Margin.CLOSE_CALL if close else Margin.CLEAR,
        limits,
        digits,
        (digits - limits.nominal) / limits.nominal * 100 if limits.nominal else None,
        uncertainty,
        str(line),
        _reason(verdict, limits, digits, uncertainty if close else None),
    )


def _verdict(check: Check, limits: Limits, digits: Decimal) -> Verdict:
    if check is Check.CAPACITOR and limits.nominal and digits <= limits.nominal * OPEN_SECTION_FRACTION:
        return Verdict.OPEN
    if check is Check.COIL and limits.low and digits <= limits.low * SHORTED_FRACTION:
        return Verdict.SHORTED
    low_enough = limits.high is None or digits <= limits.high
    high_enough = limits.low is None or digits >= limits.low
    return Verdict.WITHIN if low_enough and high_enough else Verdict.OUTSIDE


def _overload(check: Check, limits: Limits, quantity: Quantity, line: AccuracyLine) -> Judgement:
    if quantity is Quantity.RESISTANCE:
        verdict, reason = Verdict.OPEN, "Overload on ohms: nothing conducts between these terminals."
    elif check is Check.CAPACITOR:
        verdict = Verdict.SHORTED
        reason = "Overload on capacitance: shorted, or above the meter's range. Read it in ohms to tell which."
    else:
        verdict, reason = Verdict.OUTSIDE, f"Above the meter's range, so above {limits.basis}."
    return Judgement(verdict, Margin.CLEAR, limits, None, None, None, str(line), reason)


def _reason(verdict: Verdict, limits: Limits, digits: Decimal, doubt: Decimal | None) -> str:
    shown = f"{digits:f} {limits.unit}"
    match verdict:
        case Verdict.OPEN:
            return f"{shown} is next to nothing: this section is open, or a probe is not on its terminal."
        case Verdict.SHORTED:
            return f"{shown} is what the test leads alone read: the coil is shorted, or the probes touch each other."
        case Verdict.OUTSIDE if limits.low is not None and digits < limits.low:
            text = f"{shown} is below the low limit of {plain(limits.low)} {limits.unit}"
        case Verdict.OUTSIDE if limits.high is not None:
            text = f"{shown} is above the high limit of {plain(limits.high)} {limits.unit}"
        case _:
            text = f"{shown} is within {limits.basis}"
    if doubt is None:
        return f"{text}."
    return f"{text}, but the meter may be off by {doubt:.2g} {limits.unit}: measure again on another range or meter."


def plain(number: Decimal) -> str:
    """Return a Decimal without exponent and without trailing zeros: 42.30 → ``42.3``."""
    return f"{number.normalize():f}"
