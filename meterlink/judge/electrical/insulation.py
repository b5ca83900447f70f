"""Insulation resistance to ground and its minimum."""

from decimal import Decimal
from enum import StrEnum

from meterlink.core.equipment import PointKind
from meterlink.core.errors import InputError
from meterlink.core.units import Amount
from meterlink.core.verdicts import Judgement, Limits
from meterlink.judge.judging import MeasuredValue, judge
from meterlink.judge.uncertainty import AccuracyLine

# A setting, not a limit of a standard: IEEE 43 covers larger machines (its 1974 edition excluded fractional-horsepower
# machines) and sets no limit for a hermetic compressor; its maker does. Common practice, no source.
DEFAULT_INSULATION_MINIMUM = Amount(Decimal(1), "MΩ")
IEEE43_REMARK = "IEEE 43 is no limit for a hermetic compressor: the maker's figure counts."


class WindingType(StrEnum):
    """The kinds of winding in IEEE 43-2013."""

    BEFORE_1970 = "before-1970"  # most windings made before about 1970, and all field windings
    FORM_WOUND = "form-wound"
    RANDOM_WOUND = "random-wound"  # and form-wound below 1 kV


def ieee43_minimum(winding_type: WindingType, kilovolts: Decimal) -> Amount:
    """Return the least insulation resistance by IEEE 43-2013: kV + 1, 100 or 5 MΩ.

    These are one-minute values corrected to 40 °C; ``kilovolts`` is the rated line-to-line voltage. The assignment of
    100 and 5 MΩ to constructions is from memory.
    """
    match winding_type:
        case WindingType.BEFORE_1970:
            return Amount(kilovolts + 1, "MΩ")
        case WindingType.FORM_WOUND:
            return Amount(Decimal(100), "MΩ")
        case WindingType.RANDOM_WOUND:
            return Amount(Decimal(5), "MΩ")


def insulation_limits(minimum: Amount, basis: str = "") -> Limits:
    """Return limits of ``minimum`` and no maximum, in its own unit; ``basis`` names them.

    Raises:
        InputError: ``minimum`` is not above zero.
    """
    if minimum.digits <= 0:
        raise InputError(f"The minimum {minimum} is not above zero.", "Give the least resistance to ground: 1 Mohm.")
    return Limits(minimum.digits, None, minimum.unit, basis or "the minimum to ground")


def judge_insulation(limits: Limits, measured: MeasuredValue, accuracy: AccuracyLine | None = None) -> Judgement:
    """Judge a resistance to ground; an overload is within, up to the range of a handheld meter.

    Raises:
        InputError: the reading is an overload, but a handheld meter's range may end below the minimum.
    """
    return judge(PointKind.INSULATION, limits, measured, accuracy)
