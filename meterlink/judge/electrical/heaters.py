"""Resistance heaters by the watts and volts on them: R = U²/P, I = P/U (textbook).

The power may differ from the rated one by the tolerance of IEC 60335-1, 10.1, and the resistance of a cold heater is a
little lower than at work. A self-regulating heater (PTC) follows none of this: its maker's figures count.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from meterlink.core.errors import InputError
from meterlink.core.units import Amount, parse_number
from meterlink.core.verdicts import Limits
from meterlink.judge.measured_value import format_decimal

# IEC 60335-1, 10.1, from memory: a heating appliance above 200 W takes at most 5 % (or 20 W, if that is more) above its
# rated power and 10 % below it; up to 200 W, 10 % either way; up to 25 W, 20 % above, which is taken either way here.
_LARGE_WATTS, _SMALL_WATTS = Decimal(200), Decimal(25)
_LEAST_EXCESS_WATTS = Decimal(20)
# A cold element of nickel-chromium or iron-chromium-aluminium wire has down to 10 % less than at work (makers' tables
# of resistance against temperature, from memory).
_COLD_SHARE = Decimal("0.9")
# A supply within its nameplate's tolerance: the current of a heater follows the voltage.
_SUPPLY_SHARES = (Decimal("0.9"), Decimal("1.1"))
# Two ratings of one element, 5/3.75 kW at 240/208 V, have one resistance; rounding of the watts leaves some percent.
# Common practice, no source.
_LARGEST_SPREAD = Decimal("1.1")
_FIGURES = 4  # of a calculated limit: more than a meter shows

_NUMBERS = r"[0-9.]+(?:\s*/\s*[0-9.]+)*"
_WATTS = rf"(?P<watts>{_NUMBERS})\s*(?P<kilo>k?)W(?:atts?)?"
_VOLTS = rf"(?P<volts>{_NUMBERS})\s*V(?:AC|\s*AC)?"
_RATINGS = [
    re.compile(rf"{first}\s*(?:[,@]|at)?\s*{second}", re.IGNORECASE | re.ASCII)
    for first, second in ((_WATTS, _VOLTS), (_VOLTS, _WATTS))
]


@dataclass(frozen=True, slots=True)
class HeaterRating:
    """The marking on a heater: pairs of ``(watts, volts)``, each above zero; mostly one pair."""

    pairs: tuple[tuple[Decimal, Decimal], ...]

    def __str__(self) -> str:
        unit, divisor = ("kW", 1000) if all(watts >= 1000 for watts, _ in self.pairs) else ("W", 1)
        watts = "/".join(format_decimal(watts / divisor) for watts, _ in self.pairs)
        volts = "/".join(format_decimal(volts) for _, volts in self.pairs)
        return f"{watts} {unit} {volts} V"


def parse_heater_rating(text: str) -> HeaterRating | None:
    """Return the rating in ``text``: ``5 kW 240 V``, ``240/208 V 5/3.75 kW``; None if it has no watts and volts.

    Raises:
        InputError: the watts and the volts do not pair, are not above zero, or are of two different elements.
    """
    match = next(filter(None, (pattern.fullmatch(text.strip()) for pattern in _RATINGS)), None)
    if match is None:
        return None
    thousand = Decimal(1000 if match["kilo"] else 1)
    watts = [parse_number(number)[0] * thousand for number in match["watts"].split("/")]
    volts = [parse_number(number)[0] for number in match["volts"].split("/")]
    if len(watts) != len(volts):
        raise InputError(f"{text.strip()!r}: the watts are at which volts?", "Write a pair: 5 kW 240 V.")
    if min(*watts, *volts) <= 0:
        raise InputError(f"{text.strip()!r} is not above zero.", "Write the marking on the heater: 5 kW 240 V.")
    rating = HeaterRating(tuple(zip(watts, volts, strict=True)))
    ohms = [volt**2 / watt for watt, volt in rating.pairs]
    if max(ohms) > min(ohms) * _LARGEST_SPREAD:
        raise InputError(
            f"{text.strip()!r} are two resistances, {min(ohms):.3g} and {max(ohms):.3g} Ω.", "Give one pair."
        )
    return rating


def heater_resistance_limits(rating: HeaterRating) -> Limits:
    """Return the limits of a cold heater's resistance in Ω, its wires off."""
    low, high = _hot_ohms(rating)
    return Limits(_rounded(low * _COLD_SHARE), _rounded(high), "Ω", str(rating), _rounded(_nominal_ohms(rating)))


def heater_current_limits(rating: HeaterRating, supply: Amount | None = None) -> Limits:
    """Return the limits of a heater's current in A, at the voltage ``supply``, else at its rating ±10 %.

    Raises:
        InputError: ``supply`` is not a voltage above zero.
    """
    if supply is None:
        lowest, highest = min(volts for _, volts in rating.pairs), max(volts for _, volts in rating.pairs)
        low_volts, high_volts = lowest * _SUPPLY_SHARES[0], highest * _SUPPLY_SHARES[1]
        nominal, basis = max(watts / volts for watts, volts in rating.pairs), str(rating)
    else:
        low_volts = high_volts = supply.to("V")
        if low_volts <= 0:
            raise InputError(f"The supply of {supply} is not above zero.", "Give the volts at the heater: 238V.")
        nominal, basis = low_volts / _nominal_ohms(rating), f"{rating} at {supply}"
    low_ohms, high_ohms = _hot_ohms(rating)
    return Limits(_rounded(low_volts / high_ohms), _rounded(high_volts / low_ohms), "A", basis, _rounded(nominal))


def _nominal_ohms(rating: HeaterRating) -> Decimal:
    watts, volts = rating.pairs[0]
    return volts**2 / watts


def _hot_ohms(rating: HeaterRating) -> tuple[Decimal, Decimal]:
    """Return the lowest and the highest resistance at work in Ω, by the tolerance of the power."""
    ohms = [volts**2 / power for watts, volts in rating.pairs for power in _power_limits(watts)]
    return min(ohms), max(ohms)


def _power_limits(watts: Decimal) -> Iterator[Decimal]:
    below, above = watts / 10, max(watts / 20, _LEAST_EXCESS_WATTS)
    if watts <= _LARGE_WATTS:
        below = above = watts / (5 if watts <= _SMALL_WATTS else 10)
    yield watts - below
    yield watts + above


def _rounded(value: Decimal) -> Decimal:
    return Decimal(f"{value:.{_FIGURES - 1}e}")
