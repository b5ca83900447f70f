"""How far off the meter itself may be: its accuracy line and its display step, combined as in the GUM."""

import re
from dataclasses import dataclass
from decimal import Decimal
from math import hypot, sqrt

from meterlink.errors import InputError
from meterlink.units import Quantity

# Two-sided coverage of the interval a margin is taken with: the usual 95 % (JCGM 100, 6.2.2 names it as the example).
COVERAGE = 0.95

_LINE = re.compile(
    r"(?:±\s*)?\(?\s*(?P<percent>[0-9]+(?:\.[0-9]+)?)\s*%\s*(?:of\s+reading|reading|rdg)?\s*"
    r"(?:\+\s*(?P<digits>[0-9]+(?:\.[0-9]+)?)\s*(?:digits?|dgts?|d|counts?)?)?\s*\)?",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class AccuracyLine:
    """A meter's accuracy as its sheet states it: ± ``percent`` of the reading ± ``digits`` display steps.

    ``assumed`` is true where nobody has entered the meter's own line.
    """

    percent: Decimal
    digits: Decimal
    assumed: bool = False

    def half_width(self, reading: Decimal, step: Decimal) -> Decimal:
        """Return the largest error the line allows at ``reading``, in the reading's unit; ``step`` is one digit."""
        return abs(reading) * self.percent / 100 + self.digits * step

    def __str__(self) -> str:
        line = f"±({self.percent.normalize():f} % + {self.digits.normalize():f} digits)"
        return f"{line}, assumed" if self.assumed else line


def parse_accuracy(text: str) -> AccuracyLine:
    """Return the line written in ``text``: ``2 % + 5 digits``, ``±(1.5% rdg + 3 dgt)``, ``0.8 %``; else InputError."""
    match = _LINE.fullmatch(text.strip())
    if match is None:
        raise InputError(f"{text!r} is not an accuracy line.", "Write it as 2 % + 5 digits.")
    return AccuracyLine(Decimal(match["percent"]), Decimal(match["digits"] or 0))


# What is taken for a meter whose accuracy line nobody has entered. Common practice, no source: the weaker end of what
# the sheets of general-purpose handheld meters state, so that a doubt is shown rather than hidden.
_ASSUMED = {
    Quantity.CAPACITANCE: ("3", "5"),
    Quantity.RESISTANCE: ("1", "5"),
    Quantity.VOLTAGE: ("1.2", "5"),
    Quantity.CURRENT: ("2.5", "5"),
    Quantity.FREQUENCY: ("0.1", "3"),
    Quantity.TEMPERATURE: ("1", "10"),
    Quantity.RATIO: ("1", "5"),
    Quantity.BATTERY: ("5", "0"),
}


def assumed_accuracy(quantity: Quantity) -> AccuracyLine:
    """Return the assumed line for a meter of unknown accuracy."""
    percent, digits = _ASSUMED[quantity]
    return AccuracyLine(Decimal(percent), Decimal(digits), assumed=True)


def expanded_uncertainty(accuracy_half_width: float, step: float, coverage: float = COVERAGE) -> float:
    """Return the half-width that holds the true value with probability ``coverage``, in the unit of both arguments.

    Two rectangular contributions: ± ``accuracy_half_width`` (JCGM 100, 4.3.7) and the display's ± ``step``/2
    (JCGM 100, F.2.2.1). Their sum has a trapezoidal distribution, whose coverage factor EA-4/02 (supplement 2, S9 and
    S10) gives in closed form: with β = |a-b|/(a+b), k = 0.95·√3 = 1.65 for a lone rectangle up to 1.90 for two equal
    ones, where the normal k = 2 would overstate the doubt.
    """
    wide, narrow = sorted((abs(accuracy_half_width), abs(step) / 2), reverse=True)
    if wide == 0:
        return 0.0
    beta = (wide - narrow) / (wide + narrow)
    if coverage <= 2 * beta / (1 + beta):  # the interval ends on the flat top
        k = coverage * (1 + beta) / 2 / sqrt((1 + beta**2) / 6)
    else:
        k = (1 - sqrt((1 - coverage) * (1 - beta**2))) / sqrt((1 + beta**2) / 6)
    return k * hypot(wide, narrow) / sqrt(3)
