"""Values typed in by hand: a meter without a radio, read off by a person. Pure."""

from decimal import Decimal

from meterlink.capture.capture_file import parse_displayed_value
from meterlink.core.clock import Timestamp
from meterlink.core.errors import InputError
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Quantity, display_amount, resolution_of

MANUAL_ENTRY = "keyed"
"""What stands for the address, the driver and the channel of values that were typed in."""


def parse_manual_entry(text: str, stamp: Timestamp, quantity: Quantity | None = None) -> Reading:
    """Return the reading that somebody read off a display and typed: ``4.70 uF``, ``OL Mohm``, ``-12.34 mV DC``.

    ``quantity`` is what is expected: it lets an ``OL`` stand without its unit. A display on hold is taken as it stands:
    whoever froze it to read it off knows where. InputError, in words, for anything that no display shows or that
    carries no value.
    """
    shown = parse_displayed_value(text)
    if shown.blank:
        raise InputError("A display without a number is no reading.", "Type what it shows: 4.70 uF, or OL.")
    if "relative" in shown.flags:
        raise InputError(
            "A relative display shows a difference, not what is on the probes.", "Switch that off, and type the value."
        )
    unit = shown.unit
    if not unit:
        if quantity is None:
            raise InputError("The unit of the overload is missing.", "Write it: OL Mohm")
        unit = display_amount(quantity, Decimal("0.1")).unit  # what a display in tenths of the base unit shows
    return Reading(
        quantity=shown.quantity or quantity or Quantity.RESISTANCE,
        digits=shown.digits,
        unit=unit,
        timestamp=stamp,
        status=Status.OVERLOAD if shown.overload else Status.OK,
        coupling=shown.coupling,
        resolution=None if shown.digits is None else resolution_of(shown.digits),
        low_battery="low_battery" in shown.flags,
        channel=MANUAL_ENTRY,
        packet=text.encode(),
    )
