"""Stickers and the restock list against published rules.

Flags: S, seen in a text that quotes the source; M, from memory.

- Least height of a small letter: Regulation (EU) No 1169/2011, article 13 (2), on food labels: 1.2 mm. Paragraph 3
  allows 0.9 mm on packages below 80 cm²; a sticker is as small, but is read in the dark of a unit. (S)
- Capacities and sizes of QR codes: ISO/IEC 18004, tables 1 and 7. (M)
- Cells that a spreadsheet may run: OWASP ASVS 5.0, 1.2.10: fields that begin with = + - @, tab or NUL get a single
  quote before them. (S)
- CSV: RFC 4180, section 2, with its examples. (M)
"""

from decimal import Decimal

import pytest

from meterlink.record.qr_code import QUIET_MODULES, qr_code
from meterlink.record.restock_forms import read_restock
from meterlink.record.spreadsheet_text import to_spreadsheet
from meterlink.record.sticker_layout import SMALLEST_LETTER

# Bytes that a code of each version holds at level M.
CAPACITY = {1: 14, 2: 26, 3: 42, 4: 62, 5: 84, 6: 106, 7: 122, 8: 152, 9: 180, 10: 213}
NAMED_ENCODING = 2  # bytes that the mark of UTF-8 (ECI 000026) takes, 12 bits


def test_a_small_letter_is_as_high_as_on_the_label_of_food() -> None:
    assert Decimal("1.2") == SMALLEST_LETTER


@pytest.mark.parametrize(("version", "capacity"), CAPACITY.items())
def test_a_code_is_as_large_as_its_text_needs(version: int, capacity: int) -> None:
    assert qr_code("a" * (capacity - NAMED_ENCODING)).modules == 17 + 4 * version
    assert qr_code("a" * (capacity + 1)).modules == 17 + 4 * (version + 1)


def test_the_quiet_zone_is_four_modules() -> None:
    assert QUIET_MODULES == 4


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\t", "\0"])
def test_a_field_that_a_spreadsheet_may_run_begins_with_a_single_quote(sign: str) -> None:
    assert to_spreadsheet(f"{sign}1") == f"'{sign}1"


@pytest.mark.parametrize(
    ("row", "rating"),
    [
        ('"aaa","1","ccc"\r\n', "aaa"),  # 2.5: fields may be enclosed in double quotes
        ('"b \r\nbb","1","ccc"\r\n', "b \r\nbb"),  # 2.6: line breaks, double quotes and commas within them
        ('"b""bb","1","ccc"\r\n', 'b"bb'),  # 2.7: a double quote within them is doubled
        ("zzz,1,xxx", "zzz"),  # 2.2: the last record may have no line break
    ],
)
def test_the_examples_of_rfc_4180_are_read(row: str, rating: str) -> None:
    assert read_restock(f"rating,buy,part\r\n{row}") == [(row.rpartition(",")[2].strip().strip('"'), rating, 1, "")]
