"""Facts about a contactor's or relay's coil and the voltage that should reach it."""

from decimal import Decimal

from meterlink.core.verdicts import Limits, Margin, Verdict
from meterlink.diagnosis.evidence import DOES_NOT_HOLD, UNKNOWN, Evidence, fact, make_evidence
from meterlink.diagnosis.facts_readings import describe_point, earlier_reading_agrees, readings_differ
from meterlink.diagnosis.observations import Observation, PointReadings
from meterlink.diagnosis.subjects import Coil
from meterlink.diagnosis.voltage_levels import VoltageLevel, voltage_level
from meterlink.judge.electrical.winding_temperature import (
    WindingMetal,
    is_plausible_temperature,
    resistance_at_temperature,
    winding_temperature,
)
from meterlink.judge.judging import format_decimal

# Out of its limits by the digits shown, whatever the decision rule makes of that.
_OUTSIDE_VERDICTS = {Verdict.OUTSIDE, Verdict.UNDECIDED}

# Limits of a coil are taken as stated at this temperature, as a maker's resistance usually is (IEC 60034-1 and
# conductor tables both refer to 20 °C, from memory), °C.
REFERENCE_CELSIUS = 20.0
# A class B insulated coil runs at up to 130 °C (IEC 60085, from memory); hotter than this explains nothing.
_MAX_COIL_CELSIUS = 130.0
# Unit controllers commonly hold a compressor off for up to five minutes after power-up or a stop. Common practice,
# no source. One more for the watch, s.
_START_UP_DELAY = 6 * 60.0


def _resistance_and_limits(coil: Coil) -> tuple[Observation, Decimal | None, Limits] | None:
    latest = coil.resistance.latest if coil.resistance else None
    if latest is None or latest.judgement is None or latest.judgement.limits is None:
        return None
    return latest, latest.judgement.digits, latest.judgement.limits


def _verdict_is(coil: Coil, verdict: Verdict) -> Evidence:
    """Tell whether the newest resistance has this verdict."""
    latest = coil.resistance.latest if coil.resistance else None
    if coil.resistance is None or latest is None or latest.judgement is None:
        return UNKNOWN
    return make_evidence(
        latest.verdict is verdict, f"{describe_point(coil.resistance)}: {latest.judgement.reason}", latest
    )


def _beyond_limit(coil: Coil, *, low: bool) -> Evidence:
    """Tell whether the newest resistance is beyond its low or high limit, without being a dead short."""
    known = _resistance_and_limits(coil)
    if known is None or coil.resistance is None:
        return UNKNOWN
    latest, digits, limits = known
    if digits is None or latest.judgement is None:
        return DOES_NOT_HOLD
    edge = limits.low if low else limits.high
    beyond = edge is not None and (digits < edge if low else digits > edge)
    holds = beyond and latest.verdict is not Verdict.SHORTED
    return make_evidence(holds, f"{describe_point(coil.resistance)}: {latest.judgement.reason}", latest)


@fact(Coil, "its resistance overloads")
def _open(coil: Coil) -> Evidence:
    """The meter shows overload on ohms: nothing conducts, or a probe is off."""
    if coil.resistance is None or coil.resistance.latest is None:
        return UNKNOWN
    overload = coil.resistance.latest.measured.digits is None
    return make_evidence(
        overload,
        f"{describe_point(coil.resistance)} overloads on ohms: nothing conducts there.",
        coil.resistance.latest,
    )


@fact(Coil, "its resistance is next to nothing")
def _short(coil: Coil) -> Evidence:
    """The resistance is at most a tenth of its low limit: what the test leads alone read."""
    return _verdict_is(coil, Verdict.SHORTED)


@fact(Coil, "its resistance is below its low limit")
def _below(coil: Coil) -> Evidence:
    """The resistance is below its low limit, but more than the test leads alone read."""
    return _beyond_limit(coil, low=True)


@fact(Coil, "its resistance is above its high limit")
def _above(coil: Coil) -> Evidence:
    """The resistance is above its high limit, but no overload."""
    return _beyond_limit(coil, low=False)


