"""The ``[[frame.checksum]]`` table of a profile, and ``[[text.checksum]]``."""

from collections.abc import Iterator

from meterlink.core.errors import InputError
from meterlink.profiles.bits import LARGEST_OFFSET, LONGEST_FRAME
from meterlink.profiles.location_keys import ORDER, ORDER_DESCRIPTION
from meterlink.profiles.model import Checksum, ChecksumKind
from meterlink.tomlfile.field_types import Boolean, Choice, Integer, Schema
from meterlink.tomlfile.tables import Computed, FieldError, Key, Table, Tables, Variants

_MOST_BYTES = 4
_MOST_CHECKSUMS = 16  # of one frame; more than any meter sends


def _place(stated_at: int | None, size: int, hex: bool) -> int:  # noqa: A002, FBT001  # the names of keys
    width = 2 * size if hex else size
    if stated_at is not None and -width < stated_at < 0:
        raise InputError(f"{width} bytes do not fit there.", f"Write at = {-width} for the last ones.")
    return -width if stated_at is None else stated_at


def _check_numbers(size: int, init: int, xor_out: int) -> Iterator[FieldError]:
    yield from _too_large(size, init=init, xor_out=xor_out)


def _check_crc(size: int, polynomial: int, width: int | None) -> Iterator[FieldError]:
    yield from _too_large(size, polynomial=polynomial)
    if width is not None and width > 8 * size:
        message = f"{width} bits do not fit into {size} check bytes."
        yield FieldError("width", message, f"Write width = a whole number from 1 to {8 * size}, or correct size.")


def _too_large(size: int, **numbers: int) -> Iterator[FieldError]:
    largest = (1 << 8 * size) - 1
    for key, number in numbers.items():
        if number > largest:
            message = f"{number:#x} does not fit into {size} check byte{'' if size == 1 else 's'}."
            yield FieldError(key, message, f"Write {key} = a number up to {largest:#x}, or correct size.")


def _check_key(key: int, hex: bool) -> Iterator[FieldError]:  # noqa: A002, FBT001  # the names of keys
    if key and hex:
        yield FieldError("key", "a checksum with hex has no key.", "Use the key of the frame.")


def _size_rules(*numbers: str, width: bool = False) -> tuple[Schema, ...]:
    """Return, for each size, the rule for the largest ``numbers`` and for ``width``."""
    rules = []
    for size in range(1, _MOST_BYTES):
        largest: Schema = {key: {"maximum": (1 << 8 * size) - 1} for key in numbers}
        largest |= {"width": {"maximum": 8 * size}} if width else {}
        # Without the key, the size is 1.
        is_size: Schema = {"properties": {"size": {"const": size}}} | ({"required": ["size"]} if size > 1 else {})
        rules.append({"if": is_size, "then": {"properties": largest}})
    return tuple(rules)


_FIRST_BYTE = Integer(-LONGEST_FRAME, LARGEST_OFFSET)
_NUMBER = Integer(0, (1 << 8 * _MOST_BYTES) - 1)
_COMMON_KEYS = (
    Key("kind", Choice(ChecksumKind), description="How the check bytes are computed."),
    Key("at", _FIRST_BYTE, None, "stated_at", "The first check byte; negative: from the end."),
    Key("size", Integer(1, _MOST_BYTES), 1, description="The number of check bytes."),
    Key("order", ORDER, "little", description=ORDER_DESCRIPTION),
    Key("from", _FIRST_BYTE, 0, "begin", "The first byte that it covers."),
    Key("to", Integer(-LONGEST_FRAME, LONGEST_FRAME), None, "end", "The byte after the last that it covers."),
    Key("hex", Boolean(), default=False, description="The check bytes are characters: two hexadecimal digits a byte."),
    Key("key", Integer(0, 0xFF), 0, description="Exclusive-ored on every byte before the computation."),
    Key("raw", Boolean(), default=False, description="It covers the bytes before the frame's key is removed."),
    Key("negate", Boolean(), default=False, description="The two's complement: all bytes add up to 0."),
    Key("init", _NUMBER, 0, description="The start value."),
    Key("xor_out", _NUMBER, 0, description="Exclusive-ored at the end."),
)
_CRC_KEYS = (
    Key("width", Integer(1, 8 * _MOST_BYTES), None, description="Bits; without it, all of the check bytes."),
    Key("polynomial", Integer(1, (1 << 8 * _MOST_BYTES) - 1), description="Without its highest term."),
    Key("reflect_in", Boolean(), default=False, description="As catalogues of CRCs give it."),
    Key("reflect_out", Boolean(), default=False, description="As catalogues of CRCs give it."),
)
_PLACE = Computed("at", _place, ("at",))
_KEY_RULE: Schema = {
    "if": {"properties": {"hex": {"const": True}}, "required": ["hex"]},
    "then": {"properties": {"key": {"const": 0}}},
}
_PLAIN = Table(
    Checksum,
    *_COMMON_KEYS,
    computed=(_PLACE,),
    checks=(_check_numbers, _check_key),
    schema_rules=(_KEY_RULE, *_size_rules("init", "xor_out")),
)
_CRC = Table(
    Checksum,
    *_COMMON_KEYS,
    *_CRC_KEYS,
    computed=(_PLACE,),
    checks=(_check_numbers, _check_key, _check_crc),
    schema_rules=(_KEY_RULE, *_size_rules("init", "xor_out", "polynomial", width=True)),
)
CHECKSUMS: Tables[Checksum] = Tables(Variants("kind", {"sum": _PLAIN, "xor": _PLAIN, "crc": _CRC}), 0, _MOST_CHECKSUMS)
