"""SFLOAT and FLOAT against published words.

Flags: S, the value was seen in a text that quotes the standard; M, from memory; C, recomputed here.
The ``bluetooth-sig`` package is no reference for these two: 0.6.0 biases the exponent (36.4 decodes as 3.64e129).
"""

from decimal import Decimal

import pytest

from meterlink.core.binary_numbers import decode_medfloat16, decode_medfloat32
from meterlink.driver_api import Status

# IEEE 11073-20601 SFLOAT words, as quoted by the SFLOAT-Type article of everybodywiki: S.
SFLOAT_WORDS = [
    (0x0072, "114"),  # S
    (0xB076, "0.00118"),  # S
    (0x0FFF, "-1"),  # S
    (0x2005, "500"),  # S
    (0xF00A, "1.0"),  # C: 10 × 10⁻¹
]

# IEEE 11073-20601 FLOAT words: Bluetooth Personal Health Devices Transcoding examples (36.4, 34.79) and the table of
# the HL7 Personal Health Device implementation guide, page FLOATS: S. The guide's decimal column for 01000002 is
# misprinted; 2 × 10¹ is 20.
FLOAT_WORDS = [
    (0xFF00016C, "36.4"),  # S
    (0xFE000D97, "34.79"),  # S
    (0x00000002, "2"),  # S
    (0xFF000014, "2.0"),  # S
    (0xFE0000C8, "2.00"),  # S
    (0x01000002, "20"),  # S, the word; C, the value
]


@pytest.mark.parametrize(("word", "text"), SFLOAT_WORDS)
def test_sfloat(word: int, text: str) -> None:
    number = decode_medfloat16(word.to_bytes(2, "little"))
    assert isinstance(number, Decimal)
    assert f"{number:f}" == text


@pytest.mark.parametrize(("word", "text"), FLOAT_WORDS)
def test_float(word: int, text: str) -> None:
    number = decode_medfloat32(word.to_bytes(4, "little"))
    assert isinstance(number, Decimal)
    assert f"{number:f}" == text


def test_float_is_little_endian_on_the_air() -> None:
    assert decode_medfloat32(bytes.fromhex("6C0100FF")) == Decimal("36.4")  # S, the same example


# IEEE 11073-20601 special values. SFLOAT: S (everybodywiki, as above); FLOAT: S (as named by Wireshark's dissector).
@pytest.mark.parametrize(
    ("word", "status"),
    [
        (0x07FF, Status.INVALID),  # NaN
        (0x0800, Status.INVALID),  # NRes, not at this resolution
        (0x07FE, Status.OVERLOAD),  # +INFINITY
        (0x0802, Status.OVERLOAD),  # -INFINITY
        (0x0801, Status.INVALID),  # reserved
    ],
)
def test_sfloat_special_words(word: int, status: Status) -> None:
    assert decode_medfloat16(word.to_bytes(2, "little")) is status


@pytest.mark.parametrize(
    ("word", "status"),
    [
        (0x007FFFFF, Status.INVALID),  # NaN
        (0x00800000, Status.INVALID),  # NRes
        (0x007FFFFE, Status.OVERLOAD),  # +INFINITY
        (0x00800002, Status.OVERLOAD),  # -INFINITY
        (0x00800001, Status.INVALID),  # reserved
    ],
)
def test_float_special_words(word: int, status: Status) -> None:
    assert decode_medfloat32(word.to_bytes(4, "little")) is status


def test_every_sfloat_word_is_exact_or_special() -> None:
    """C: the definition, written out with integers, over all 65,536 words."""
    special = {0x07FF, 0x0800, 0x07FE, 0x0802, 0x0801}
    for word in range(0x10000):
        number = decode_medfloat16(word.to_bytes(2, "little"))
        if word in special:
            assert isinstance(number, Status), hex(word)
            continue
        mantissa, exponent = word % 0x1000, word // 0x1000
        mantissa -= 0x1000 if mantissa >= 0x800 else 0
        exponent -= 0x10 if exponent >= 0x8 else 0
        assert isinstance(number, Decimal), hex(word)
        assert number.as_tuple().exponent == exponent, hex(word)  # trailing zeros carry the resolution
        assert number == Decimal(f"{mantissa}E{exponent}"), hex(word)
