"""The readings to add while there is no profile, named by the parts on a technician's truck."""

from collections.abc import Iterator, Sequence

from meterlink.capture.capture_file import DisplayedValue
from meterlink.core.units import Quantity
from meterlink.teach import limits
from meterlink.teach.wishes import A_DRIVER


def readings_to_add(displays: Sequence[DisplayedValue]) -> tuple[str, ...]:
    """Return readings that differ from ``displays`` most, and that parts and leads at hand can show.

    Twelve readings of eight capacitors are eight numbers: the rest of a frame follows so few by chance. Capacitors also
    leave the first digits of a display nearly alone.
    """
    numbers = {one.digits for one in displays if one.digits is not None}
    missing = limits.ENOUGH_DIFFERENT_NUMBERS - len(numbers)
    if len(numbers) >= limits.TIMES_ENOUGH * limits.ENOUGH_DIFFERENT_NUMBERS:
        return (A_DRIVER,)
    if missing <= 0:
        return ("more readings that differ from those labelled",)
    return tuple(_parts(displays, len(numbers), missing))


def _parts(displays: Sequence[DisplayedValue], different: int, missing: int) -> Iterator[str]:
    quantities = {one.quantity for one in displays}
    so_far = f"{different} number{'s' * (different != 1)} so far, about {limits.ENOUGH_DIFFERENT_NUMBERS} are needed"
    if Quantity.RESISTANCE not in quantities:
        yield f"{missing} resistors of different values, with the dial on ohms ({so_far})"
    else:
        yield f"{missing} more parts of other values, in any function ({so_far})"
    if not any(one.digits is not None and not one.digits for one in displays):
        yield "the leads shorted, with the dial on ohms: zeros in every place"
    if not any(one.overload for one in displays):
        yield "an open lead, with the dial on ohms: OL"
