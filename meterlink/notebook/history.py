"""The accepted readings of a station, from its database."""

import os
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from meterlink.core.clock import utc_nanoseconds
from meterlink.core.errors import InputError
from meterlink.settings.folder import DATABASE_FILE
from meterlink.store.connections import connect_for_reading
from meterlink.store.history_fields import PlainValue
from meterlink.store.history_query import HistoryFilter
from meterlink.store.reader import Reader
from meterlink.store.rows import HistoryRow

__all__ = ["History", "HistoryRow", "open_history"]


class History:
    """The accepted readings that `open_history` selects, oldest first: iterate over it for `HistoryRow` objects.

    Each iteration asks the database anew, so it has the readings that a running station accepted in the meantime.
    Iterating raises `StoreError` once the database cannot be read any more.
    """

    def __init__(
        self,
        database: Path,
        unit: str | None,
        component: str | None,
        site: str | None,
        since: int | None,
        limit: int | None,
    ) -> None:
        self._reader = Reader(database)
        self._chosen = HistoryFilter(site=site, unit=unit, component=component, since_utc_ns=since)
        self._limit = limit

    def __iter__(self) -> Iterator[HistoryRow]:
        return iter(self._reader.history_page(self._chosen, self._limit))

    def to_dicts(self) -> list[dict[str, PlainValue]]:
        """Return a flat dict for each accepted reading, ready for a table or for JSON.

        Its values are str, float, int, bool, None, and a list of str for the terminals and the choices.

        The keys: ``at`` (RFC 3339, UTC; unreliable if ``clock_set`` is False), ``clock_set``, ``clock_step`` (s by
        which the wall clock was set during the visit, before the reading), ``site``, ``unit`` (the machine),
        ``visit_uid``, ``circuit``, ``component``, ``section``, ``terminals`` (two), ``quantity``,
        ``reading`` (as displayed), ``unit_symbol``, ``value`` (SI unit of the quantity; None for an overload),
        ``verdict``, ``margin``, ``low`` and ``high`` (in ``limits_unit``; None without that limit), ``limits_unit``,
        ``limits_basis``, ``deviation_percent``, ``meter``, ``accuracy``, ``calibration`` (on that day),
        ``rule``, ``probability`` (0 to 1, of being within; None if unknown), ``prior``, ``next_measurement``,
        ``settled_in`` (s), ``reason``, ``question`` and ``choices`` (of an open question, else None), ``answer`` (the
        key of the choice that led to the verdict, or None), ``uid``, ``revision`` (1, and one more for each later
        verdict or void), ``voided`` and ``void_reason`` (None if it counts).

        Raises:
            StoreError: the database cannot be read; the class names the cause.
        """
        return list(self._reader.history_fields(self._chosen, self._limit))


def open_history(
    path: str | os.PathLike[str],
    *,
    unit: str | None = None,
    component: str | None = None,
    site: str | None = None,
    since: datetime | None = None,
    limit: int | None = None,
) -> History:
    """Return the accepted readings in a station's data folder, or in a database file.

    ``path`` may begin with ``~``. ``unit``, ``component`` and ``site`` are full names, in upper or lower case (ASCII).
    ``since`` selects the readings accepted at or after that time (local time if it has no zone), and those accepted
    while the station's clock was known to be unset. ``limit`` selects the newest ones, 1 or more. The file is opened
    for reading only, also while a station writes to it.

    Raises:
        StoreError: there is no database, or it cannot be read; the class names the cause.
        InputError: ``limit`` is below 1, or ``since`` cannot be a time of a reading.
    """
    if limit is not None and limit < 1:
        raise InputError(f"A limit of {limit} readings selects none.", "Give 1 or more.")
    since_utc_ns = None if since is None else _utc_ns(since)
    given = Path(path).expanduser()
    database = given / DATABASE_FILE if given.is_dir() else given
    with connect_for_reading(database):  # raises now, not at the first row
        pass
    return History(database, unit, component, site, since_utc_ns, limit)


def _utc_ns(moment: datetime) -> int:
    try:
        utc_ns = utc_nanoseconds(moment.astimezone(UTC))
    except (ValueError, OverflowError, OSError):
        raise InputError(f"{moment} is no time of a reading.", "Give a datetime of this century.") from None
    # A reading's time is 64 bits of nanoseconds: years 1677 to 2262.
    return max(-(2**63), min(utc_ns, 2**63 - 1))
