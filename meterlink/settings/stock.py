"""The list of parts on the truck, ``stock.toml``: one ``[[part]]`` table for each kind of part.

::

    [[part]]
    rating = "45+5 uF 440 V"           # as on the label
    count = 2                          # default 1
    note = "left bin"                  # optional
"""

from pathlib import Path
from typing import TYPE_CHECKING

from meterlink.core.errors import InputError
from meterlink.core.stock import MOST_PARTS
from meterlink.tomlfile.documents import document_schema
from meterlink.tomlfile.field_types import Integer, Parsed, Schema, Text
from meterlink.tomlfile.files import load_document
from meterlink.tomlfile.tables import Key, Table, Tables

if TYPE_CHECKING:
    from meterlink.judge.label.rated_part import RatedPart
    from meterlink.judge.label.replacement import StockEntry

_MOST_ENTRIES = 200  # far more kinds of capacitor than a truck carries; every pair of entries is compared


# The reader of labels is imported only for a stock list: without one a station starts without it.


def _parse_rating(text: str) -> "RatedPart":
    from meterlink.judge.label.ratings import parse_rating  # noqa: PLC0415

    return parse_rating(text)


def _make_entry(part: "RatedPart", count: int, note: str) -> "StockEntry":
    from meterlink.judge.label.replacement import StockEntry  # noqa: PLC0415

    return StockEntry(part, count, note)


def _make_stock(part: "tuple[StockEntry, ...]") -> "tuple[StockEntry, ...]":
    return part


_PART: "Table[StockEntry]" = Table(
    _make_entry,
    Key("rating", Parsed(_parse_rating, '"45+5 uF 440 V"'), attribute="part", description="As on the label."),
    Key("count", Integer(0, MOST_PARTS), 1, description="Default: 1."),
    Key("note", Text(40, example='"left bin"'), ""),
)

STOCK: "Table[tuple[StockEntry, ...]]" = Table(_make_stock, Key("part", Tables(_PART, 1, _MOST_ENTRIES)))
"""The table of a stock list."""


def stock_schema() -> Schema:
    """Return the JSON Schema of stock lists."""
    return document_schema(STOCK, "Meterlink stock list", "The parts on the truck, stock.toml.")


def load_stock(path: Path) -> "tuple[StockEntry, ...]":
    """Return the stock list in a TOML file.

    Raises:
        InputError: the file cannot be read (then the cause is the OSError), or has errors; the message lists each with
            file, line and column.
    """
    return load_document(path, "stock list", STOCK, InputError)
