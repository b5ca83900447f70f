"""The ``[value]`` table of a profile: the number on the display, as a number in the frame or as segments."""

import re
from collections.abc import Iterator, Sequence

from meterlink.core.errors import InputError
from meterlink.core.text import count_phrase
from meterlink.profiles.bits import BIT, BIT_PATTERN, find_bit
from meterlink.profiles.location_keys import LOCATION, LOCATION_RULE, check_location, location_keys
from meterlink.profiles.meaning_table import SCALE_KEYS, UNIT, UNIT_KEYS
from meterlink.profiles.model import (
    Bit,
    CandidateSegment,
    FieldLocation,
    NumberField,
    NumberType,
    Rounding,
    Segment,
    Segments,
    UnknownSegment,
    ValueFormat,
)
from meterlink.tomlfile.field_types import Choice, Constant, Entries, Integer, ListOf, Parsed, Schema, Text
from meterlink.tomlfile.problems import quote_value
from meterlink.tomlfile.tables import Computed, FieldError, Key, Table, Variants

SEGMENTS = "segments"  # the type of a value that is read from the segments of the display
_MOST_DIGITS = 12  # of a display
_SEGMENTS_PER_DIGIT = 7
_MOST_POOLS = 100  # their numbers have two digits
_MOST_POOL_BITS = 2048  # all of the longest frame
_MOST_CONTENTS = 64  # that stand for no number; more than any meter has
_LARGEST_NUMBER = (1 << 64) - 1

# Bytes of a number: (default, maximum).
_SIZES: dict[NumberType, tuple[int, int]] = {
    NumberType.UINT: (1, 8),
    NumberType.INT: (2, 8),
    NumberType.SIGN_MAGNITUDE: (2, 8),
    NumberType.BCD: (2, 8),
    NumberType.DIGIT_BYTES: (4, 12),
    NumberType.DIGIT_CODES: (4, 12),
    NumberType.ASCII: (6, 24),
    NumberType.FLOAT32: (4, 4),
    NumberType.FLOAT64: (8, 8),
    NumberType.SFLOAT: (2, 2),
    NumberType.FLOAT: (4, 4),
}
_FIXED_SIZES = {number_type: most for number_type, (size, most) in _SIZES.items() if size == most}
_BIT_FIELD_TYPES = (NumberType.UINT, NumberType.INT, NumberType.SIGN_MAGNITUDE, NumberType.BCD)


# --- keys of every value

# 1 to 12, decimal, hexadecimal or binary.
_PLACES_BEHIND_POINT = r"[1-9]|1[0-2]|0[xX]0*[1-9A-Ca-c]|0[bB]0*(?:1[01]{0,2}|10[01]{2}|1100)"


def _find_places(text: str) -> int | None:
    return int(text, 0) if re.fullmatch(_PLACES_BEHIND_POINT, text) else None


def _check_decimals(places: int | None, points: tuple[tuple[int, Bit], ...]) -> Iterator[FieldError]:
    if points and places is not None:
        yield FieldError("places", "points give the decimals already.", "Remove places or points.")


_COMMON_KEYS = (
    *SCALE_KEYS,
    Key(
        "points",
        Entries(
            _find_places,
            _PLACES_BEHIND_POINT,
            BIT,
            '2 = "4.7"',
            wanted='Write 2 = "4.7": the number of digits behind the point (1 to 12), and its bit.',
        ),
        (),
        description="The bits of the decimal points.",
    ),
    *UNIT_KEYS,
    Key("most_digits", Integer(1, _MOST_DIGITS), None, description="A number with more digits is invalid."),
    Key("rounding", Choice(Rounding), Rounding.HALF_EVEN, description="How the display rounds to its places."),
)
_DECIMALS_RULE: Schema = {
    "if": {"required": ["points"], "properties": {"points": {"minProperties": 1}}},
    "then": {"properties": {"places": False}},
}


# --- a number in the frame


def _size(number_type: NumberType, stated_size: int | None) -> int:
    default, most = _SIZES[number_type]
    if stated_size is None:
        return default
    if default == most != stated_size:
        raise InputError(f"{number_type} has {most} bytes.", f"Write size = {most}, or leave it out.")
    if stated_size > most:
        message = f"{number_type} has at most {most} bytes, not {stated_size}."
        raise InputError(message, f"Write size = a whole number from 1 to {most}.")
    return stated_size


