"""Taking numbers out of a frame; compiled once, so that a packet costs a few table look-ups."""

import struct
from collections.abc import Callable, Sequence
from decimal import Decimal

from meterlink.core.binary_numbers import decode_float32, decode_float64, decode_medfloat16, decode_medfloat32
from meterlink.core.readings import Status
from meterlink.profiles.model import Bit, FieldLocation, NumberField, NumberType
from meterlink.profiles.number_text import integer_or_negative_zero, parse_ascii_number

RawValue = int | Decimal | Status
"""What is in a frame: an integer to be scaled, a number that says its own places, or why there is none."""

_STRUCT = {1: "B", 2: "H", 4: "I", 8: "Q"}
# A digit's byte to its character; any other to one that is no digit.
_DIGITS = bytes(byte + 0x30 if byte <= 9 else 0x78 for byte in range(256))
_FLOATS: dict[NumberType, Callable[[bytes], Decimal | Status]] = {
    NumberType.FLOAT32: decode_float32,
    NumberType.FLOAT64: decode_float64,
    NumberType.SFLOAT: decode_medfloat16,
    NumberType.FLOAT: decode_medfloat32,
}


def compile_location(location: FieldLocation) -> Callable[[bytes], int]:
    """Return what takes the unsigned number at ``place`` out of a frame that is long enough."""
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
    """Return what takes the number out of a frame that is long enough; it never raises."""
    take = plain = _compile_number_type(number)
    special: dict[int, Status] = dict.fromkeys(number.overload, Status.OVERLOAD)
    special |= dict.fromkeys(number.invalid, Status.INVALID)
    if special:
        contents = compile_location(number.location)

        def take(frame: bytes) -> RawValue:
            return special.get(contents(frame)) or plain(frame)

    most = number.overload_above
    if most is None:
        return take

    def bounded(frame: bytes) -> RawValue:
        raw = take(frame)
        return raw if isinstance(raw, Status) or -most <= raw <= most else Status.OVERLOAD

    return bounded


def last_byte(location: FieldLocation) -> int:
    """Return the last byte that a place needs."""
    return max(bit.byte for bit in location.bits) if location.bits else location.at + location.size - 1


def _compile_number_type(number: NumberField) -> Callable[[bytes], RawValue]:
    place = number.location
    contents = compile_location(place)
    width = len(place.bits) or 8 * place.size
    match number.type:
        case NumberType.UINT:
            return contents
        case NumberType.INT:
            return _compile_twos_complement(place, contents, width)
        case NumberType.SIGN_MAGNITUDE:
            sign = 1 << width - 1
            return lambda frame: (
                raw if (raw := contents(frame)) < sign else integer_or_negative_zero(sign - raw, negative=True)
            )
        case NumberType.BCD:
            return lambda frame: int(text) if (text := f"{contents(frame):x}").isdecimal() else Status.INVALID
    if number.type is NumberType.ASCII:
        at, end = place.at, place.at + place.size
        return lambda frame: parse_ascii_number(frame[at:end])
    if number.type is NumberType.DIGIT_BYTES:
        digits = _slice(place, backwards=place.order == "little")
        return lambda frame: int(text) if (text := frame[digits].translate(_DIGITS)).isdigit() else Status.INVALID
    convert, taken = _FLOATS[number.type], _slice(place, backwards=place.order == "big")
    return lambda frame: convert(frame[taken])


def _slice(place: FieldLocation, *, backwards: bool) -> slice:
    if not backwards:
        return slice(place.at, place.at + place.size)
    return slice(place.at + place.size - 1, place.at - 1 if place.at else None, -1)


def _compile_twos_complement(
    place: FieldLocation, read_unsigned: Callable[[bytes], int], width: int
) -> Callable[[bytes], int]:
    if not place.bits and place.size in _STRUCT:
        code = ("<" if place.order == "little" else ">") + _STRUCT[place.size].lower()
        unpack, at = struct.Struct(code).unpack_from, place.at
        return lambda frame: unpack(frame, at)[0]
    sign, full = 1 << width - 1, 1 << width
    return lambda frame: raw if (raw := read_unsigned(frame)) < sign else raw - full


def _compile_bits(bits: Sequence[Bit]) -> Callable[[bytes], int]:
    """Return what puts bits of any bytes together, highest first: of every byte a table says what it contributes."""
    tables: dict[int, list[int]] = {}
    for rank, bit in enumerate(reversed(bits)):
        table = tables.setdefault(bit.byte, [0] * 256)
        for value in range(256):
            if (value >> bit.bit & 1) != bit.inverted:
                table[value] |= 1 << rank
    pairs = tuple(tables.items())
    if len(pairs) == 1:
        ((at, only),) = pairs
        return lambda frame: only[frame[at]]
    if len(pairs) == 2:
        (at, first), (then, second) = pairs
        return lambda frame: first[frame[at]] | second[frame[then]]

    def gather(frame: bytes) -> int:
        number = 0
        for at, table in pairs:
            number |= table[frame[at]]
        return number

    return gather
