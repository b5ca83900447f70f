"""The meters a station knows: met, bound, met again under another address. SQL inside the writer's transaction."""

import sqlite3
from collections.abc import Collection
from typing import NamedTuple

from meterlink.core.equipment import Meter
from meterlink.core.errors import InputError, StoreError

# Some makers give every meter the same serial number (0000, 12345678, SN). Fewer different characters than this, or
# fewer characters, tell nothing apart (common practice, no source).
_SHORTEST_SERIAL = 4
_FEWEST_DIFFERENT_CHARACTERS = 3
_CONSECUTIVE_DIGITS = "0123456789" * 3


class RegisteredMeter(NamedTuple):
    """What a meter is known as here: its row, its name, and the address it was first met under."""

    id: int
    name: str
    first_address: str


def is_distinctive_serial(serial: str) -> bool:
    """Return whether a serial number can be taken to belong to one meter alone: no ``0000``, no ``12345678``."""
    varied = len(serial) >= _SHORTEST_SERIAL and len(set(serial)) >= _FEWEST_DIFFERENT_CHARACTERS
    return varied and serial not in _CONSECUTIVE_DIGITS and any(char.isdigit() for char in serial)


def get_or_create_meter(
    connection: sqlite3.Connection,
    meter: Meter,
    now_utc_ns: int,
    *,
    name_given: bool = False,
    connected_ids: Collection[int] = (),
) -> RegisteredMeter:
    """Insert the meter, or note that it was seen again; what is not known this time (empty) is left as it was.

    A bound meter keeps the serial number and service it was bound with, and its name unless ``named``: then the name
    is a person's word. An address that was never seen belongs to the one bound meter with this serial number and
    service, if there is one that is not among ``present`` (rows of meters on the air under their own addresses).
    """
    meter_id = _find_by_address(connection, meter.address)
    if meter_id is None:
        meter_id = _find_by_serial(connection, meter, connected_ids)
        if meter_id is not None:
            _insert_alias(connection, meter.address, meter_id, now_utc_ns)
    if meter_id is None:
        return _insert_meter(connection, meter, now_utc_ns)
    connection.execute(
        """
        UPDATE meters SET
            name = CASE WHEN :name = '' OR (bound AND name <> '' AND NOT :named) THEN name ELSE :name END,
            driver = CASE :driver WHEN '' THEN driver ELSE :driver END,
            serial = CASE WHEN :serial = '' OR (bound AND serial <> '') THEN serial ELSE :serial END,
            service = CASE WHEN :service = '' OR (bound AND service <> '') THEN service ELSE :service END,
            address_now = CASE WHEN address = :address COLLATE NOCASE THEN '' ELSE :address END,
            last_seen_utc_ns = :now
        WHERE id = :id
        """,
        {**_values(meter, now_utc_ns), "named": name_given, "id": meter_id},
    )
    return _registered_meter(connection, meter_id)


def bind(connection: sqlite3.Connection, meter: Meter, now_utc_ns: int, *, name_given: bool = False) -> RegisteredMeter:
    """Bind the meter that was found at ``meter.address``: the station may connect to it, and to nothing else there.

    The same meter, known under another address, is recognised as in `meet`; ``named`` as there. InputError where a
    meter with another serial number is bound to the address, or where another bound meter has the name.
    """
    meter_id = _find_by_address(connection, meter.address)
    if meter_id is not None:
        bound, serial = connection.execute("SELECT bound, serial FROM meters WHERE id = ?", (meter_id,)).fetchone()
        if bound and serial and meter.serial and serial != meter.serial:
            raise InputError(
                f"Another meter is bound to {meter.address}: serial number {serial}, not {meter.serial}.",
                "Unbind that one first if it is not used any more.",
            )
    known = get_or_create_meter(connection, meter, now_utc_ns, name_given=name_given)
    namesakes = connection.execute(
        "SELECT COUNT(*) FROM meters WHERE bound AND name = ? AND id <> ?", (known.name, known.id)
    ).fetchone()[0]
    if known.name and namesakes:
        raise InputError(f"Another bound meter is called {known.name!r}.", "Give this one a name of its own: --name")
    # What it was found with now counts, also for one that was bound before (its services may have been renewed).
    connection.execute(
        "UPDATE meters SET bound = 1, service = CASE :service WHEN '' THEN service ELSE :service END WHERE id = :id",
        {**_values(meter, now_utc_ns), "id": known.id},
    )
    return known