def _number_field(
    number_type: NumberType,
    location: FieldLocation,
    overload: tuple[int, ...],
    invalid: tuple[int, ...],
    overload_above: int | None,
    characters: tuple[tuple[int, str], ...],
) -> NumberField:
    return NumberField(number_type, location, overload, invalid, overload_above, characters)


# 0 to 255, hexadecimal, binary or decimal.
_BYTE = r"0[xX]0*[0-9A-Fa-f]{1,2}|0[bB]0*[01]{1,8}|25[0-5]|2[0-4][0-9]|1[0-9]{2}|[1-9]?[0-9]"
_CHARACTER_REMEDY = 'Write 0x3f = "0": the byte of a digit, and its character: 0 to 9, "-" or " ".'


def _find_byte(text: str) -> int | None:
    return int(text, 0) if re.fullmatch(_BYTE, text) else None


def _check_characters(number_type: NumberType, characters: tuple[tuple[int, str], ...]) -> Iterator[FieldError]:
    if characters and number_type is not NumberType.DIGIT_CODES:
        yield FieldError("characters", f"{number_type} has no table of characters.", "Remove characters.")
    elif number_type is NumberType.DIGIT_CODES and not characters:
        yield FieldError("type", f"{number_type} needs a table of characters.", 'Add [value.characters]: 0x3f = "0".')


def _check_bits(number_type: NumberType, location: FieldLocation) -> Iterator[FieldError]:
    if location.bits and number_type not in _BIT_FIELD_TYPES:
        yield FieldError("bits", f"{number_type} consists of whole bytes.", "Write at = an offset instead.")
    elif number_type is NumberType.BCD and len(location.bits) % 4:
        message = f"it has {count_phrase(len(location.bits), 'bit')}."
        yield FieldError("bits", message, "Write four bits for every digit.")


def _type_rule(types: Sequence[NumberType], properties: Schema) -> Schema:
    is_one = {"properties": {"type": {"enum": [number_type.value for number_type in types]}}, "required": ["type"]}
    return {"if": is_one, "then": {"properties": properties}}


_CONTENTS = ListOf(Integer(0, _LARGEST_NUMBER), 0, _MOST_CONTENTS, example="[0x7fff]")
_NUMBER_VALUE = Table(
    ValueFormat,
    Key("type", Choice(NumberType), attribute="number_type", description="How the number is encoded."),
    *location_keys(max(most for _, most in _SIZES.values())),
    Key("overload", _CONTENTS, (), description="Contents of the field that stand for an overload."),
    Key("invalid", _CONTENTS, (), description="Contents of the field that stand for no value."),
    Key("overload_above", Integer(0, _LARGEST_NUMBER), None, description="A greater magnitude is an overload."),
    Key(
        "characters",
        Entries(
            _find_byte,
            _BYTE,
            Text(80, pattern="[-0-9 ]", wanted=_CHARACTER_REMEDY, noun="a digit", example='"0"', clean=False),
            '0x3f = "0"',
            wanted=_CHARACTER_REMEDY,
        ),
        (),
        description="The character of each byte; for the type digit-codes.",
    ),
    *_COMMON_KEYS,
    computed=(Computed("size", _size, ("size",)), LOCATION, Computed("source", _number_field), *UNIT),
    checks=(check_location, _check_bits, _check_characters, _check_decimals),
    schema_rules=(
        LOCATION_RULE,
        _DECIMALS_RULE,
        _type_rule([number_type for number_type in NumberType if number_type not in _BIT_FIELD_TYPES], {"bits": False}),
        _type_rule(
            [number_type for number_type in NumberType if number_type is not NumberType.DIGIT_CODES],
            {"characters": {"maxProperties": 0}},
        ),
        {
            "if": {"properties": {"type": {"const": NumberType.DIGIT_CODES.value}}, "required": ["type"]},
            "then": {"required": ["characters"], "properties": {"characters": {"minProperties": 1}}},
        },
        *(
            _type_rule(
                [number_type],
                {"size": {"minimum": _FIXED_SIZES.get(number_type, 1), "maximum": _SIZES[number_type][1]}},
            )
            for number_type in NumberType
        ),
    ),
)


