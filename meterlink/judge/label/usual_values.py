"""The usual values of motor capacitors: a choice that a question offers has no other.

From a trade magazine on selecting capacitors (run 2 to 80 µF at 370 and 440 V, start 25 to 1400 µF at 110 to 330 V). Up
to 500 V because 50 Hz supplies have run parts above 440 V. The series of values and the tolerances are common practice,
no source.
"""

from collections.abc import Iterable
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
# µF of a capacitor for a fan alone, as the two limits below; common practice, no source.
_SMALLEST_FAN, LARGEST_FAN = Decimal("1.5"), Decimal(20)
_LARGEST_START = Decimal(1600)
_LEAST_HERM = Decimal(15)
_LEAST_RANGE = Decimal(21)  # µF: the smallest marked range of start capacitors, 21-25

_HERM = set(map(Decimal, (15, 20, 25, 30, 35, 40, 45, 50, 55, 60, 65, 70, 75, 80)))
_FAN = set(map(Decimal, ("1.5", "2", "2.5", "3", "4", "5", "6", "7", "7.5", "8", "10", "12.5", "15")))
_HALVES = set(map(Decimal, ("1.5", "2.5", "3.5", "7.5", "12.5", "17.5", "22.5", "27.5", "37.5")))
_PERCENT = set(map(Decimal, (5, 6, 10, 15, 20)))
# Values between the usual ones that run capacitors are made with too, in series for 50 Hz; from memory.
_SELDOM = set(map(Decimal, ("1", "1.2", "1.8", "2.2", "3.15", "3.3", "3.75", "4.7", "6.3", "12", "14", "16", "18", "24",
                            "28", "31.5", "32", "36", "85", "90")))  # fmt: skip
_MOST_FINELY_STEPPED = Decimal(10)  # in halves; above in steps of 2.5 µF
_SELDOM_FAN = set(map(Decimal, ("3.5", "4.5", "12", "20")))
# Further voltages of such parts, and of the supplies that some are marked for; from memory.
_SELDOM_VOLTS = set(map(Decimal, (115, 120, 127, 160, 180, 200, 208, 230, 240, 275, 280, 300, 320, 350, 360, 380, 415,
                                  420, 425, 460, 475, 480, 500, 525, 550, 600, 630, 660)))  # fmt: skip
# Tolerances that such parts are marked with, also seldom: on both sides, and below and above; from memory.
_SELDOM_PERCENT = set(map(Decimal, (4, 5, 6, 10, 15, 20)))
_TWO_SIDED = {(Decimal(minus), Decimal(plus)) for minus, plus in (
    (0, 10), (0, 15), (0, 20), (0, 25), (0, 30), (0, 50), (5, 10), (5, 15), (10, 5), (10, 15), (10, 20), (10, 30),
    (10, 50), (20, 50))}  # fmt: skip
# The range of a start capacitor ends a fifth to a quarter above its beginning; half leaves room.
_WIDEST_RANGE = Decimal("1.5")
_RANGE_ABOVE, _RANGE_ROUNDED = Decimal("1.2"), Decimal("1.5")  # µF the second
# The sections of a dual capacitor differ by far more than a factor of two.
_LEAST_APART = Decimal(2)
_VOLTS_TOGETHER = Decimal("1.25")
# The ranges that start capacitors are mostly marked with, in µF; from memory.
_RANGES = ("21-25", "25-30", "30-36", "36-43", "43-52", "43-53", "53-64", "59-71", "64-77", "72-86", "72-88", "88-106",
           "88-108", "108-130", "124-149", "130-156", "145-174", "145-175", "161-193", "189-227", "200-240", "216-259",
           "233-280", "243-292", "270-324", "324-388", "340-408", "378-440", "378-454", "400-480", "430-516", "460-552",
           "540-648", "590-708", "645-774", "708-850", "815-970", "829-995", "1000-1200")  # fmt: skip


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
    """Return whether a value is on few parts: 1.5 µF of fans, run capacitors to 100 µF, start capacitors to 1600 µF."""
    return (
        microfarads in {_SMALLEST_FAN, 85, 90, 100}
        or USUAL_MICROFARADS[CapacitorKind.START][1] < microfarads <= _LARGEST_START
    )


def is_made_single(microfarads: Decimal) -> bool:
    """Return whether run capacitors of one section are made with this value, also seldom."""
    steps = Decimal("0.5") if microfarads <= _MOST_FINELY_STEPPED else Decimal("2.5")
    is_stepped = USUAL_MICROFARADS[CapacitorKind.RUN][1] >= microfarads >= 1 and microfarads % steps == 0
    return is_stepped or microfarads in _SELDOM


def is_made_dual(herm: Decimal, fan: Decimal) -> bool:
    """Return whether dual capacitors are made with these sections, also seldom; twins have two that are alike."""
    if herm == fan:
        return is_made_single(herm)
    is_herm = herm in _HERM or (herm in _HALVES and herm > _LEAST_HERM)
    return is_herm and fan in _FAN | _SELDOM_FAN


def is_made_volts(volts: Decimal) -> bool:
    """Return whether parts are marked with this voltage, also seldom."""
    return volts in _RATED_VOLTS | _SELDOM_VOLTS


def is_made_range(low: Decimal, high: Decimal) -> bool:
    """Return whether start capacitors are marked with this range: a usual one, or 0 to 20 % above a value."""
    is_listed = f"{high:f}" in SPELLED_RANGES.get(f"{low:f}", ())
    return is_listed or (is_usual_marked_range(low, high) and abs(high - low * _RANGE_ABOVE) <= _RANGE_ROUNDED)


def is_made_tolerance(minus: Decimal, plus: Decimal) -> bool:
    """Return whether such parts may have this tolerance, in percent."""
    return (minus == plus and plus in _SELDOM_PERCENT) or (minus, plus) in _TWO_SIDED


def are_volts_of_one_part(low: Decimal, high: Decimal) -> bool:
    """Return whether one part is marked with both of two voltages: 110/125, 370/440."""
    return low != high and max(low, high) < _VOLTS_TOGETHER * min(low, high)


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


# The usual values as they are spelled, for finding the one that a number may have been.


def _spell(numbers: Iterable[Decimal]) -> frozenset[str]:
    return frozenset(f"{number:f}" for number in numbers)


SPELLED_VOLTS = _spell(_RATED_VOLTS)
SPELLED_PERCENT = frozenset({"5", "6", "10", "20"})  # 15 is seldom
SPELLED_SINGLES = _spell(_HERM | _FAN | _HALVES)
SPELLED_FANS = _spell(fan for fan in _FAN | _SELDOM_FAN | _HALVES if fan <= LARGEST_FAN)  # of a fan alone
SPELLED_DUALS = {herm: _spell(fan for fan in _FAN if is_usual_dual(Decimal(herm), fan)) for herm in _spell(_HERM)}
SPELLED_RANGES = {
    low: frozenset(other.split("-")[1] for other in _RANGES if other.split("-")[0] == low)
    for low in {marked.split("-")[0] for marked in _RANGES}
}