def unbind(connection: sqlite3.Connection, address: str) -> RegisteredMeter:
    """Bind the meter with this address no longer; InputError where none is bound."""
    meter_id = _find_by_address(connection, address)
    row = connection.execute("SELECT bound FROM meters WHERE id = ?", (meter_id,)).fetchone()
    if meter_id is None or not row[0]:
        raise InputError(f"No meter is bound to {address}.", "See what is: meterlink find")
    set_bound(connection, meter_id, bound=False)
    return _registered_meter(connection, meter_id)


def set_bound(connection: sqlite3.Connection, meter_id: int, *, bound: bool) -> None:
    """Say whether the station may connect to this meter without being asked."""
    if connection.execute("UPDATE meters SET bound = ? WHERE id = ?", (int(bound), meter_id)).rowcount != 1:
        raise StoreError(f"There is no meter {meter_id} in the database.", "It may belong to another data folder.")


def add_alias(connection: sqlite3.Connection, old: str, new: str, now_utc_ns: int) -> RegisteredMeter:
    """Note that the meter known under ``old`` now has the address ``new``: its readings go on under the same row.

    Readings kept earlier under ``new`` as a meter of its own stay where they are. InputError where ``old`` is unknown
    or both are one meter already.
    """
    meter_id, other_id = _find_by_address(connection, old), _find_by_address(connection, new)
    if meter_id is None:
        raise InputError(f"No meter is known under {old}.", "See the known ones: meterlink find")
    if meter_id == other_id:
        raise InputError(f"{old} and {new} are the same meter already.")
    if other_id is not None:
        connection.execute("UPDATE meter_aliases SET meter_id = ? WHERE meter_id = ?", (meter_id, other_id))
        set_bound(connection, other_id, bound=False)
    _insert_alias(connection, new, meter_id, now_utc_ns)
    connection.execute("UPDATE meters SET address_now = ? WHERE id = ?", (new, meter_id))
    return _registered_meter(connection, meter_id)


def _find_by_address(connection: sqlite3.Connection, address: str) -> int | None:
    """Return the row of the meter with this address; what somebody said (an alias) counts before what was met."""
    for query in (
        "SELECT meter_id FROM meter_aliases WHERE address = ?",
        "SELECT id FROM meters WHERE address = ? COLLATE NOCASE ORDER BY id",
    ):
        found = connection.execute(query, (address,)).fetchone()
        if found:
            return int(found[0])
    return None


def _find_by_serial(connection: sqlite3.Connection, meter: Meter, connected_ids: Collection[int]) -> int | None:
    if not (meter.service_uuid and is_distinctive_serial(meter.serial)):
        return None
    rows = connection.execute(
        "SELECT id FROM meters WHERE bound AND serial = ? AND service = ?", (meter.serial, meter.service_uuid)
    ).fetchall()
    return int(rows[0][0]) if len(rows) == 1 and rows[0][0] not in connected_ids else None


def _insert_alias(connection: sqlite3.Connection, address: str, meter_id: int, now_utc_ns: int) -> None:
    connection.execute(
        "INSERT OR REPLACE INTO meter_aliases (address, meter_id, since_utc_ns) VALUES (?, ?, ?)",
        (address, meter_id, now_utc_ns),
    )


def _insert_meter(connection: sqlite3.Connection, meter: Meter, now_utc_ns: int) -> RegisteredMeter:
    (meter_id,) = connection.execute(
        "INSERT INTO meters (address, name, driver, serial, service, first_seen_utc_ns, last_seen_utc_ns)"
        " VALUES (:address, :name, :driver, :serial, :service, :now, :now) RETURNING id",
        _values(meter, now_utc_ns),
    ).fetchone()
    return RegisteredMeter(int(meter_id), meter.name, meter.address)


def _registered_meter(connection: sqlite3.Connection, meter_id: int) -> RegisteredMeter:
    return RegisteredMeter(
        *connection.execute("SELECT id, name, address FROM meters WHERE id = ?", (meter_id,)).fetchone()
    )


def _values(meter: Meter, now_utc_ns: int) -> dict[str, str | int]:
    return {
        "address": meter.address,
        "name": meter.name,
        "driver": meter.driver,
        "serial": meter.serial,
        "service": meter.service_uuid,
        "now": now_utc_ns,
    }
