"""Several readings of one test point: their combined value, its uncertainty, and how far they reduce the doubt.

Every reading has two errors (see `meterlink.judge.uncertainty`): that of the accuracy line, and half a display step.
Readings with one meter share the line's error, but for the repeatability of its last digit (`REPEATABILITY_STEPS`):
only that, and the rounding, average (JCGM 100, 4.2.3). Displays that show the same round alike, so equal displays count
once for the rounding (F.2.2.1). Where the readings scatter more than the last digit, their own standard deviation
counts, up to the line itself. Two meters err independently: their values are weighted by 1/u² and the uncertainties
propagated (5.1.2). Readings that disagree reduce nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import combinations
from math import hypot, sqrt
from typing import NamedTuple

from meterlink.core.errors import InputError
from meterlink.core.units import convert
from meterlink.judge.measured_value import MeasuredValue, MeterReading, convert_interval, decimals_of, exact_unit
from meterlink.judge.uncertainty import (
    COVERAGE_FACTOR,
    REPEATABILITY_STEPS,
    NormalDistribution,
    TrapezoidalDistribution,
)

# Readings of one part with one meter, taken at different times, differ by the digits of its accuracy line and by the
# contact of the probes and the warmth of the part: 1 % of the reading. Common practice, no source.
REPLACED_PROBES = Decimal("0.01")


@dataclass(frozen=True, slots=True)
class CombinedReading:
    """The value that several readings of one test point have together, in ``unit``, and the error of that value.

    ``standard_uncertainty`` is that of the value, in ``unit``. ``agree`` is False where the readings differ by more
    than their combined uncertainty; the value and the error are then those of the newest reading alone. ``text`` says
    in a sentence how far the readings reduce the doubt.
    """

    value: float
    unit: str
    error: TrapezoidalDistribution
    standard_uncertainty: float
    agree: bool
    text: str

    @property
    def expanded_uncertainty(self) -> float:
        """The half-width of the interval that holds the true value with 95 % probability, in ``unit``."""
        return self.error.half_width()


class MeanOfReadings(NamedTuple):
    """The mean of independent readings, its experimental standard deviation, and that of one reading."""

    mean: float
    standard_deviation_of_mean: float
    standard_deviation: float


def mean_of_readings(values: Sequence[float]) -> MeanOfReadings:
    """Return the mean of two or more independent readings and its standard deviation (JCGM 100, 4.2.1 to 4.2.3).

    Raises:
        InputError: there is only one reading.
    """
    if len(values) < 2:
        raise InputError("One reading shows no scatter.", "Take two or more.")
    mean = sum(values) / len(values)
    deviation = sqrt(sum((value - mean) ** 2 for value in values) / (len(values) - 1))
    return MeanOfReadings(mean, deviation / sqrt(len(values)), deviation)


def weighted_mean(values: Sequence[float], standard_uncertainties: Sequence[float]) -> tuple[float, float]:
    """Return ``(mean, its standard uncertainty)`` of independent values, weighted by 1/u² (textbook).

    Values without any uncertainty leave the others no weight.

    Raises:
        InputError: there is no value, or not one uncertainty for each.
    """
    if not values or len(values) != len(standard_uncertainties):
        raise InputError("A weighted mean needs an uncertainty for every value.", "Give one for each.")
    shares = _weights(standard_uncertainties)
    mean = sum(share * value for share, value in zip(shares, values, strict=True))
    return mean, hypot(*(share * u for share, u in zip(shares, standard_uncertainties, strict=True)))


def combine_readings(
    readings: Sequence[MeterReading], unit: str, *, least_size: Decimal = Decimal(0), shown_in: str = ""
) -> CombinedReading:
    """Return what one or more readings of a test point, the newest last, say together; the result is in ``unit``.

    ``least_size`` is the least size of a reading, in ``unit``, that the accuracy lines are applied at. The text is in
    the unit ``shown_in``, without it in ``unit``. An overload among values disagrees.

    Raises:
        InputError: there is no reading, the newest is an overload, or a unit is of another quantity.
    """
    if not readings:
        raise InputError("There is no reading to combine.", "Give one or more.")
    newest = _alone(readings[-1], unit, least_size)
    if len(readings) == 1:
        return _result(newest, unit, agree=True, text="")
    groups = _by_meter(readings, unit, least_size)
    if not groups or not _all_agree(readings, groups):
        listed = ", ".join(str(reading.measured) for reading in readings)
        text = f"The readings disagree: {listed} are further apart than the errors explain, so none reduces the doubt."
        return _result(newest, unit, agree=False, text=text)
    # A meter that is far less accurate, or a range of the same one, may leave more doubt than the newest reading alone.
    together = min((_weighted(groups), *groups, newest), key=lambda group: group.error.half_width())
    text = _sentence(groups, len(readings), together, newest, (unit, shown_in or unit))
    return _result(together, unit, agree=True, text=text)


def returns_agree(first: MeterReading, second: MeterReading) -> bool:
    """Return whether two values read at one test point agree within their combined uncertainty.

    It is expanded with k = 2 (JCGM 100, 6.3.3). Of one meter the repeatability on coming back to a part counts
    (`REPLACED_PROBES`), of two both accuracy lines.

    Raises:
        InputError: one is an overload, or their quantities differ.
    """
    unit = exact_unit(first.measured.unit)
    if first.meter != second.meter:
        return _groups_agree(_alone(first, unit), _alone(second, unit))
    values = [_digits(reading.measured, unit) for reading in (first, second)]
    u = [_return_uncertainty(reading, unit) for reading in (first, second)]
    return float(abs(values[0] - values[1])) <= COVERAGE_FACTOR * hypot(*u)


class _Group(NamedTuple):
    value: float
    error: TrapezoidalDistribution
    standard_uncertainty: float


def _group(value: float, error: TrapezoidalDistribution) -> _Group:
    return _Group(value, error, error.standard_uncertainty)


def _result(group: _Group, unit: str, *, agree: bool, text: str) -> CombinedReading:
    return CombinedReading(group.value, unit, group.error, group.standard_uncertainty, agree, text)


def _by_meter(readings: Sequence[MeterReading], unit: str, least_size: Decimal) -> list[_Group]:
    """Return the mean of each meter's readings; nothing where one is an overload."""
    if any(reading.measured.digits is None for reading in readings):
        return []
    meters = dict.fromkeys(reading.meter for reading in readings)
    return [
        _one_meter([reading for reading in readings if reading.meter == meter], unit, least_size) for meter in meters
    ]


