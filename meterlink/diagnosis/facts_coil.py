"""Facts about a coil and the voltage that should reach it."""

from decimal import Decimal

from meterlink.core.verdicts import Limits, Margin, Verdict
from meterlink.diagnosis.evidence import DOES_NOT_HOLD, UNKNOWN, Evidence, fact, make_evidence
from meterlink.diagnosis.facts_readings import describe_point, earlier_reading_agrees, readings_differ
from meterlink.diagnosis.observations import Observation, PointReadings
from meterlink.diagnosis.subjects import Coil
from meterlink.diagnosis.voltage_levels import LEAST_LINE_VOLTS, VoltageLevel, most_control_volts, voltage_level
from meterlink.judge.electrical.winding_temperature import (
    WindingMetal,
    is_plausible_temperature,
    resistance_at_temperature,
    winding_temperature,
)
from meterlink.judge.judging import format_decimal

# The limits of a coil are assumed to apply at this temperature, as a maker's resistance usually does (IEC 60034-1 and
# conductor tables both refer to 20 °C, from memory), °C.
REFERENCE_CELSIUS = 20.0
# A coil with class B insulation runs at up to 130 °C (IEC 60085, from memory); a higher temperature explains nothing.
_MAX_COIL_CELSIUS = 130.0
# Unit controllers commonly keep a compressor off for up to five minutes after power-up or a stop (common practice, no
# source). A sixth minute allows for an inexact start, s.
_START_UP_DELAY = 6 * 60.0


def _resistance_and_limits(coil: Coil) -> tuple[Observation, Decimal | None, Limits] | None:
    latest = coil.resistance.latest if coil.resistance else None
    if latest is None or latest.judgement is None or latest.judgement.limits is None:
        return None
    return latest, latest.judgement.digits, latest.judgement.limits


def _verdict_is(coil: Coil, verdict: Verdict) -> Evidence:
    """Return evidence that the newest resistance has this verdict."""
    latest = coil.resistance.latest if coil.resistance else None
    if coil.resistance is None or latest is None or latest.judgement is None:
        return UNKNOWN
    return make_evidence(
        latest.verdict is verdict, f"{describe_point(coil.resistance)}: {latest.judgement.reason}", latest
    )


def _beyond_limit(coil: Coil, *, low: bool) -> Evidence:
    """Return evidence that the newest resistance is beyond its low or high limit, and not a short."""
    judged = _resistance_and_limits(coil)
    if judged is None or coil.resistance is None:
        return UNKNOWN
    latest, digits, limits = judged
    if digits is None or latest.judgement is None:
        return DOES_NOT_HOLD
    edge = limits.low if low else limits.high
    beyond = edge is not None and (digits < edge if low else digits > edge)
    holds = beyond and latest.verdict is not Verdict.SHORTED
    return make_evidence(holds, f"{describe_point(coil.resistance)}: {latest.judgement.reason}", latest)


@fact(Coil, "its resistance reads overload")
def _open(coil: Coil) -> Evidence:
    """The meter shows overload on ohms: the coil is open, or a probe is off its terminal."""
    if coil.resistance is None or coil.resistance.latest is None:
        return UNKNOWN
    overload = coil.resistance.latest.measured.digits is None
    return make_evidence(
        overload,
        f"{describe_point(coil.resistance)} reads overload on ohms: nothing conducts there.",
        coil.resistance.latest,
    )


@fact(Coil, "its resistance is almost zero")
def _short(coil: Coil) -> Evidence:
    """The resistance is at most a tenth of its low limit, no more than the test leads alone."""
    return _verdict_is(coil, Verdict.SHORTED)


@fact(Coil, "its resistance is below its low limit")
def _below(coil: Coil) -> Evidence:
    """The resistance is below its low limit, but more than the test leads alone."""
    return _beyond_limit(coil, low=True)


@fact(Coil, "its resistance is above its high limit")
def _above(coil: Coil) -> Evidence:
    """The resistance is above its high limit, but not an overload."""
    return _beyond_limit(coil, low=False)


@fact(Coil, "its resistance is within its limits")
def _within(coil: Coil) -> Evidence:
    """The resistance is within its limits."""
    return _verdict_is(coil, Verdict.WITHIN)


@fact(Coil, "its resistance is a close call")
def _close(coil: Coil) -> Evidence:
    """The resistance is outside its limits by no more than the meter's error."""
    return _margin_is(coil, Margin.CLOSE_CALL, "is a close call for this meter")


