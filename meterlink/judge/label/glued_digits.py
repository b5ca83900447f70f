"""Digits that a worn sign or a lost space runs together: 455 MFD for 45/5, 88108 for 88-108, 45440 for 45 at 440 V."""

from collections.abc import Iterator
from decimal import Decimal

from meterlink.judge.label.usual_values import (
    is_usual_capacitance,
    is_usual_dual,
    is_usual_half,
    is_usual_marked_range,
    is_usual_rated_volts,
)


def spell_glued_capacitance(digits: str) -> Iterator[str]:
    """Yield the usual capacitances, without a unit, that ``digits`` may be when a sign is lost.

    ``digits`` may have a point.
    """
    whole, _, decimals = digits.partition(".")
    if decimals:  # 357.5
        for place in range(1, len(whole)):
            herm, fan = whole[:place], f"{whole[place:]}.{decimals}"
            if is_usual_dual(Decimal(herm), Decimal(fan)) and fan[0] != "0":
                yield f"{herm}+{fan}"
        return
    for place in range(1, len(digits)):
        first, second = digits[:place], digits[place:]
        for fan in (second, f"{second[:-1]}.{second[-1]}"):
            if fan[0] not in "0." and is_usual_dual(Decimal(first), Decimal(fan)):
                yield f"{first}+{fan}"
        if second[0] != "0" and is_usual_marked_range(Decimal(first), Decimal(second)):
            yield f"{first} to {second}"
    if len(digits) > 1 and is_usual_half(Decimal(f"{digits[:-1]}.{digits[-1]}")):
        yield f"{digits[:-1]}.{digits[-1]}"


def spell_glued_rating(digits: str) -> Iterator[str]:
    """Yield the usual capacitances with volts that ``digits`` may be when a space is lost; volts have three digits."""
    front, volts = digits[:-3], digits[-3:]
    if not front or not is_usual_rated_volts(Decimal(volts)):
        return
    if is_usual_capacitance(Decimal(front)):
        yield f"{front} uF {volts} V "
    for capacitance in spell_glued_capacitance(front):
        yield f"{capacitance} uF {volts} V "


def spell_glued_volts(digits: str) -> Iterator[str]:
    """Yield the usual pair of volts that six ``digits`` may be when a sign is lost: 370440."""
    pair = digits[:3], digits[3:]
    if len(digits) == 6 and all(is_usual_rated_volts(Decimal(volts)) for volts in pair):
        yield f" {'/'.join(pair)} V "
