"""Meters whose range, unit or point comes a packet later than the number that it belongs to, or a packet earlier.

Under every still display the packets agree, so entries do not show it. A change of range does: the digits stay the same
from one packet to the next, while the unit or the point changes. The packet before the change has the number of one
range with the point of another.
"""

from collections.abc import Callable, Iterable
from itertools import pairwise

from meterlink.driver_api import Reading
from meterlink.teach import limits

LATE_CODES = (
    "the range in a packet is that of the packet before or behind it, so that values would be wrong by powers of ten "
    "at each change of range"
)
"""The reason against a profile."""


def codes_are_late(decode: Callable[[bytes], Reading | None], frames: Iterable[bytes]) -> bool:
    """Return whether the digits of ``frames``, in order of time, mostly stay the same where unit or point changes."""
    same = changes = 0
    for one, other in pairwise(map(_digits_and_unit, map(decode, frames))):
        if one is None or other is None or one[1:] == other[1:]:
            continue
        changes += 1
        same += abs(one[0] - other[0]) <= limits.LARGEST_SETTLING_STEP * max(one[0], other[0])
    return same >= limits.FEWEST_ALIKE and same >= limits.LEAST_MAJORITY * changes


def _digits_and_unit(reading: Reading | None) -> tuple[int, str, object, object] | None:
    """Return the digits as a whole number, and unit, coupling and point; None without a number, or for a small one."""
    if reading is None or reading.digits is None:
        return None
    digits = reading.digits.as_tuple()
    counts = int("".join(map(str, digits.digits)))
    return (counts, reading.unit, reading.coupling, digits.exponent) if counts >= limits.LEAST_COUNTS_COMPARED else None