def _alone(reading: MeterReading, unit: str, least_size: Decimal = Decimal(0)) -> _Group:
    """Return a reading and its error, `TrapezoidalDistribution`; its line is applied at ``least_size`` or above."""
    value = _digits(reading.measured, unit)
    step = convert_interval(reading.measured.resolution, reading.measured.unit, unit)
    largest = _largest_error(reading, value, step, unit, least_size)
    return _group(float(value), TrapezoidalDistribution(float(largest), float(step) / 2))


def _largest_error(reading: MeterReading, value: Decimal, step: Decimal, unit: str, least_size: Decimal) -> Decimal:
    return reading.line.half_width(value if abs(value) >= least_size else least_size, step, unit)


def _one_meter(readings: Sequence[MeterReading], unit: str, least_size: Decimal) -> _Group:
    """Return the mean of the readings of one meter and its error."""
    if len(readings) == 1:
        return _alone(readings[0], unit, least_size)
    values = [_digits(reading.measured, unit) for reading in readings]
    steps = [convert_interval(reading.measured.resolution, reading.measured.unit, unit) for reading in readings]
    largest = max(
        _largest_error(reading, value, step, unit, least_size)
        for reading, value, step in zip(readings, values, steps, strict=True)
    )
    step = max(steps)
    # The share of the line that is the last digit's own: at most the digits that the line has.
    last_digit = min(
        min(reading.line.digits, Decimal(REPEATABILITY_STEPS)) * step
        for reading, step in zip(readings, steps, strict=True)
    )
    scatter = mean_of_readings([float(value) for value in values]).standard_deviation
    varying = float(last_digit)
    varying = min(varying, max(varying, sqrt(3) * scatter) / sqrt(len(readings)))
    rounding = float(step) / 2 / sqrt(len(set(values)))
    error = TrapezoidalDistribution(float(largest - last_digit) + varying, rounding)
    return _group(float(sum(values, Decimal(0)) / len(values)), error)


