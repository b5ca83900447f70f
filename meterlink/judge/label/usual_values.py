"""The usual values of motor capacitors: a choice that a question offers has no other.

From a trade magazine on selecting capacitors (run 2 to 80 µF at 370 and 440 V, start 25 to 1400 µF at 110 to 330 V). Up
to 500 V because 50 Hz supplies have run parts above 440 V. The series of values and the tolerances are common practice,
no source.
"""

from decimal import Decimal
from enum import StrEnum


class CapacitorKind(StrEnum):
    """The duty of a motor capacitor: continuous (run), or the seconds of a start."""

    RUN = "run"
    START = "start"


USUAL_MICROFARADS = {CapacitorKind.RUN: (Decimal(2), Decimal(80)), CapacitorKind.START: (Decimal(25), Decimal(1400))}
# A part marked for this voltage or more is for continuous duty; start capacitors are made for 110 to 330 V (a trade
# magazine on selecting capacitors).
CONTINUOUS_VOLTS = Decimal(370)
LARGEST_PERCENT = Decimal(30)  # IEC 60062: N, the widest symmetric tolerance with a letter
USUAL_VOLTS = (Decimal(110), Decimal(500))

# The steps between them, by supply; common practice, no source.
_RATED_VOLTS = set(map(Decimal, (110, 125, 165, 220, 250, 330, 370, 400, 440, 450)))
# AC volts of motor capacitors have three digits, or are 1000: with another number one is lost, or one too many.
LEAST_VOLTS, _MOST_VOLTS = Decimal(100), Decimal(1000)
_SMALLEST_FAN = Decimal("1.5")  # µF, as the two limits below; common practice, no source
_LARGEST_START = Decimal(1600)
_LEAST_HERM = Decimal(15)
_LEAST_RANGE = Decimal(21)  # µF: the smallest marked range of start capacitors, 21-25

_HERM = set(map(Decimal, (15, 20, 25, 30, 35, 40, 45, 50, 55, 60, 65, 70, 75, 80)))
_FAN = set(map(Decimal, ("1.5", "2", "2.5", "3", "4", "5", "6", "7", "7.5", "8", "10", "12.5", "15")))
_HALVES = set(map(Decimal, ("1.5", "2.5", "3.5", "7.5", "12.5", "17.5", "22.5", "27.5", "37.5")))
_PERCENT = set(map(Decimal, (5, 6, 10, 15, 20)))
# The range of a start capacitor ends a fifth to a quarter above its beginning; half leaves room.
_WIDEST_RANGE = Decimal("1.5")
# The sections of a dual capacitor differ by far more than a factor of two.
_LEAST_APART = Decimal(2)


def is_usual_capacitance(microfarads: Decimal) -> bool:
    """Return whether run or start capacitors have this value."""
    return USUAL_MICROFARADS[CapacitorKind.RUN][0] <= microfarads <= USUAL_MICROFARADS[CapacitorKind.START][1]


def is_usual_volts(volts: Decimal) -> bool:
    """Return whether these parts are marked with this voltage."""
    return USUAL_VOLTS[0] <= volts <= USUAL_VOLTS[1]


def is_usual_rated_volts(volts: Decimal) -> bool:
    """Return whether this is one of the voltages in which these parts are made."""
    return volts in _RATED_VOLTS


def is_possible_volts(volts: Decimal) -> bool:
    """Return whether an AC voltage of a motor capacitor may have this value at all."""
    return LEAST_VOLTS <= volts <= _MOST_VOLTS


def is_usual_dual(herm: Decimal, fan: Decimal) -> bool:
    """Return whether dual capacitors have these sections, in µF."""
    return herm in _HERM and fan in _FAN and sections_differ(herm, fan)


def is_usual_section(microfarads: Decimal) -> bool:
    """Return whether the larger section of dual capacitors has this value."""
    return microfarads in _HERM


def is_rarely_made(microfarads: Decimal) -> bool:
    """Return whether a value is beside what is mostly made, but on some parts: 1.5 µF of fans, starts to 1600 µF."""
    return microfarads == _SMALLEST_FAN or USUAL_MICROFARADS[CapacitorKind.START][1] < microfarads <= _LARGEST_START


def is_usual_single(microfarads: Decimal) -> bool:
    """Return whether run capacitors of one section have this value: those of both sections, and in steps of five."""
    low, high = USUAL_MICROFARADS[CapacitorKind.RUN]
    return microfarads in _HERM | _FAN | _HALVES or (low <= microfarads <= high and microfarads % 5 == 0)


def is_possible_dual(herm: Decimal, fan: Decimal) -> bool:
    """Return whether each value is on dual capacitors at its place, also where they differ by less: 20+15."""
    return herm in _HERM and fan in _FAN and herm > fan


def is_odd_pair(herm: Decimal, fan: Decimal) -> bool:
    """Return whether no dual capacitor has these sections: the larger is too small, and they are nearly alike.

    Two that are alike are on twin capacitors.
    """
    return herm != fan and max(herm, fan) < _LEAST_HERM and not sections_differ(herm, fan)


def is_usual_half(microfarads: Decimal) -> bool:
    """Return whether a value with a half is one of the usual ones: 7.5, but not 45.5."""
    return microfarads in _HALVES


def point_may_be_plus(microfarads: Decimal) -> bool:
    """Return whether the point of a value may be a worn plus sign: no part has 40.5 µF, many have 40+5."""
    sign, digits, exponent = microfarads.as_tuple()
    if sign or exponent != -1 or digits[-1] == 0 or is_usual_half(microfarads):
        return False
    return is_usual_dual(Decimal(int(microfarads)), Decimal(digits[-1]))


def is_usual_tolerance(percent: Decimal) -> bool:
    """Return whether such parts have a tolerance of plus and minus ``percent``."""
    return percent in _PERCENT


def sections_differ(first: Decimal, second: Decimal) -> bool:
    """Return whether two values in µF are as far apart as the sections of a dual capacitor."""
    return max(first, second) >= _LEAST_APART * min(first, second)


def may_be_range(low: Decimal, high: Decimal) -> bool:
    """Return whether two values in µF may be the ends of a marked range."""
    return low < high <= _WIDEST_RANGE * low


def is_usual_marked_range(low: Decimal, high: Decimal) -> bool:
    """Return whether start capacitors are marked with this range, in µF."""
    return may_be_range(low, high) and low >= _LEAST_RANGE and high <= _LARGEST_START
