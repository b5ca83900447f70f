"""The keys of a location in a frame: ``at``, ``size`` and ``order``, or ``bits``."""

from collections.abc import Iterator

from meterlink.core.errors import InputError
from meterlink.core.text import count_phrase
from meterlink.profiles.bits import BIT_RANGES, LARGEST_OFFSET, MOST_BITS
from meterlink.profiles.model import Bit, ByteOrder, FieldLocation
from meterlink.tomlfile.field_types import Choice, Integer, Schema
from meterlink.tomlfile.tables import Computed, FieldError, Key

ORDER: Choice[ByteOrder] = Choice(("little", "big"))
ORDER_DESCRIPTION = "little (the default): the lowest byte first."
OFFSET = Integer(0, LARGEST_OFFSET)


def location_keys(most: int) -> tuple[Key, ...]:
    """Return the keys of a location of up to ``most`` bytes.

    The table also needs the computed values ``size`` and `LOCATION`, the check `check_location`, and `LOCATION_RULE`.
    """
    return (
        Key("at", OFFSET, None, description="The first byte."),
        Key("size", Integer(1, most), None, "stated_size", "The number of bytes."),
        Key("order", ORDER, None, description=ORDER_DESCRIPTION),
        Key("bits", BIT_RANGES, None, description="The bits instead of the bytes, highest first."),
    )


def _location(
    at: int | None, size: int, order: ByteOrder | None, bits: tuple[tuple[Bit, ...], ...] | None
) -> FieldLocation:
    if bits is None:
        if at is None:
            raise InputError("the location is missing.", 'Write at = a number of bytes, or bits = ["3.7", …].')
        return FieldLocation(at, size, order or "little")
    single = tuple(bit for bits_of_item in bits for bit in bits_of_item)
    if len(single) > MOST_BITS:
        raise InputError(f"it has {count_phrase(len(single), 'bit')}.", f"Write {MOST_BITS} at most.")
    if len({(bit.byte, bit.bit) for bit in single}) < len(single):
        raise InputError("a bit is listed twice.", "Name each bit once.")
    return FieldLocation(bits=single)


def check_location(
    at: int | None, stated_size: int | None, order: ByteOrder | None, bits: tuple[tuple[Bit, ...], ...] | None
) -> Iterator[FieldError]:
    """Yield the problems of a location that is given twice."""
    if bits is not None:
        for key, value in (("at", at), ("size", stated_size), ("order", order)):
            if value is not None:
                yield FieldError(key, "bits give the location already.", f"Remove {key} or bits.")


LOCATION = Computed("location", _location, ("bits",))
LOCATION_RULE: Schema = {
    "if": {"required": ["bits"]},
    "then": {"properties": dict.fromkeys(("at", "size", "order"), False)},
    "else": {"required": ["at"]},
}