@fact(Coil, "line voltage is at this control coil")
def _line_voltage(coil: Coil) -> Evidence:
    """The newest voltage at a coil of a control circuit is 90 V or more: the limits there end at 50 V or below, or the
    circuit is named as one of 24 V.
    """
    latest = coil.voltage.latest if coil.voltage else None
    if coil.voltage is None or latest is None:
        return UNKNOWN
    most = most_control_volts(coil.voltage)
    if most is None:
        return UNKNOWN
    volts = latest.estimate.value if latest.estimate else LEAST_LINE_VOLTS  # an overload is above any control voltage
    text = f"{describe_point(coil.voltage)} reads {latest.text}, and at most {most} belong there."
    return make_evidence(volts >= LEAST_LINE_VOLTS, text, latest)


@fact(Coil, "its resistance is clearly outside its limits")
def _clearly_outside(coil: Coil) -> Evidence:
    """The resistance is outside its limits by more than the meter's error."""
    return _margin_is(coil, Margin.CLEAR, "is outside by more than this meter's error")


def _margin_is(coil: Coil, margin: Margin, description: str) -> Evidence:
    judged = _resistance_and_limits(coil)
    if judged is None:
        return UNKNOWN
    latest, *_ = judged
    judgement = latest.judgement
    holds = judgement is not None and judgement.verdict is Verdict.OUTSIDE and judgement.margin is margin
    holds = holds or (margin is Margin.CLOSE_CALL and latest.verdict is Verdict.CANNOT_TELL)
    return make_evidence(holds, f"{latest.text} {description} ({latest.accuracy}).", latest)


@fact(Coil, "an earlier reading of its resistance agrees")
def _earlier_agrees(coil: Coil) -> Evidence:
    """An earlier resistance reading agrees with the newest; two overloads agree."""
    return earlier_reading_agrees(coil.resistance) if coil.resistance else UNKNOWN


@fact(Coil, "readings of its resistance differ")
def _readings_differ(coil: Coil) -> Evidence:
    """Two resistance readings differ by more than the meter's repeatability, or one of them is an overload."""
    return readings_differ(coil.resistance) if coil.resistance else UNKNOWN


@fact(Coil, "at 20 °C it would be within its limits")
def _within_at_reference(coil: Coil) -> Evidence:
    """The outside resistance is within its limits after correction to 20 °C for copper, from the temperature read at
    the coil (else the ambient temperature).
    """
    judged = _resistance_and_limits(coil)
    temperature = coil.temperature.latest if coil.temperature else None
    if judged is None or temperature is None or temperature.estimate is None:
        return UNKNOWN
    latest, digits, limits = judged
    celsius = temperature.estimate.value
    if digits is None or digits <= 0 or not is_plausible_temperature(celsius):
        return UNKNOWN
    ohms = resistance_at_temperature(float(digits), celsius, REFERENCE_CELSIUS, WindingMetal.COPPER.value)
    corrected = Decimal(f"{ohms:.4g}")
    inside = (limits.low is None or corrected >= limits.low) and (limits.high is None or corrected <= limits.high)
    text = (
        f"{latest.text} at {temperature.text} is {format_decimal(corrected)} {limits.unit} at {REFERENCE_CELSIUS:g} °C"
        f" (copper), within {limits.basis}."
    )
    displayed_outside = latest.verdict in {Verdict.OUTSIDE, Verdict.CANNOT_TELL}  # a rule may leave it open
    return make_evidence(inside and displayed_outside, text, latest, temperature)


@fact(Coil, "a warm coil would explain it")
def _warm_would_explain(coil: Coil) -> Evidence:
    """No temperature was read, and a copper coil within its limits at 20 °C reads this at 130 °C or below."""
    judged = _resistance_and_limits(coil)
    if judged is None or coil.temperature is not None:
        return UNKNOWN
    latest, digits, limits = judged
    if digits is None or limits.high is None:
        return UNKNOWN
    if digits <= limits.high or limits.high <= 0:
        return DOES_NOT_HOLD
    needed = winding_temperature(float(limits.high), REFERENCE_CELSIUS, float(digits), WindingMetal.COPPER.value)
    text = (
        f"A copper coil with the high limit of {format_decimal(limits.high)} {limits.unit} at {REFERENCE_CELSIUS:g} °C"
        f" reads {latest.text} at {needed:.0f} °C. Was it energized just before?"
    )
    return make_evidence(needed <= _MAX_COIL_CELSIUS, text, latest)


