"""Coils by the volts and volt-amperes on them.

The volt-amperes of an AC coil give its impedance at work, U²/S, most of which is reactance of its iron. A meter reads
the resistance of its wire, which is well below that, by how much depends on the coil. So the rating proves an open or
a shorted coil and nothing in between: the maker's resistance does.
"""

import re
from dataclasses import dataclass
from decimal import Decimal

from meterlink.core.equipment import PointKind
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity, parse_number
from meterlink.core.verdicts import Judgement, Limits, Verdict
from meterlink.judge.accuracy import Accuracy
from meterlink.judge.electrical.bands import parse_voltage_range
from meterlink.judge.judging import MeasuredValue, format_decimal, judge
from meterlink.judge.measured_value import format_figures

# No coil's wire has less than a hundredth of its impedance at work: a contactor's has a tenth and more. Common
# practice, no source.
_SHORTED_SHARE = Decimal("0.01")
_RATING = re.compile(
    r"(?P<volts>[0-9.]+(?:\s*[/-]\s*[0-9.]+)?\s*V)(?:AC|\s*AC)?\s*[,@]?\s*(?P<va>[0-9.]+)\s*VA",
    re.IGNORECASE | re.ASCII,
)


@dataclass(frozen=True, slots=True)
class CoilRating:
    """The marking on an AC coil: the lowest and the highest of its volts, and its volt-amperes, each above zero."""

    low_volts: Decimal
    high_volts: Decimal
    volt_amperes: Decimal

    @property
    def most_ohms(self) -> Decimal:
        """Its impedance at work, Ω: more than its wire has."""
        return self.high_volts**2 / self.volt_amperes

    def __str__(self) -> str:
        volts = dict.fromkeys(map(format_decimal, (self.low_volts, self.high_volts)))
        return f"{'/'.join(volts)} V {format_decimal(self.volt_amperes)} VA"


def parse_coil_rating(text: str) -> CoilRating | None:
    """Return the rating in ``text``: ``24 V 9 VA``, ``208/240V 10 VA``; None if it has no volts and volt-amperes.

    Raises:
        InputError: a number is not above zero, or the volts are of two coils.
    """
    match = _RATING.fullmatch(text.strip())
    if match is None:
        return None
    low, high = parse_voltage_range(match["volts"])
    volt_amperes = parse_number(match["va"])[0]
    if volt_amperes <= 0:
        raise InputError(f"{text.strip()!r}: no coil takes {volt_amperes:f} VA.", "Write the marking: 24 V 9 VA.")
    return CoilRating(low, high, volt_amperes)


def judge_coil_by_rating(
    rating: CoilRating, measured: MeasuredValue, accuracy: Accuracy | None = None, celsius: Decimal | None = None
) -> Judgement:
    """Judge the resistance of an AC coil by its rating alone: open, shorted, or cannot tell.

    ``accuracy`` and ``celsius`` are those of `meterlink.judge.judging.judge`.

    Raises:
        InputError: the reading is no resistance, or is negative, or no meter is specified for ``celsius``.
    """
    if measured.quantity is not Quantity.RESISTANCE:
        raise InputError(f"{measured} is no resistance.", "Read ohms at the coil with its wires off.")
    least = rating.most_ohms * _SHORTED_SHARE
    bounds = Limits(least, rating.most_ohms, "Ω", str(rating))
    judged = judge(PointKind.RANGE, bounds, measured, accuracy, celsius=celsius)
    limits = Limits(None, None, "Ω", str(rating))
    line = judged.accuracy
    if judged.verdict is Verdict.OPEN:
        return Judgement(Verdict.OPEN, None, limits, None, None, None, line, judged.reason)
    digits = measured.in_unit("Ω")[0] or Decimal(0)
    value, most = f"{digits:f} Ω", f"{format_decimal(Decimal(format_figures(rating.most_ohms, 3)))} Ω"
    if digits <= least:
        reason = f"{value} is less than a hundredth of U²/VA = {most}: the coil is shorted, or the probes touch."
        return Judgement(Verdict.SHORTED, None, limits, digits, None, judged.expanded_uncertainty, line, reason)
    if digits > rating.most_ohms:
        reason = f"{value} is more than U²/VA = {most}: a bad connection, a warm coil, or one with another rating."
    else:
        reason = f"{value}: {rating} does not give the ohms of the coil's wire, which are well below U²/VA = {most}."
    return Judgement(
        Verdict.CANNOT_TELL,
        None,
        limits,
        digits,
        None,
        judged.expanded_uncertainty,
        line,
        reason,
        next_measurement="Compare it with the maker's resistance, or with a new coil of the same rating.",
    )
