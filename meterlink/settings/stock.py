"""The list of parts on the truck, ``stock.toml``."""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from meterlink.core.errors import InputError
from meterlink.core.text import clean_text
from meterlink.tomlfile.files import read_table

if TYPE_CHECKING:
    from meterlink.judge.label.replacement import StockEntry

_FIELDS = {"rating", "count", "note"}
_MOST_ENTRIES = 200  # far more kinds of capacitor than a truck carries; every pair of entries is compared


def load_stock(path: Path) -> "tuple[StockEntry, ...]":
    """Return the stock list in a TOML file.

    Raises:
        InputError: the file cannot be read (then the cause is the OSError), is not TOML, or an entry is wrong.
    """
    return parse_stock(read_table(path, "stock list"), str(path))


def parse_stock(table: Mapping[str, Any], source: str) -> "tuple[StockEntry, ...]":
    """Return the stock list in ``table``; ``source`` is the file's name for messages.

    The file has one ``[[part]]`` table per kind of part, with ``rating`` (text as on the label), ``count`` (a whole
    number, default 1) and ``note`` (text, optional).

    Raises:
        InputError: an entry is wrong; the message names the entry.
    """
    entries = table.get("part")
    unknown = sorted(set(table) - {"part"})
    if unknown or not isinstance(entries, list) or not entries:
        wrong = f"{unknown[0]!r} is not a key of this file" if unknown else "it lists no parts"
        raise InputError(f"{source}: {wrong}.", 'Write one [[part]] table per part, with rating = "…" and count = ….')
    if len(entries) > _MOST_ENTRIES:
        raise InputError(f"{source} lists more than {_MOST_ENTRIES} parts.", "Keep one list per truck.")
    stock = []
    for number, entry in enumerate(entries, 1):
        try:
            stock.append(_entry(entry))
        except InputError as error:
            raise InputError(f"{source}, part {number}: {error.message}", error.remedy) from error
    return tuple(stock)


def _entry(entry: object) -> "StockEntry":
    # Imported only for a stock list: without one a station starts without the reader of labels.
    from meterlink.judge.label.ratings import parse_rating  # noqa: PLC0415
    from meterlink.judge.label.replacement import StockEntry  # noqa: PLC0415

    if not isinstance(entry, dict):
        raise InputError("not a table.", "Write it as [[part]].")
    unknown = sorted(set(entry) - _FIELDS)
    if unknown:
        raise InputError(f"{unknown[0]!r} is not a field of a part.", f"Use: {', '.join(sorted(_FIELDS))}.")
    rating, count, note = entry.get("rating"), entry.get("count", 1), entry.get("note", "")
    if not isinstance(rating, str):
        raise InputError("rating is missing or not text.", 'Write rating = "45+5 uF 440 V".')
    if not isinstance(count, int) or isinstance(count, bool) or count < 0:
        raise InputError(f"count {count!r} is not a number of parts.", "Write a whole number.")
    if not isinstance(note, str):
        raise InputError("note is not text.", 'Write note = "…".')
    return StockEntry(parse_rating(rating), count, clean_text(note))