@fact(Coil, "no voltage reaches it")
def _no_voltage(coil: Coil) -> Evidence:
    """The newest voltage at its terminals is below a fifth of its low limit (IEC 60947-4-1 drop-out, from memory), or
    below 2 V without limits.
    """
    return _level_is(coil.voltage, VoltageLevel.ABSENT)


@fact(Coil, "the voltage at it is low")
def _voltage_low(coil: Coil) -> Evidence:
    """The newest voltage at its terminals is below its low limit, but not almost zero."""
    return _level_is(coil.voltage, VoltageLevel.LOW)


@fact(Coil, "voltage reaches it")
def _voltage_present(coil: Coil) -> Evidence:
    """The newest voltage at its terminals is at its low limit or above (2 V or above without limits)."""
    return _level_is(coil.voltage, VoltageLevel.PRESENT)


@fact(Coil, "its control supply has no voltage")
def _supply_absent(coil: Coil) -> Evidence:
    """The newest voltage at the control transformer's secondary is almost zero."""
    return _level_is(coil.control_supply, VoltageLevel.ABSENT)


@fact(Coil, "its control supply is low")
def _supply_low(coil: Coil) -> Evidence:
    """The newest voltage at the control transformer's secondary is below its low limit, but not almost zero."""
    return _level_is(coil.control_supply, VoltageLevel.LOW)


@fact(Coil, "its control supply is not low")
def _supply_not_low(coil: Coil) -> Evidence:
    """The newest voltage at the control transformer's secondary is at its low limit or above."""
    return _level_is(coil.control_supply, VoltageLevel.PRESENT)


@fact(Coil, "its control supply has voltage")
def _supply_present(coil: Coil) -> Evidence:
    """The newest voltage at the control transformer's secondary is not almost zero."""
    low, present = (
        _level_is(coil.control_supply, VoltageLevel.LOW),
        _level_is(coil.control_supply, VoltageLevel.PRESENT),
    )
    return low if low.holds else present


@fact(Coil, "its transformer's primary has voltage")
def _primary_present(coil: Coil) -> Evidence:
    """The newest voltage at the control transformer's primary is not almost zero."""
    low, present = (
        _level_is(coil.transformer_primary, VoltageLevel.LOW),
        _level_is(coil.transformer_primary, VoltageLevel.PRESENT),
    )
    return low if low.holds else present


def _level_is(point_readings: PointReadings | None, expected: VoltageLevel) -> Evidence:
    if point_readings is None or point_readings.latest is None:
        return UNKNOWN
    level = voltage_level(point_readings)
    if level is None:
        return UNKNOWN
    text = {VoltageLevel.ABSENT: "no working voltage", VoltageLevel.LOW: "low", VoltageLevel.PRESENT: "present"}[level]
    return make_evidence(
        level is expected,
        f"{describe_point(point_readings)} reads {point_readings.latest.text}: {text}.",
        point_readings.latest,
    )


@fact(Coil, "voltage was there only at a later reading")
def _voltage_arrived_later(coil: Coil) -> Evidence:
    """The first voltage reading at the coil is almost zero, and the last one is not."""
    if coil.voltage is None or len(coil.voltage.matching_readings) < 2:
        return UNKNOWN
    first, last = coil.voltage.matching_readings[0], coil.voltage.matching_readings[-1]
    first_level, last_level = voltage_level(coil.voltage, first), voltage_level(coil.voltage, last)
    if first_level is None or last_level is None:
        return UNKNOWN
    text = f"{describe_point(coil.voltage)} read {first.text} at first, then {last.text}."
    arrived = first_level is VoltageLevel.ABSENT and last_level is not VoltageLevel.ABSENT
    return make_evidence(arrived, text, first, last)


@fact(Coil, "it stayed without voltage for six minutes")
def _stayed_without_voltage(coil: Coil) -> Evidence:
    """Every voltage reading at the coil is almost zero, and the first and the last are six minutes or more apart."""
    if coil.voltage is None or len(coil.voltage.matching_readings) < 2:
        return UNKNOWN
    readings = coil.voltage.matching_readings
    first, last = readings[0], readings[-1]
    if first.time is None or last.time is None or last.time - first.time < _START_UP_DELAY:
        return UNKNOWN
    text = f"{describe_point(coil.voltage)} still read {last.text} after {(last.time - first.time) / 60:.0f} minutes."
    absent = all(voltage_level(coil.voltage, reading) is VoltageLevel.ABSENT for reading in readings)
    return make_evidence(absent, text, first, last)
