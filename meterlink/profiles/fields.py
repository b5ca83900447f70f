"""Numbers from the fields of a frame; compiled once, so that a packet costs a few table look-ups."""

import struct
from collections.abc import Callable, Sequence
from decimal import Decimal

from meterlink.core.binary_numbers import decode_float32, decode_float64, decode_medfloat16, decode_medfloat32
from meterlink.core.readings import Status
from meterlink.profiles.model import Bit, FieldLocation, NumberField, NumberType
from meterlink.profiles.number_text import integer_or_negative_zero, parse_ascii_number
from meterlink.profiles.segments import UNKNOWN, parse_display_text

RawValue = int | Decimal | Status
"""The content of a field: an integer to be scaled, a number with its own places, or the reason for no number."""

_STRUCT = {1: "B", 2: "H", 4: "I", 8: "Q"}
# Maps the byte of a digit to its character, any other byte to a letter.
_DIGITS = bytes(byte + 0x30 if byte <= 9 else 0x78 for byte in range(256))
_FLOATS: dict[NumberType, Callable[[bytes], Decimal | Status]] = {
    NumberType.FLOAT32: decode_float32,
    NumberType.FLOAT64: decode_float64,
    NumberType.SFLOAT: decode_medfloat16,
    NumberType.FLOAT: decode_medfloat32,
}


def compile_location(location: FieldLocation) -> Callable[[bytes], int]:
    """Return a function that reads the unsigned number at ``location`` from a frame that is long enough."""
    if location.bits:
        return _compile_bits(location.bits)
    at, end, order = location.at, location.at + location.size, location.order
    if location.size == 1:
        return lambda frame: frame[at]
    if location.size in _STRUCT:
        unpack = struct.Struct(("<" if order == "little" else ">") + _STRUCT[location.size]).unpack_from
        return lambda frame: unpack(frame, at)[0]
    return lambda frame: int.from_bytes(frame[at:end], order)


def compile_number(number: NumberField) -> Callable[[bytes], RawValue]:
    """Return a function that reads the number from a frame that is long enough; it never raises."""
    read = read_number = _compile_number_type(number)
    special: dict[int, Status] = dict.fromkeys(number.overload, Status.OVERLOAD)
    special |= dict.fromkeys(number.invalid, Status.INVALID)
    if special:
        read_unsigned = compile_location(number.location)

        def read(frame: bytes) -> RawValue:
            return special.get(read_unsigned(frame)) or read_number(frame)

    limit = number.overload_above
    if limit is None:
        return read

    def read_bounded(frame: bytes) -> RawValue:
        raw = read(frame)
        return raw if isinstance(raw, Status) or -limit <= raw <= limit else Status.OVERLOAD

    return read_bounded


def last_byte(location: FieldLocation) -> int:
    """Return the offset of the last byte of a location."""
    return max(bit.byte for bit in location.bits) if location.bits else location.at + location.size - 1


def _compile_number_type(number: NumberField) -> Callable[[bytes], RawValue]:
    location = number.location
    read_unsigned = compile_location(location)
    width = len(location.bits) or 8 * location.size
    match number.type:
        case NumberType.UINT:
            return read_unsigned
        case NumberType.INT:
            return _compile_twos_complement(location, read_unsigned, width)
        case NumberType.SIGN_MAGNITUDE:
            sign = 1 << width - 1
            return lambda frame: (
                raw if (raw := read_unsigned(frame)) < sign else integer_or_negative_zero(sign - raw, negative=True)
            )
        case NumberType.BCD:
            return lambda frame: int(text) if (text := f"{read_unsigned(frame):x}").isdecimal() else Status.INVALID
    if number.type is NumberType.ASCII:
        at, end = location.at, location.at + location.size
        return lambda frame: parse_ascii_number(frame[at:end])
    if number.type is NumberType.DIGIT_BYTES:
        digits = _slice(location, backwards=location.order == "little")
        return lambda frame: int(text) if (text := frame[digits].translate(_DIGITS)).isdigit() else Status.INVALID
    if number.type is NumberType.DIGIT_CODES:
        coded = _slice(location, backwards=location.order == "little")
        known = dict(number.characters)
        characters = {byte: known.get(byte, UNKNOWN) for byte in range(256)}
        return lambda frame: parse_display_text(frame[coded].decode("latin-1").translate(characters))
    convert, byte_range = _FLOATS[number.type], _slice(location, backwards=location.order == "big")
    return lambda frame: convert(frame[byte_range])


def _slice(location: FieldLocation, *, backwards: bool) -> slice:
    if not backwards:
        return slice(location.at, location.at + location.size)
    return slice(location.at + location.size - 1, location.at - 1 if location.at else None, -1)


def _compile_twos_complement(
    location: FieldLocation, read_unsigned: Callable[[bytes], int], width: int
) -> Callable[[bytes], int]:
    if not location.bits and location.size in _STRUCT:
        code = ("<" if location.order == "little" else ">") + _STRUCT[location.size].lower()
        unpack, at = struct.Struct(code).unpack_from, location.at
        return lambda frame: unpack(frame, at)[0]
    sign, full = 1 << width - 1, 1 << width
    return lambda frame: raw if (raw := read_unsigned(frame)) < sign else raw - full


def _compile_bits(bits: Sequence[Bit]) -> Callable[[bytes], int]:
    """Return a function that joins bits of any bytes, highest first.

    A table per byte gives each byte's contribution.
    """
    tables: dict[int, list[int]] = {}
    for rank, bit in enumerate(reversed(bits)):
        table = tables.setdefault(bit.byte, [0] * 256)
        for value in range(256):
            if (value >> bit.bit & 1) != bit.inverted:
                table[value] |= 1 << rank
    pairs = tuple(tables.items())
    if len(pairs) == 1:
        ((only_at, only),) = pairs
        return lambda frame: only[frame[only_at]]
    if len(pairs) == 2:
        (first_at, first), (second_at, second) = pairs
        return lambda frame: first[frame[first_at]] | second[frame[second_at]]

    def gather(frame: bytes) -> int:
        number = 0
        for at, table in pairs:
            number |= table[frame[at]]
        return number

    return gather
