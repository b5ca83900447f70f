"""Insulation resistance to ground against a stated minimum."""

from decimal import Decimal
from enum import StrEnum

from meterlink.core.equipment import PointKind
from meterlink.core.errors import InputError
from meterlink.core.units import Amount
from meterlink.core.verdicts import Judgement, Limits
from meterlink.judge.judging import MeasuredValue, judge
from meterlink.judge.uncertainty import AccuracyLine

# A setting, not a standard's limit: IEEE 43 is about larger machines (its 1974 edition left out fractional-horsepower
# ones) and is no limit for a hermetic compressor, whose maker states one. Common practice, no source.
DEFAULT_INSULATION_MINIMUM = Amount(Decimal(1), "MΩ")
IEEE43_REMARK = "IEEE 43 is no limit for a hermetic compressor: the maker's figure counts."


class WindingType(StrEnum):
    """The kinds of winding IEEE 43-2013 tells apart."""

    BEFORE_1970 = "before-1970"  # most windings made before about 1970, and all field windings
    FORM_WOUND = "form-wound"
    RANDOM_WOUND = "random-wound"  # and form-wound below 1 kV


def ieee43_minimum(winding_type: WindingType, kilovolts: Decimal) -> Amount:
    """Return the least insulation resistance by IEEE 43-2013: kV + 1, 100 or 5 MΩ.

    One-minute values corrected to 40 °C; ``kilovolts`` is the rated line-to-line voltage. The split of the last two
    by construction is from memory.
    """
    match winding_type:
        case WindingType.BEFORE_1970:
            return Amount(kilovolts + 1, "MΩ")
        case WindingType.FORM_WOUND:
            return Amount(Decimal(100), "MΩ")
        case WindingType.RANDOM_WOUND:
            return Amount(Decimal(5), "MΩ")


def insulation_limits(minimum: Amount, basis: str = "") -> Limits:
    """Return ``at least minimum`` as limits, in its own unit; InputError when it is not above zero."""
    if minimum.digits <= 0:
        raise InputError(f"A minimum of {minimum} accepts anything.", "Give the least resistance to ground: 1 Mohm.")
    return Limits(minimum.digits, None, minimum.unit, basis or "the minimum to ground")


def judge_insulation(limits: Limits, measured: MeasuredValue, accuracy: AccuracyLine | None = None) -> Judgement:
    """Judge a resistance to ground; here an overload is the good answer, as far as the meter's range reaches.

    InputError for an overload against a minimum that a handheld meter's range may not reach.
    """
    return judge(PointKind.INSULATION, limits, measured, accuracy)
