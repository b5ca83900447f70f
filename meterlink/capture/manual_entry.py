"""Values typed in by hand: read off a meter without a radio by a person. Pure."""

import re
from decimal import Decimal

from meterlink.capture.capture_file import parse_displayed_value
from meterlink.core.clock import Timestamp
from meterlink.core.errors import InputError
from meterlink.core.readings import MANUAL_ENTRY, Reading, Status
from meterlink.core.units import Quantity, display_amount, resolution_of, with_decimal_point

_NUMBER = re.compile(r"[-+]?[0-9]*\.?[0-9]+")


def parse_manual_entry(
    text: str, timestamp: Timestamp, quantity: Quantity | None = None, unit_if_missing: str = ""
) -> Reading:
    """Return the reading in a typed text: ``4.70 uF``, ``OL Mohm``, ``-12.34 mV DC``.

    ``quantity`` is the expected quantity: with it an ``OL`` needs no unit. ``unit_if_missing`` is that of a number
    without one (``43.7``); empty if it must be typed. A decimal comma is read as a point. HOLD is ignored: the person
    who froze the display knows where the probes were.

    Raises:
        InputError: no display shows this text, or it gives no value.
    """
    plain = with_decimal_point(text)
    if unit_if_missing and _NUMBER.fullmatch(plain.strip()):
        plain = f"{plain.strip()} {unit_if_missing}"
    displayed = parse_displayed_value(plain)
    if displayed.blank:
        raise InputError("The text has no number.", "Type the displayed value with its unit: 4.70 uF, or OL.")
    if "relative" in displayed.flags:
        raise InputError(
            "A relative display shows a difference, not the value at the probes.",
            "Switch relative mode off, and type the value.",
        )
    unit = displayed.unit
    if not unit:
        if quantity is None:
            raise InputError("The unit of the overload is missing.", "Write it: OL Mohm")
        unit = display_amount(quantity, Decimal("0.1")).unit  # the unit of a display in tenths of the base unit
    return Reading(
        quantity=displayed.quantity or quantity or Quantity.RESISTANCE,
        digits=displayed.digits,
        unit=unit,
        timestamp=timestamp,
        status=Status.OVERLOAD if displayed.overload else Status.OK,
        coupling=displayed.coupling,
        resolution=None if displayed.digits is None else resolution_of(displayed.digits),
        low_battery="low_battery" in displayed.flags,
        channel=MANUAL_ENTRY,
        packet=text.encode(),
    )