# With two rectangles this much larger than all others, the others do not change the shape of their sum.
_NEGLIGIBLE = 0.1


def _weighted(groups: Sequence[_Group]) -> _Group:
    """Return the weighted mean of several meters.

    Its error is a sum of rectangles. Of two, it is the trapezoid; of more, a trapezoid of two equal rectangles with the
    interval of a normal distribution, which is at most 4 % wider than that of the sum.
    """
    uncertainties = [group.standard_uncertainty for group in groups]
    mean, u = weighted_mean([group.value for group in groups], uncertainties)
    widths = sorted(
        (
            share * width
            for share, group in zip(_weights(uncertainties), groups, strict=True)
            for width in (group.error.first_half_width, group.error.second_half_width)
        ),
        reverse=True,
    )
    if hypot(*widths[2:]) <= _NEGLIGIBLE * widths[1]:
        return _Group(mean, TrapezoidalDistribution(widths[0], hypot(*widths[1:])), u)
    equal = TrapezoidalDistribution(1.0, 1.0)
    half_width = NormalDistribution(u).half_width() / equal.half_width()
    return _Group(mean, TrapezoidalDistribution(half_width, half_width), u)


def _weights(standard_uncertainties: Sequence[float]) -> list[float]:
    exact = [float(u == 0) for u in standard_uncertainties]
    weights = exact if any(exact) else [1 / u**2 for u in standard_uncertainties]
    return [weight / sum(weights) for weight in weights]


def _all_agree(readings: Sequence[MeterReading], groups: Sequence[_Group]) -> bool:
    same_meter = all(
        returns_agree(first, second) for first, second in combinations(readings, 2) if first.meter == second.meter
    )
    return same_meter and all(_groups_agree(first, second) for first, second in combinations(groups, 2))


def _groups_agree(first: _Group, second: _Group) -> bool:
    u = hypot(first.standard_uncertainty, second.standard_uncertainty)
    return abs(first.value - second.value) <= COVERAGE_FACTOR * u


def _return_uncertainty(reading: MeterReading, unit: str) -> float:
    measured = reading.measured
    step = convert_interval(measured.resolution, measured.unit, unit)
    parts = (abs(_digits(measured, unit)) * REPLACED_PROBES, reading.line.digits * step, step / 2)
    return hypot(*map(float, parts)) / sqrt(3)


def _digits(measured: MeasuredValue, unit: str) -> Decimal:
    digits, _ = measured.in_unit(unit)
    if digits is None:
        raise InputError("An overload has no value to compare.", "Use a higher range.")
    return digits


def _sentence(groups: Sequence[_Group], count: int, together: _Group, newest: _Group, units: tuple[str, str]) -> str:
    """Return how far the readings reduce the doubt; ``units`` are that of the figures, and that to show them in."""
    unit, meters = units[1], len(groups)
    before, after = (
        _two_figures(convert_interval(Decimal(repr(group.error.half_width())), *units)) for group in (newest, together)
    )
    value = round(convert(Decimal(repr(together.value)), *units), decimals_of(after))
    result, alone = f"{value:f} {unit} ±{after:f} {unit}", f"the newest reading alone has ±{before:f} {unit}"
    match meters > 1, before != after:
        case True, True if together in groups:
            return f"{meters} meters agree, and the most accurate of them counts: {result}; {alone}."
        case True, True:
            return f"{meters} meters agree: together {result}; {alone}."
        case True, False:
            return f"{meters} meters agree; ±{after:f} {unit} stays, because the others are less accurate."
        case False, True:
            fall = f"from ±{before:f} to ±{after:f} {unit}"
            return f"{count} readings with one meter: only the last digit's share falls, {fall}."
    return f"{count} readings with one meter: its own error is in all of them, so ±{after:f} {unit} stays."


def _two_figures(half_width: Decimal) -> Decimal:
    """Return an uncertainty to two significant figures (JCGM 100, 7.2.6)."""
    rounded = Decimal(f"{half_width:.1e}")
    return rounded if decimals_of(rounded) else rounded.quantize(Decimal(1))