@fact(Coil, "its resistance is within its limits")
def _within(coil: Coil) -> Evidence:
    """The resistance is within its limits."""
    return _verdict_is(coil, Verdict.WITHIN)


@fact(Coil, "its resistance is a close call")
def _close(coil: Coil) -> Evidence:
    """The meter's own uncertainty straddles the nearest limit of the resistance."""
    return _margin_is(coil, Margin.CLOSE_CALL, "is a close call for this meter")


@fact(Coil, "its resistance is clear of its limits")
def _clearly_outside(coil: Coil) -> Evidence:
    """The resistance is outside its limits by more than the meter's own uncertainty."""
    return _margin_is(coil, Margin.CLEAR, "is out by more than this meter may be off by")


def _margin_is(coil: Coil, margin: Margin, description: str) -> Evidence:
    known = _resistance_and_limits(coil)
    if known is None:
        return UNKNOWN
    judgement = known[0].judgement
    holds = judgement is not None and judgement.margin is margin and judgement.verdict in _OUTSIDE_VERDICTS
    return make_evidence(holds, f"{known[0].text} {description} ({known[0].accuracy}).", known[0])


@fact(Coil, "an earlier take of its resistance agrees")
def _earlier_agrees(coil: Coil) -> Evidence:
    """An earlier resistance reading repeats the newest one; two overloads repeat each other."""
    return earlier_reading_agrees(coil.resistance) if coil.resistance else UNKNOWN


@fact(Coil, "takes of its resistance differ")
def _readings_differ(coil: Coil) -> Evidence:
    """Two resistance readings differ by more than the meter repeats to, or one of them is an overload."""
    return readings_differ(coil.resistance) if coil.resistance else UNKNOWN


@fact(Coil, "at 20 °C it would be within its limits")
def _within_at_reference(coil: Coil) -> Evidence:
    """Corrected for copper from the temperature read at the coil (else the ambient one) to 20 °C, it is within."""
    known, temperature = _resistance_and_limits(coil), coil.temperature
    at = temperature.latest if temperature else None
    if known is None or known[1] is None or at is None or at.estimate is None or known[1] <= 0:
        return UNKNOWN
    if not is_plausible_temperature(at.estimate.value):
        return UNKNOWN
    latest, digits, limits = known[0], known[1], known[2]
    corrected = Decimal(
        f"{resistance_at_temperature(float(digits), at.estimate.value, REFERENCE_CELSIUS, WindingMetal.COPPER.value):.4g}"
    )
    inside = (limits.low is None or corrected >= limits.low) and (limits.high is None or corrected <= limits.high)
    text = (
        f"{latest.text} at {at.text} is {format_decimal(corrected)} {limits.unit} at {REFERENCE_CELSIUS:g} °C (copper), within"
        f" {limits.basis}."
    )
    return make_evidence(inside and latest.verdict in _OUTSIDE_VERDICTS, text, latest, at)


@fact(Coil, "a warm coil would explain it")
def _warm_would_explain(coil: Coil) -> Evidence:
    """No temperature was read, and copper at no more than 130 °C that is within limits at 20 °C would read so."""
    known = _resistance_and_limits(coil)
    if known is None or known[1] is None or known[2].high is None or coil.temperature is not None:
        return UNKNOWN
    latest, digits, limits = known
    assert digits is not None and limits.high is not None  # noqa: S101, PT018  # asked above
    if digits <= limits.high or limits.high <= 0:
        return DOES_NOT_HOLD
    needed = winding_temperature(float(limits.high), REFERENCE_CELSIUS, float(digits), WindingMetal.COPPER.value)
    text = (
        f"A copper coil at its high limit of {format_decimal(limits.high)} {limits.unit} at {REFERENCE_CELSIUS:g} °C would read"
        f" {latest.text} at {needed:.0f} °C: had it just been energized?"
    )
    return make_evidence(needed <= _MAX_COIL_CELSIUS, text, latest)


