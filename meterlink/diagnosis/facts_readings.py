"""What several readings at one test point say together, for facts about any part."""

from meterlink.diagnosis.evidence import NO, UNKNOWN, Evidence, sure
from meterlink.diagnosis.likelihood import repeats
from meterlink.diagnosis.observations import Takes


def named(takes: Takes) -> str:
    """Return ``run capacitor HERM at C–HERM``."""
    return f"{takes.point.title} at {takes.where}"


def earlier_agrees(takes: Takes) -> Evidence:
    """Tell whether an earlier reading at this point repeats the newest; unknown where there is none."""
    *earlier, latest = takes.matching or (None,)
    for each in reversed(earlier):
        if latest and each and repeats(each, latest):
            return sure(f"{each.text} was read there before, which agrees.", each)
    return NO if earlier else UNKNOWN


def takes_differ(takes: Takes) -> Evidence:
    """Tell whether any earlier reading at this point differs from the newest; unknown where there is only one."""
    *earlier, latest = takes.matching or (None,)
    for each in reversed(earlier):
        if latest and each and repeats(each, latest) is not True:
            text = f"{named(takes)} read {each.text}, then {latest.text}: further apart than the meter explains."
            return sure(text, each, latest)
    return NO if earlier else UNKNOWN
