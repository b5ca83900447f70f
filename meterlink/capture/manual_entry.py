"""Values typed in by hand: a meter without a radio, read off by a person. Pure."""

from decimal import Decimal

from meterlink.capture.files import parse_shows
from meterlink.core.clock import Stamp
from meterlink.core.errors import InputError
from meterlink.core.readings import Reading, Status
from meterlink.core.units import Quantity, display_form, step_of

KEYED = "keyed"
"""What stands for the address, the driver and the channel of values that were typed in."""


def read_keyed(text: str, stamp: Stamp, quantity: Quantity | None = None) -> Reading:
    """Return the reading that somebody read off a display and typed: ``4.70 uF``, ``OL Mohm``, ``-12.34 mV DC``.

    ``quantity`` is what is expected: it lets an ``OL`` stand without its unit. A display on hold is taken as it stands:
    whoever froze it to read it off knows where. InputError, in words, for anything that no display shows or that
    carries no value.
    """
    shown = parse_shows(text)
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
        unit = display_form(quantity, Decimal("0.1")).unit  # what a display in tenths of the base unit shows
    return Reading(
        quantity=shown.quantity or quantity or Quantity.RESISTANCE,
        digits=shown.digits,
        unit=unit,
        stamp=stamp,
        status=Status.OVERLOAD if shown.overload else Status.OK,
        coupling=shown.coupling,
        resolution=None if shown.digits is None else step_of(shown.digits),
        low_battery="low_battery" in shown.flags,
        channel=KEYED,
        packet=text.encode(),
    )
