"""Measurement uncertainty: a meter's accuracy line, its display step, and the propagation of errors (GUM, JCGM 100).

An error is described by its distribution about zero: `TrapezoidalDistribution` for one reading of a meter,
`NormalDistribution` for a sum of many errors.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from math import erfc, hypot, isfinite, sqrt
from typing import Protocol

from meterlink.core.errors import InputError
from meterlink.core.units import Amount, Quantity

# Two-sided coverage of the interval that decides a margin: the usual 95 % (the example of JCGM 100, 6.2.2).
COVERAGE_PROBABILITY = 0.95

# Coverage factor for about 95 % of a normal distribution (JCGM 100, 6.3.3), for a value of several readings. Where one
# rectangular reading dominates, 1.65 is enough (EA-4/02, S9); 2 then overstates the uncertainty, which adds close calls
# and hides none.
COVERAGE_FACTOR = 2.0

# Two readings of one meter on one range share its gain and zero error. The repeatability of the display, one step,
# and its rounding remain. Common practice, no source.
REPEATABILITY_STEPS = 1  # display steps

# An accuracy line applies at 23 ± 5 °C; outside, this share of the line is added for every degree, by the sheets of
# nearly all handheld meters. Common practice, no source.
REFERENCE_TEMPERATURES = (Decimal(18), Decimal(28))  # °C
DEFAULT_TEMPERATURE_COEFFICIENT = Decimal("0.1")  # of the line, per °C
# No handheld meter is specified beyond these, so a value outside is a typing error. Common practice, no source.
OPERATING_TEMPERATURES = (Decimal(-40), Decimal(70))  # °C

_LINE = re.compile(r"(?:±\s*)?\(?\s*(?P<terms>[^()±]*?)\s*\)?")
# A number has six digits at most, the counts of the longest display; with hundreds of them the doubt has no float.
_TERM = re.compile(
    r"(?P<number>[0-9]{1,6}(?:\.[0-9]{1,12}|,[0-9]{1,2})?)\s*(?:(?P<percent>%)\s*(?:of\s+reading|reading|rdg)?"
    r"|(?P<digits>digits?|dgts?|dgt|d|counts?)|°?\s*(?P<scale>[CF]))?",
    re.IGNORECASE,
)

# One degree Celsius in °F: a difference has no offset. Nine fifths of a decimal number is exact, five ninths is not.
FAHRENHEIT_PER_CELSIUS = Decimal("1.8")
_FREEZING = 32  # °F: 0 °C


@dataclass(frozen=True, slots=True)
class AccuracyLine:
    """A meter's accuracy as its sheet states it: ± ``percent`` of the reading ± ``digits`` display steps.

    ``degrees`` is the part of a thermometer's line that is written in °C or °F, a difference of temperatures. It is
    None for other quantities. ``assumed`` is true where nobody has entered the meter's own line. ``remark`` names a
    change to the line, such as widening for temperature.
    """

    percent: Decimal
    digits: Decimal
    assumed: bool = False
    remark: str = ""
    degrees: Amount | None = None

    def half_width(self, reading: Decimal, resolution: Decimal, unit: str) -> Decimal:
        """Return the largest error at ``reading``; ``resolution`` is one display step. All are in ``unit``.

        The percentage of a temperature counts from 0 °C or from 0 °F, whichever is farther away: the same air has one
        error in both units, and it is the larger of the two that the sheet may mean.

        Raises:
            InputError: the line is a thermometer's, and the unit is not °C or °F.
        """
        if unit == "°C":
            fahrenheit = (FAHRENHEIT_PER_CELSIUS * interval for interval in (reading, resolution))
            reading_above_freezing, step = fahrenheit
            return self.half_width(reading_above_freezing + _FREEZING, step, "°F") / FAHRENHEIT_PER_CELSIUS
        size, fixed = abs(reading), Decimal(0)
        if unit == "°F":
            size = max(size, abs(reading - _FREEZING))
            if self.degrees is not None:
                fixed = self.degrees.digits * (FAHRENHEIT_PER_CELSIUS if self.degrees.unit == "°C" else 1)
        elif self.degrees is not None:
            raise InputError(f"{self} is the accuracy of a thermometer, not of {unit}.", "Write it as 2 % + 5 digits.")
        return size * self.percent / 100 + self.digits * resolution + fixed

    def at_temperature(
        self, celsius: Decimal, temperature_coefficient: Decimal = DEFAULT_TEMPERATURE_COEFFICIENT
    ) -> "AccuracyLine":
        """Return the line for a meter at ``celsius`` (-40 to 70 °C): wider outside 18 to 28 °C.

        ``temperature_coefficient`` is the share of the line that its sheet adds for each degree. It is added linearly,
        not in squares, because it raises the largest error that the sheet allows; the error stays one rectangle.

        Raises:
            InputError: no meter is specified for ``celsius``.
        """
        check_operating_temperature(celsius)
        beyond = max(REFERENCE_TEMPERATURES[0] - celsius, celsius - REFERENCE_TEMPERATURES[1], Decimal(0))
        factor = 1 + temperature_coefficient * beyond
        if factor == 1:
            return self
        degrees = self.degrees and replace(self.degrees, digits=self.degrees.digits * factor)
        return replace(
            self,
            percent=self.percent * factor,
            digits=self.digits * factor,
            degrees=degrees,
            remark=", ".join(filter(None, (self.remark, f"widened for {celsius:.3g} °C"))),
        )

    def __str__(self) -> str:
        word = "digit" if self.digits == 1 else "digits"
        terms = [f"{self.percent.normalize():f} %", f"{self.digits.normalize():f} {word}"]
        if self.degrees is not None:
            counts = zip(terms, (self.percent, self.digits), strict=True)
            terms = [term for term, count in counts if count]
            terms.append(f"{self.degrees.digits.normalize():f} {self.degrees.unit}")
        line = f"±({' + '.join(terms)})" if len(terms) > 1 else f"±{terms[0]}"
        return ", ".join(filter(None, (line, self.remark, "assumed" if self.assumed else "")))


def check_operating_temperature(celsius: Decimal) -> Decimal:
    """Return the operating temperature of a meter, in °C, if it is from -40 to 70 °C.

    Raises:
        InputError: it is outside that range.
    """
    if not OPERATING_TEMPERATURES[0] <= celsius <= OPERATING_TEMPERATURES[1]:
        raise InputError(
            f"No handheld meter is specified for use at {celsius:.3g} °C.", "Give the meter's own temperature: 35 °C."
        )
    return celsius


def parse_accuracy(text: str) -> AccuracyLine:
    """Return the line written in ``text``: ``2 % + 5 digits``, ``±(1.5% rdg + 3 dgt)``, ``0.8 %``, ``10 digits``.

    A thermometer's line may have degrees: ``0.5 % + 1 °C``, ``1.8 °F``. A comma with one or two decimals is understood:
    ``0,8 %``.

    Raises:
        InputError: the text is not an accuracy line.
    """
    line = _LINE.fullmatch(text.strip())
    terms = [_TERM.fullmatch(term.strip()) for term in line["terms"].split("+")] if line else []
    parts: dict[str, Amount] = {}
    for term in terms:
        kind = _kind_of_term(term, after_percent="percent" in parts) if term else ""
        if term is None or not kind or kind in parts or (kind == "percent" and parts):
            raise InputError(f"{text!r} is not an accuracy line.", "Write it as 2 % + 5 digits.")
        parts[kind] = Amount(
            Decimal(term["number"].replace(",", ".")), f"°{term['scale'].upper()}" if term["scale"] else ""
        )
    if not parts:
        raise InputError(f"{text!r} is not an accuracy line.", "Write it as 2 % + 5 digits.")
    percent, digits = (parts[kind].digits if kind in parts else Decimal(0) for kind in ("percent", "digits"))
    return AccuracyLine(percent, digits, degrees=parts.get("degrees"))


def _kind_of_term(term: re.Match[str], *, after_percent: bool) -> str:
    """Return ``percent``, ``digits`` or ``degrees``; empty for a bare number that does not follow a percentage."""
    if term["percent"]:
        return "percent"
    if term["scale"]:
        return "degrees"
    return "digits" if term["digits"] or after_percent else ""


# (percent, digits) of a meter without an entered accuracy line; of a thermometer also degrees, the same for every
# display. Common practice, no source: the weaker end of the sheets of general-purpose handheld meters, so that an
# uncertainty is shown rather than hidden.
_ASSUMED = {
    Quantity.CAPACITANCE: ("3", "5"),
    Quantity.RESISTANCE: ("1", "5"),
    Quantity.VOLTAGE: ("1.2", "5"),
    Quantity.CURRENT: ("2.5", "5"),
    Quantity.FREQUENCY: ("0.1", "3"),
    Quantity.TEMPERATURE: ("1", "0"),
    Quantity.RATIO: ("1", "5"),
    Quantity.BATTERY: ("5", "0"),
}
_ASSUMED_DEGREES = Amount(Decimal(1), "°C")


def assumed_accuracy(quantity: Quantity) -> AccuracyLine:
    """Return the assumed line for a meter of unknown accuracy."""
    percent, digits = _ASSUMED[quantity]
    degrees = _ASSUMED_DEGREES if quantity is Quantity.TEMPERATURE else None
    return AccuracyLine(Decimal(percent), Decimal(digits), assumed=True, degrees=degrees)


class Distribution(Protocol):
    """The symmetrical distribution of an error about zero."""

    @property
    def standard_uncertainty(self) -> float:
        """The standard deviation of the error."""
        ...

    def cdf(self, error: float) -> float:
        """Return the probability that the error is at most ``error``."""
        ...

    def half_width(self, coverage_probability: float = COVERAGE_PROBABILITY) -> float:
        """Return the half-width of the interval about zero that holds the error with ``coverage_probability``."""
        ...


@dataclass(frozen=True, slots=True)
class TrapezoidalDistribution:
    """The sum of two independent rectangular errors, each ± its half-width (both ≥ 0, in one unit).

    A displayed value has these two errors: its accuracy line (JCGM 100, 4.3.7) and half a display step (F.2.2.1). With
    one of them zero it is a rectangle. The result is exact; k = 2 of a normal distribution would overstate it.
    """

    first_half_width: float
    second_half_width: float = 0.0

    @property
    def standard_uncertainty(self) -> float:
        """The standard uncertainty, √((first² + second²)/3)."""
        return hypot(self.first_half_width, self.second_half_width) / sqrt(3)

    @property
    def largest_error(self) -> float:
        """The largest possible error, first + second half-width."""
        return self.first_half_width + self.second_half_width

    @property
    def flat_half_width(self) -> float:
        """The half-width of the flat top of the density."""
        return abs(self.first_half_width - self.second_half_width)

    def density(self, error: float) -> float:
        """Return the probability density at ``error``; the distribution has an error."""
        wide, narrow = self._sorted()
        size = abs(error)
        if size <= wide - narrow:
            return 1 / (2 * wide)
        return max(wide + narrow - size, 0.0) / (4 * wide * narrow) if narrow else 0.0

    def cdf(self, error: float) -> float:
        """Return the probability that the error is at most ``error``."""
        beyond = self._tail_probability(abs(error)) / 2
        return beyond if error < 0 else 1 - beyond

    def _tail_probability(self, size: float) -> float:
        """Return the probability of an error beyond ± ``size``: the area of the density outside, in closed form."""
        wide, narrow = self._sorted()
        if size >= wide + narrow:
            return 0.0 if wide or size else 1.0  # without any error, half lies on each side of zero
        if size <= wide - narrow:  # on the flat top, density 1/(2·wide)
            return 1 - size / wide
        return (wide + narrow - size) ** 2 / (4 * wide * narrow)

    def half_width(self, coverage_probability: float = COVERAGE_PROBABILITY) -> float:
        """Return the half-width of the interval about zero that holds the error with ``coverage_probability``.

        It inverts the tail probability. In units of `standard_uncertainty` it is the coverage factor of EA-4/02
        (supplement 2, S9 and S10): at 95 % k = 0.95·√3 = 1.65 for one rectangle, up to 1.90 for two equal rectangles.
        """
        wide, narrow = self._sorted()
        if coverage_probability * wide <= wide - narrow:
            return coverage_probability * wide
        return wide + narrow - 2 * sqrt((1 - coverage_probability) * wide * narrow)

    def _sorted(self) -> tuple[float, float]:
        return max(self.first_half_width, self.second_half_width), min(self.first_half_width, self.second_half_width)


@dataclass(frozen=True, slots=True)
class NormalDistribution:
    """A normally distributed error of ``standard_uncertainty`` > 0."""

    standard_uncertainty: float

    def cdf(self, error: float) -> float:
        """Return the probability that the error is at most ``error``."""
        return (
            erfc(-error / (self.standard_uncertainty * sqrt(2))) / 2
        )  # NormalDist.cdf of Python 3.11 has no digits far out

    def half_width(self, coverage_probability: float = COVERAGE_PROBABILITY) -> float:
        """Return the half-width of the interval about zero that holds the error with ``coverage_probability``."""
        from statistics import NormalDist  # noqa: PLC0415  # costs 3 ms: one reading of a meter needs none of it

        return self.standard_uncertainty * NormalDist().inv_cdf((1 + coverage_probability) / 2)


def expanded_uncertainty(
    accuracy_half_width: float, resolution: float, coverage_probability: float = COVERAGE_PROBABILITY
) -> float:
    """Return the half-width that holds the true value with ``coverage_probability``, in the unit of both arguments.

    The error is the `TrapezoidalDistribution` of ± ``accuracy_half_width`` and ± ``resolution``/2.
    """
    return TrapezoidalDistribution(abs(accuracy_half_width), abs(resolution) / 2).half_width(coverage_probability)


def propagate_uncertainty(
    model: Callable[..., float], values: Sequence[float], covariance: Sequence[Sequence[float]]
) -> tuple[float, float]:
    """Return ``(y, u)``: y = model(x1, x2, …) and its standard uncertainty, from the estimates ``values``.

    ``covariance`` is their covariance matrix, with u(xi)² on its diagonal. The law of propagation of uncertainty, first
    order, with correlation (JCGM 100, 5.2.2, equation 13). The sensitivities are central differences over ± u(xi), as
    5.1.3, note 2 allows.

    Raises:
        InputError: the matrix is not square and symmetric, has a negative variance, or gives one for the result.
    """
    size = len(values)
    if len(covariance) != size or any(len(row) != size for row in covariance):
        raise InputError(f"{size} values need a covariance matrix of {size} by {size}.", "Give a value for every pair.")
    if any(row[i] < 0 or row[j] != covariance[j][i] for i, row in enumerate(covariance) for j in range(size)):
        raise InputError("The matrix is not a covariance matrix.", "Make it symmetric, with variances on its diagonal.")
    slopes = []
    for i in range(size):
        spread = sqrt(covariance[i][i])
        above, under = (model(*(x + sign * spread if j == i else x for j, x in enumerate(values))) for sign in (1, -1))
        slopes.append((above - under) / (2 * spread) if spread else 0.0)
    pairs = ((i, j) for i in range(size) for j in range(size))
    terms = [slopes[i] * slopes[j] * covariance[i][j] for i, j in pairs]
    variance, scale = sum(terms), sum(abs(term) for term in terms)
    if not isfinite(variance) or variance < -1e-9 * scale:  # the rounding of a sum that cancels is far smaller
        raise InputError("The covariance matrix gives a negative variance.", "Check the correlations: at most 1.")
    return model(*values), sqrt(max(variance, 0.0))
