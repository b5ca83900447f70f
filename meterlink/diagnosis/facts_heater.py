"""Facts about a resistance heater: its ohms, its amps and its volts."""

from meterlink.core.verdicts import Margin, Verdict
from meterlink.diagnosis.evidence import DOES_NOT_HOLD, UNKNOWN, Evidence, fact, make_evidence
from meterlink.diagnosis.facts_readings import describe_point, earlier_reading_agrees, readings_differ
from meterlink.diagnosis.heaters import Heater
from meterlink.diagnosis.observations import PointReadings, is_in_doubt
from meterlink.diagnosis.voltage_levels import VoltageLevel, voltage_level


def _beyond(point_readings: PointReadings | None, *, low: bool) -> Evidence:
    """Return evidence that the newest reading is beyond its low or high limit, and no overload or zero current."""
    latest = point_readings.latest if point_readings else None
    judgement = latest.judgement if latest else None
    if point_readings is None or latest is None or judgement is None or judgement.limits is None:
        return UNKNOWN
    edge = judgement.limits.low if low else judgement.limits.high
    if judgement.digits is None or edge is None or judgement.verdict is Verdict.NOTHING_FLOWS:
        return DOES_NOT_HOLD
    beyond = judgement.digits < edge if low else judgement.digits > edge
    return make_evidence(beyond, f"{describe_point(point_readings)}: {judgement.reason}", latest)


def _clearly_outside(point_readings: PointReadings | None) -> Evidence:
    latest = point_readings.latest if point_readings else None
    if latest is None or latest.judgement is None:
        return UNKNOWN
    clear = latest.is_displayed_outside and latest.judgement.margin is Margin.CLEAR
    return make_evidence(
        clear, f"{latest.text} is outside by more than this meter's error ({latest.accuracy}).", latest
    )


def _close_call(point_readings: PointReadings | None) -> Evidence:
    latest = point_readings.latest if point_readings else None
    if latest is None:
        return UNKNOWN
    return make_evidence(is_in_doubt(latest), f"{latest.text} is a close call for this meter.", latest)


@fact(Heater, "its resistance reads overload")
def _open(heater: Heater) -> Evidence:
    """The newest resistance is an overload."""
    if heater.ohms is None or heater.ohms.latest is None:
        return UNKNOWN
    text = f"{describe_point(heater.ohms)} reads overload on ohms: nothing conducts there."
    return make_evidence(heater.ohms.latest.measured.digits is None, text, heater.ohms.latest)


@fact(Heater, "its resistance is above its high limit")
def _ohms_high(heater: Heater) -> Evidence:
    """The newest resistance is above its high limit, and no overload."""
    return _beyond(heater.ohms, low=False)


@fact(Heater, "its resistance is below its low limit")
def _ohms_low(heater: Heater) -> Evidence:
    """The newest resistance is below its low limit."""
    return _beyond(heater.ohms, low=True)


@fact(Heater, "its resistance is within its limits")
def _ohms_within(heater: Heater) -> Evidence:
    """The newest resistance is within its limits."""
    latest = heater.ohms.latest if heater.ohms else None
    if heater.ohms is None or latest is None or latest.judgement is None:
        return UNKNOWN
    text = f"{describe_point(heater.ohms)}: {latest.judgement.reason}"
    return make_evidence(latest.verdict is Verdict.WITHIN, text, latest)


@fact(Heater, "its resistance is clearly outside its limits")
def _ohms_clear(heater: Heater) -> Evidence:
    """The newest resistance is outside its limits by more than the meter's error."""
    return _clearly_outside(heater.ohms)


@fact(Heater, "its resistance is a close call")
def _ohms_close(heater: Heater) -> Evidence:
    """The meter's error may reach across the limit of the resistance."""
    return _close_call(heater.ohms)


@fact(Heater, "an earlier reading of its resistance agrees")
def _ohms_agree(heater: Heater) -> Evidence:
    """An earlier resistance agrees with the newest; two overloads agree."""
    return earlier_reading_agrees(heater.ohms) if heater.ohms else UNKNOWN


@fact(Heater, "readings of its resistance differ")
def _ohms_differ(heater: Heater) -> Evidence:
    """Two resistance readings differ by more than the meter's repeatability, or one is an overload."""
    return readings_differ(heater.ohms) if heater.ohms else UNKNOWN


@fact(Heater, "it may be self-regulating")
def _self_regulating(heater: Heater) -> Evidence:
    """It is a crankcase heater: many are self-regulating (PTC), and their ohms follow the temperature."""
    text = f"Many heaters like the {heater.point.title} are self-regulating (PTC): their ohms follow the temperature."
    latest = heater.ohms.latest if heater.ohms else None
    return make_evidence("crankcase" in heater.point.title.lower(), text, latest)


@fact(Heater, "no current flows in it")
def _no_current(heater: Heater) -> Evidence:
    """The newest current is less than the meter can show."""
    latest = heater.amps.latest if heater.amps else None
    if heater.amps is None or latest is None:
        return UNKNOWN
    text = f"{describe_point(heater.amps)} reads {latest.text}: no current that this meter can show."
    return make_evidence(latest.verdict is Verdict.NOTHING_FLOWS, text, latest)


@fact(Heater, "its current is below its low limit")
def _current_low(heater: Heater) -> Evidence:
    """The newest current is below its low limit, and not zero."""
    return _beyond(heater.amps, low=True)


@fact(Heater, "its current is above its high limit")
def _current_high(heater: Heater) -> Evidence:
    """The newest current is above its high limit."""
    return _beyond(heater.amps, low=False)


@fact(Heater, "its current is clearly outside its limits")
def _current_clear(heater: Heater) -> Evidence:
    """The newest current is outside its limits by more than the meter's error."""
    return _clearly_outside(heater.amps)


@fact(Heater, "its current is a close call")
def _current_close(heater: Heater) -> Evidence:
    """The meter's error may reach across the limit of the current."""
    return _close_call(heater.amps)


def _level(heater: Heater, *expected: VoltageLevel) -> Evidence:
    latest = heater.volts.latest if heater.volts else None
    level = voltage_level(heater.volts) if heater.volts else None
    if heater.volts is None or latest is None or level is None:
        return UNKNOWN
    return make_evidence(level in expected, f"{describe_point(heater.volts)} reads {latest.text}.", latest)


@fact(Heater, "voltage reaches it")
def _voltage_present(heater: Heater) -> Evidence:
    """The newest voltage across it is not almost zero."""
    return _level(heater, VoltageLevel.PRESENT, VoltageLevel.LOW)


@fact(Heater, "no voltage reaches it")
def _voltage_absent(heater: Heater) -> Evidence:
    """The newest voltage across it is below a fifth of its low limit (below 2 V without limits)."""
    return _level(heater, VoltageLevel.ABSENT)


@fact(Heater, "the voltage at it is low")
def _voltage_low(heater: Heater) -> Evidence:
    """The newest voltage across it is below its low limit, but not almost zero."""
    return _level(heater, VoltageLevel.LOW)
