"""A lost phase in three line currents or three line-to-line voltages.

Amps show at once which line is lost: two are about equal, and the third is near zero. Volts show it only while the load
is off, or on the supply side of the open fuse or contact. A motor that runs on two phases generates the voltage of the
third, so that all three look normal (common practice, no source).
"""

from collections.abc import Sequence
from typing import NamedTuple

from meterlink.core.errors import InputError
from meterlink.core.units import Quantity
from meterlink.judge.judging import MeasuredValue

# The two lines that still carry the current of a motor carry the same, but for the meter and the unbalance of the rest
# of the load; a line that is lost carries stray current at most. Common practice, no source.
MOST_APART = 0.25  # of their mean
MOST_LEFT = 0.15  # of their mean

# Loads that are still connected tie a lost line to the other two lines. Each of its two voltages then lies between zero
# and about half of the voltage between the sound lines; those of a sagging line stay far above. Common practice, no
# source.
MOST_LEFT_OF_VOLTS = 0.7  # of the voltage between the two sound lines
# The potential of a lost line lies between those of the other two, so its two voltages make the third (circuit theory;
# loads of unlike power factors add a little: common practice, no source). Volts to neutral on a high-leg delta, 120,
# 208 and 120 V, make 1.15 of it: no line is lost there.
MOST_SUM_OF_VOLTS = 1.1  # of the voltage between the two sound lines

VOLTS_CANNOT_TELL = (
    "While a motor runs, volts cannot tell a lost phase: the motor itself holds the third near normal. Read amps."
)


class LineReading(NamedTuple):
    """A line current (one line) or a line-to-line voltage (two lines), by the names of the lines."""

    lines: tuple[str, ...]
    measured: MeasuredValue


def lost_line(readings: Sequence[LineReading]) -> str | None:
    """Return the name of the line that three currents or three line-to-line voltages show to be lost; None if none is.

    Voltages count only where the load is off, or on the line side: the caller knows.

    Raises:
        InputError: there are not three readings of one quantity, currents or voltages, or one is an overload.
    """
    quantity = readings[0].measured.quantity if readings else None
    if (
        len(readings) != 3
        or quantity not in {Quantity.CURRENT, Quantity.VOLTAGE}
        or any(reading.measured.quantity is not quantity or reading.measured.digits is None for reading in readings)
    ):
        raise InputError("A lost phase needs three currents or three line-to-line voltages.", "Read all three lines.")
    unit = readings[0].measured.unit
    sizes = [abs(float(reading.measured.in_unit(unit)[0] or 0)) for reading in readings]
    if quantity is Quantity.CURRENT:
        return _line_without_current(readings, sizes)
    return _line_without_volts(readings, sizes)


def _line_without_current(readings: Sequence[LineReading], sizes: Sequence[float]) -> str | None:
    (least, lost), (middle, _), (most, _) = sorted(zip(sizes, range(3), strict=True))
    mean = (middle + most) / 2
    if not mean or most - middle > MOST_APART * mean or least > MOST_LEFT * mean:
        return None
    return "–".join(readings[lost].lines)


def _line_without_volts(readings: Sequence[LineReading], sizes: Sequence[float]) -> str | None:
    (least, one), (middle, other), (most, _) = sorted(zip(sizes, range(3), strict=True))
    if not most or middle > MOST_LEFT_OF_VOLTS * most or least + middle > MOST_SUM_OF_VOLTS * most:
        return None
    common = set(readings[one].lines) & set(readings[other].lines)
    return common.pop() if len(common) == 1 else None
