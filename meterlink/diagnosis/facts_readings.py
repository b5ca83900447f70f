"""What several readings at one test point say together, for facts about any part."""

from meterlink.diagnosis.evidence import DOES_NOT_HOLD, UNKNOWN, Evidence, make_positive_evidence
from meterlink.diagnosis.likelihood import readings_agree
from meterlink.diagnosis.observations import PointReadings


def describe_point(point_readings: PointReadings) -> str:
    """Return ``run capacitor HERM at C–HERM``."""
    return f"{point_readings.point.title} at {point_readings.terminals_text}"


def earlier_reading_agrees(point_readings: PointReadings) -> Evidence:
    """Tell whether an earlier reading at this point repeats the newest; unknown where there is none."""
    *earlier, latest = point_readings.matching_readings or (None,)
    for each in reversed(earlier):
        if latest and each and readings_agree(each, latest):
            return make_positive_evidence(f"{each.text} was read there before, which agrees.", each)
    return DOES_NOT_HOLD if earlier else UNKNOWN


def readings_differ(point_readings: PointReadings) -> Evidence:
    """Tell whether any earlier reading at this point differs from the newest; unknown where there is only one."""
    *earlier, latest = point_readings.matching_readings or (None,)
    for each in reversed(earlier):
        if latest and each and readings_agree(each, latest) is not True:
            text = f"{describe_point(point_readings)} read {each.text}, then {latest.text}: further apart than the meter explains."
            return make_positive_evidence(text, each, latest)
    return DOES_NOT_HOLD if earlier else UNKNOWN
