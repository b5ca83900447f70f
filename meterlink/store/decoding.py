"""From rows of the database to objects."""

import sqlite3
from collections.abc import Callable, Iterable
from decimal import Decimal, InvalidOperation
from typing import TypeVar

from meterlink.core.equipment import Meter
from meterlink.core.errors import DamagedDatabaseError

_T = TypeVar("_T")


def decode_rows(decode: Callable[[sqlite3.Row], _T], rows: Iterable[sqlite3.Row]) -> list[_T]:
    """Return ``decode`` of each row; every row has a column ``id``.

    Raises:
        DamagedDatabaseError: a row has an unknown word, or no number where one belongs.
    """
    decoded = []
    for row in rows:
        try:
            decoded.append(decode(row))
        except (ValueError, InvalidOperation) as error:
            raise DamagedDatabaseError(
                f"Row {row['id']} of the database cannot be read: {error}.", "Another program has changed the file."
            ) from error
    return decoded


def decode_meter(row: sqlite3.Row) -> Meter:
    """Return the meter in the columns `METER_COLUMNS`."""
    return Meter(row["address"], row["meter_name"], row["meter_driver"], row["serial"])


# The columns of the table ``meters m`` that `decode_meter` reads.
METER_COLUMNS = "m.address, m.name AS meter_name, m.driver AS meter_driver, m.serial"


def decode_decimal(text: str | None) -> Decimal | None:
    """Return a number from its text; None for None."""
    return None if text is None else Decimal(text)


def decode_flag(number: int | None) -> bool | None:
    """Return a flag; None for None."""
    return None if number is None else bool(number)
