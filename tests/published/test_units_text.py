"""Spellings of units that look alike or mean different things by case.

Flags: S, seen in a text that quotes the source; M, from memory; C, recomputed here.
"""

import unicodedata
from decimal import Decimal

import pint
import pytest

from meterlink.core.errors import InputError
from meterlink.core.units import Quantity, parse_amount, parse_unit, to_base

# The Unicode Standard: U+00B5 MICRO SIGN and U+03BC GREEK SMALL LETTER MU are compatibility-equivalent only, so NFC
# leaves both as they are: C, below. MFD and mfd for microfarad are common practice on capacitor labels, no source.
MICROFARAD_SPELLINGS = ["\u00b5F", "\u03bcF", "uF", "MFD", "mfd"]


@pytest.mark.parametrize("spelling", MICROFARAD_SPELLINGS)
def test_microfarad(spelling: str) -> None:
    assert parse_unit(spelling) == "µF"
    assert to_base(Decimal(1), parse_unit(spelling)) == Decimal("1e-6")


def test_micro_signs_are_two_characters_to_unicode() -> None:
    assert unicodedata.normalize("NFC", "\u00b5") != unicodedata.normalize("NFC", "\u03bc")
    assert unicodedata.normalize("NFKC", "\u00b5") == "\u03bc"


def test_ohm_sign_is_omega() -> None:
    """C: in the Unicode Standard U+2126 OHM SIGN is canonically U+03A9, so NFC replaces it."""
    assert unicodedata.normalize("NFC", "\u2126") == "\u03a9"
    assert parse_unit("\u2126") == parse_unit("\u03a9") == "\u03a9"
    assert parse_unit("k\u2126", Quantity.RESISTANCE) == parse_unit("k\u03a9") == "k\u03a9"


def test_numbers_that_only_python_accepts_are_refused() -> None:
    """C: Python's float() accepts all of these; none is a number on a display."""
    for text in ["nan", "inf", "-infinity", "1e400", "1_000", "\u0661\u0662"]:
        float(text)
        with pytest.raises(InputError):
            parse_amount(f"{text} V")


def test_mfd_is_a_unit_here_but_not_in_the_units_library() -> None:
    """C: pint has no MFD; meterlink.core.units adds the spellings of labels."""
    with pytest.raises(pint.UndefinedUnitError):
        pint.UnitRegistry(cache_folder=None)("1 MFD")
    assert str(parse_amount("45 MFD")) == "45 µF"


def test_milli_and_mega_differ() -> None:
    """S: SI prefixes are case-sensitive (BIPM, SI brochure, 9th edition, table 7): m is 10⁻³, M is 10⁶."""
    assert parse_amount("45 mF").base_value == Decimal("0.045")
    assert parse_amount("4.7 MΩ").base_value == Decimal("4.7e6")
    assert parse_amount("4.7 mΩ").base_value == Decimal("0.0047")
    with pytest.raises(InputError, match="microfarad or megafarad"):
        parse_amount("45 MF")


def test_upper_case_micro_is_greek_mu_and_no_prefix() -> None:
    """C: Unicode case mapping turns µ into U+039C, which looks like the M of mega."""
    assert "µ".upper() == "\u039c"
    for unit in ["\u039cF", "\u039cΩ"]:
        with pytest.raises(InputError):
            parse_unit(unit)