# --- the segments of the display

_CANDIDATE = re.compile(r"(!?)\*([0-9]{1,2})")
_SEGMENT_REMEDY = (
    'Write its bit ("3.7", "!3.7"), "" for no segment, "?" for an unknown bit, or "*0" for an unknown bit of the first '
    "pool."
)
_GLYPH_REMEDY = 'Write 0x7c = "6": a shape, bit 0 = a to bit 6 = g, and its character.'
# 0 to 127, hexadecimal, binary or decimal.
_SHAPE = r"0[xX]0*[0-7]?[0-9A-Fa-f]|0[bB]0*[01]{1,7}|12[0-7]|1[01][0-9]|[1-9]?[0-9]"


def _parse_segment(text: str) -> Segment:
    if text in {"", "?"}:
        return UnknownSegment(text)
    if match := _CANDIDATE.fullmatch(text):
        return CandidateSegment(int(match[2]), bool(match[1]))
    bit = find_bit(text)
    if bit is None:
        raise InputError(f"{quote_value(text)} is not a segment.", _SEGMENT_REMEDY)
    return bit


def _find_shape(text: str) -> int | None:
    return int(text, 0) if re.fullmatch(_SHAPE, text) else None


def _segments(
    digits: tuple[tuple[Segment, ...], ...],
    glyphs: tuple[tuple[int, str], ...],
    pools: tuple[tuple[Bit, ...], ...],
) -> Segments:
    return Segments(digits, glyphs, pools)


def _check_pools(
    partial_digits: Sequence[Sequence[Segment | None] | None], partial_pools: Sequence[object]
) -> Iterator[FieldError]:
    for number, digit in enumerate(partial_digits):
        for position, segment in enumerate(digit or ()):
            if isinstance(segment, CandidateSegment) and segment.pool >= len(partial_pools):
                remedy = 'Write pools = [["3.0", "!3.4"], …]; "*0" is an unknown bit of the first.'
                yield FieldError(("digits", number, position), f"there is no pool {segment.pool}.", remedy)


_SEGMENT = Parsed(_parse_segment, '"3.0"', pattern=rf"^(?:\??|!?\*[0-9]{{1,2}}|{BIT_PATTERN})$")
_DIGIT = ListOf(
    _SEGMENT,
    _SEGMENTS_PER_DIGIT,
    _SEGMENTS_PER_DIGIT,
    example='["3.0", …], the bits of the segments a, b, c, d, e, f, g',
)
_POOL = ListOf(BIT, 1, _MOST_POOL_BITS, example='["3.0", "!3.4"]')
_GLYPH = Text(80, pattern="[ -~]", wanted=_GLYPH_REMEDY, noun="a character", example='"6"', clean=False)
_POOLS = "Groups of bits of segments that are known as a group only."
_GLYPHS = "Characters of other shapes; bit 0 of a shape is segment a."
_SEGMENTS_VALUE = Table(
    ValueFormat,
    Key("type", Constant(SEGMENTS, f'Write type = "{SEGMENTS}".'), description="The frame has the segments."),
    Key(
        "digits",
        ListOf(_DIGIT, 1, _MOST_DIGITS, example='[["3.0", "3.1", …], …], seven bits a to g for each digit'),
        description="The bits of the segments a to g of each digit, leftmost digit first.",
    ),
    Key(
        "pools", ListOf(_POOL, 0, _MOST_POOLS, example='[["3.0", "!3.4"], …], the bits of each'), (), description=_POOLS
    ),
    Key("glyphs", Entries(_find_shape, _SHAPE, _GLYPH, '0x7c = "6"', wanted=_GLYPH_REMEDY), (), description=_GLYPHS),
    *_COMMON_KEYS,
    computed=(Computed("source", _segments), *UNIT),
    checks=(_check_pools, _check_decimals),
    schema_rules=(_DECIMALS_RULE,),
)


VALUE: Variants[ValueFormat] = Variants(
    "type",
    {**dict.fromkeys((number_type.value for number_type in NumberType), _NUMBER_VALUE), SEGMENTS: _SEGMENTS_VALUE},
)
