"""Ratings as they are typed off a part: with a decimal comma, and without the unit where the point implies it."""

import re
from decimal import Decimal

from meterlink.core.equipment import PointKind, Span, Specification, TestPoint
from meterlink.core.errors import InputError
from meterlink.core.units import Quantity, parse_amount, with_decimal_point
from meterlink.plans.specification import parse_specification, validate_span

# The unit of a number without one. A temperature may be in °C or °F, and insulation is read in kΩ, MΩ or GΩ.
_IMPLIED_UNITS = {
    Quantity.RESISTANCE: "Ω",
    Quantity.VOLTAGE: "V",
    Quantity.CURRENT: "A",
    Quantity.CAPACITANCE: "µF",
    Quantity.FREQUENCY: "Hz",
}
_WITHOUT_UNIT = re.compile(r"(?:at (?:least|most) +)?[0-9.]+(?: *(?:to|\.\.|-|–) *[0-9.]+)?", re.IGNORECASE)
# The rated current on a nameplate alone: RLA (of a compressor) or FLA (of a fan motor).
_RATED_AMPS = re.compile(r"(?:(?:RLA|FLA) *)?(?P<amps>[0-9.]+ *(?:m?A)?)(?: *(?:RLA|FLA))?", re.IGNORECASE)


def implied_unit(point: TestPoint) -> str:
    """Return the unit of a number typed without one at ``point``; empty where it must be typed."""
    return "" if point.kind is PointKind.INSULATION else _IMPLIED_UNITS.get(point.quantity, "")


def parse_typed_rating(point: TestPoint, text: str) -> Specification:
    """Return the specification that a person typed for ``point``; see `parse_specification`.

    Also without the unit that the point implies (``10 to 18``), with a decimal comma (``1,5 A``), and of a motor's
    current the rated amps alone (``RLA 14.1``): the running current is at most that.

    Raises:
        InputError: the text is no specification of this point.
    """
    plain = with_decimal_point(text.strip())
    rated = _RATED_AMPS.fullmatch(plain) if point.quantity is Quantity.CURRENT else None
    if rated is not None and point.kind is PointKind.RANGE:
        amount = parse_amount(rated["amps"], Quantity.CURRENT, unit="A")
        if amount.digits <= Decimal(0):
            raise InputError(f"A rated current must be above zero, not {amount}.", "Write RLA 14.1 A.")
        return validate_span(Span(None, amount.digits, amount.unit), point.quantity, point.kind)
    unit = implied_unit(point)
    if unit and _WITHOUT_UNIT.fullmatch(plain) and not point.band:
        plain = f"{plain} {unit}"
    return parse_specification(plain, point.quantity, point.kind, point.band)