@fact(Coil, "no voltage reaches it")
def _no_voltage(coil: Coil) -> Evidence:
    """The newest voltage at its terminals is below a fifth of what it needs (IEC 60947-4-1 drop-out, from memory)."""
    return _level_is(coil.voltage, VoltageLevel.ABSENT)


@fact(Coil, "the voltage at it is low")
def _voltage_low(coil: Coil) -> Evidence:
    """The newest voltage at its terminals is below its low limit, but not next to nothing."""
    return _level_is(coil.voltage, VoltageLevel.LOW)


@fact(Coil, "voltage reaches it")
def _voltage_present(coil: Coil) -> Evidence:
    """The newest voltage at its terminals is not below its low limit."""
    return _level_is(coil.voltage, VoltageLevel.PRESENT)


@fact(Coil, "its control supply has no voltage")
def _supply_absent(coil: Coil) -> Evidence:
    """The newest voltage at the control transformer's secondary is next to nothing."""
    return _level_is(coil.control_supply, VoltageLevel.ABSENT)


@fact(Coil, "its control supply is low")
def _supply_low(coil: Coil) -> Evidence:
    """The newest voltage at the control transformer's secondary is below its low limit, but not next to nothing."""
    return _level_is(coil.control_supply, VoltageLevel.LOW)


@fact(Coil, "its control supply has voltage")
def _supply_present(coil: Coil) -> Evidence:
    """The newest voltage at the control transformer's secondary is not next to nothing."""
    low, good = _level_is(coil.control_supply, VoltageLevel.LOW), _level_is(coil.control_supply, VoltageLevel.PRESENT)
    return low if low.holds else good


@fact(Coil, "its transformer's primary has voltage")
def _primary_present(coil: Coil) -> Evidence:
    """The newest voltage at the control transformer's primary is there, if low."""
    low, good = (
        _level_is(coil.transformer_primary, VoltageLevel.LOW),
        _level_is(coil.transformer_primary, VoltageLevel.PRESENT),
    )
    return low if low.holds else good


def _level_is(point_readings: PointReadings | None, expected: VoltageLevel) -> Evidence:
    if point_readings is None or point_readings.latest is None:
        return UNKNOWN
    found = voltage_level(point_readings)
    if found is None:
        return UNKNOWN
    words = {VoltageLevel.ABSENT: "no working voltage", VoltageLevel.LOW: "low", VoltageLevel.PRESENT: "there"}[found]
    return make_evidence(
        found is expected,
        f"{describe_point(point_readings)} reads {point_readings.latest.text}: {words}.",
        point_readings.latest,
    )


@fact(Coil, "the voltage came at a later take")
def _voltage_arrived_later(coil: Coil) -> Evidence:
    """The first voltage reading at the coil was next to nothing, a later one is not."""
    if coil.voltage is None or len(coil.voltage.matching_readings) < 2:
        return UNKNOWN
    first, last = coil.voltage.matching_readings[0], coil.voltage.matching_readings[-1]
    was, now = voltage_level(coil.voltage, first), voltage_level(coil.voltage, last)
    if was is None or now is None:
        return UNKNOWN
    text = f"{describe_point(coil.voltage)} read {first.text} at first, then {last.text}."
    return make_evidence(was is VoltageLevel.ABSENT and now is not VoltageLevel.ABSENT, text, first, last)


@fact(Coil, "it stayed without voltage for six minutes")
def _stayed_without_voltage(coil: Coil) -> Evidence:
    """Every voltage reading at the coil is next to nothing, the first and the last six minutes or more apart."""
    if coil.voltage is None or len(coil.voltage.matching_readings) < 2:
        return UNKNOWN
    taken = coil.voltage.matching_readings
    first, last = taken[0].time, taken[-1].time
    if first is None or last is None or last - first < _START_UP_DELAY:
        return UNKNOWN
    text = f"{describe_point(coil.voltage)} read {taken[-1].text} still after {(last - first) / 60:.0f} minutes."
    return make_evidence(
        all(voltage_level(coil.voltage, each) is VoltageLevel.ABSENT for each in taken), text, taken[0], taken[-1]
    )
