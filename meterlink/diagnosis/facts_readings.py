"""Facts about any part, from a comparison of the readings at one test point."""

from meterlink.diagnosis.evidence import DOES_NOT_HOLD, UNKNOWN, Evidence, make_evidence, make_positive_evidence
from meterlink.diagnosis.likelihood import readings_agree
from meterlink.diagnosis.observations import PointReadings


def describe_point(point_readings: PointReadings) -> str:
    """Return the part and its terminals: ``run capacitor HERM at C–HERM``."""
    return f"{point_readings.point.title} at {point_readings.terminals_text}"


def drop_at_rated_amps(drop: PointReadings, above_rated: tuple[float, PointReadings] | None) -> Evidence:
    """Return evidence that a voltage drop would be within its limit if the motor drew its rated amps (Ohm's law).

    ``above_rated`` is ``(amps by rated amps, lead)`` of the motor behind it; None where it draws no more than rated.
    """
    latest, limits = drop.latest, drop.limits
    if above_rated is None or latest is None or latest.judgement is None or limits is None or limits.high is None:
        return UNKNOWN
    ratio, lead = above_rated
    digits = latest.judgement.digits
    text = (
        f"{describe_point(lead)} reads {lead.latest.text if lead.latest else ''}, {ratio:.1f} times the rated amps: so"
        f" much more is the drop of {latest.text}."
    )
    within = digits is not None and float(digits) / ratio <= float(limits.high)
    return make_evidence(within, text, latest, lead.latest)


def earlier_reading_agrees(point_readings: PointReadings) -> Evidence:
    """Return evidence that an earlier reading agrees with the newest; unknown without an earlier reading."""
    *earlier, latest = point_readings.matching_readings or (None,)
    for reading in reversed(earlier):
        if latest and reading and readings_agree(reading, latest):
            other_meter = f" with another meter ({reading.meter})" if reading.meter != latest.meter else ""
            return make_positive_evidence(f"An earlier reading there{other_meter}, {reading.text}, agrees.", reading)
    return DOES_NOT_HOLD if earlier else UNKNOWN


def readings_differ(point_readings: PointReadings) -> Evidence:
    """Return evidence that an earlier reading differs from the newest; unknown without an earlier reading."""
    *earlier, latest = point_readings.matching_readings or (None,)
    for reading in reversed(earlier):
        if latest and reading and readings_agree(reading, latest) is not True:
            text = (
                f"{describe_point(point_readings)} read {reading.text}, then {latest.text}: further apart than the"
                " meter's error explains."
            )
            return make_positive_evidence(text, reading, latest)
    return DOES_NOT_HOLD if earlier else UNKNOWN
