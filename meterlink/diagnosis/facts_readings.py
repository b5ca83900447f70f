"""Facts about any part, from a comparison of the readings at one test point."""

from meterlink.diagnosis.evidence import DOES_NOT_HOLD, UNKNOWN, Evidence, make_positive_evidence
from meterlink.diagnosis.likelihood import readings_agree
from meterlink.diagnosis.observations import PointReadings


def describe_point(point_readings: PointReadings) -> str:
    """Return the part and its terminals: ``run capacitor HERM at C–HERM``."""
    return f"{point_readings.point.title} at {point_readings.terminals_text}"


def earlier_reading_agrees(point_readings: PointReadings) -> Evidence:
    """Return evidence that an earlier reading agrees with the newest; unknown without an earlier reading."""
    *earlier, latest = point_readings.matching_readings or (None,)
    for reading in reversed(earlier):
        if latest and reading and readings_agree(reading, latest):
            return make_positive_evidence(f"An earlier reading there, {reading.text}, agrees.", reading)
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
