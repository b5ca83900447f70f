"""Doubts about an agreement of most entries: where the profile may be wrong, and not the entries left out."""

from collections.abc import Sequence
from decimal import Decimal

from meterlink.teach import limits
from meterlink.teach.agreement import Agreement
from meterlink.teach.likely_frames import Look
from meterlink.teach.samples import Sample

OFF_BY_ONE = (
    "the number found is one count off at several entries of a display that stood still: the meter may write its last "
    "digit in a way that teaching does not know, and no entry is wrong"
)
LAST_DIGIT_OPEN = "the display moved at every entry, so that its last digit is not certain"


def last_digit_is_open(looks: Sequence[Look], agreement: Agreement) -> bool:
    """Return whether the last digit may be wrong in every entry that agrees, as none is of a display that stood still.

    Without the time of a key, the last packet of a window counts. If displays move, and several entries are one count
    off, then those that are not may be so by chance: a lowest bit turned over would explain the others.
    """
    without_key = sum(looks[index].sample.entry.first_key is None for index in agreement.near)
    numbers = {index for index in agreement.still if looks[index].sample.is_number}
    return without_key >= limits.FEWEST_ALIKE and not numbers


def number_is_off_by_one(samples: Sequence[Sample], agreement: Agreement) -> bool:
    """Return whether several slips are one count off. People seldom make such, and a wrong last digit makes many."""
    slips = [(samples[index], reading) for index, reading in agreement.slips.items() if reading is not None]
    off_by_one = [
        reading
        for sample, reading in slips
        if reading.digits is not None
        and sample.displayed.digits is not None
        and reading.unit == sample.displayed.unit
        and abs(reading.digits - sample.displayed.digits) == Decimal(1).scaleb(-sample.places)
    ]
    return len(off_by_one) >= limits.FEWEST_ALIKE


def unlike_the_others(samples: Sequence[Sample], agreement: Agreement) -> str:
    """Return the reason where a profile of the entries that agree cannot read the packets of most others.

    The packet of a slip has the number of the display, as others have; an unreadable one may have it in another way.
    """
    unread = [index for index, reading in agreement.slips.items() if reading is None or reading.digits is None]
    numbers = [samples[index].entry.text for index in unread if samples[index].is_number]
    if len(numbers) < limits.FEWEST_ALIKE or 2 * len(numbers) <= len(agreement.slips):
        return ""
    return (
        f"a profile of the other entries cannot read the packets of {len(numbers)}, the first {numbers[0]!r}: perhaps "
        "the meter writes such numbers otherwise, and no entry is wrong. Without these entries they are refused"
    )
