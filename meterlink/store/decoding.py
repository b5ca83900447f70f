"""From rows of the database to objects."""

import sqlite3
from collections.abc import Callable, Iterable
from decimal import Decimal, InvalidOperation
from functools import lru_cache
from typing import TypeVar

from meterlink.core.equipment import Meter
from meterlink.core.errors import DamagedDatabaseError
from meterlink.core.readings import Status
from meterlink.core.verdicts import Limits

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


def decode_limits(row: sqlite3.Row) -> Limits | None:
    """Return the limits in the columns ``limits_low`` to ``limits_nominal`` of a verdict; None without limits."""
    if row["limits_unit"] is None:
        return None
    return _limits(
        row["limits_low"], row["limits_high"], row["limits_unit"], row["limits_basis"], row["limits_nominal"]
    )


@lru_cache(1024)
def _limits(low: str | None, high: str | None, unit: str, basis: str, nominal: str | None) -> Limits:
    """Return limits; a part has the same ones at each visit."""
    return Limits(decode_decimal(low), decode_decimal(high), unit, basis, decode_decimal(nominal))


def decode_flag(number: int | None) -> bool | None:
    """Return a flag; None for None."""
    return None if number is None else bool(number)


def decode_reading_text(row: sqlite3.Row, prefix: str = "") -> str:
    """Return the display in words, as `Reading.text`: of the columns ``digits``, ``unit``, ``status``, ``coupling``.

    ``prefix`` begins the names of these columns.
    """
    digits, unit, status, coupling = (row[prefix + name] for name in ("digits", "unit", "status", "coupling"))
    number = {Status.OVERLOAD: "OL", Status.INVALID: "---"}.get(Status(status)) or digits
    return f"{number} {unit}{' ' + coupling if coupling else ''}"
