"""The meters of a station, their binding and their addresses. SQL inside the writer's transaction."""

import sqlite3
from collections.abc import Collection
from typing import NamedTuple

from meterlink.core.equipment import Meter
from meterlink.core.errors import InputError, StoreError
from meterlink.core.meter_facts import Fact, FactName

# Some makers give every meter the same serial number (0000, 12345678, SN). A serial number identifies a meter only
# with this many characters and this many different ones (common practice, no source).
_SHORTEST_SERIAL = 4
_FEWEST_DIFFERENT_CHARACTERS = 3
_CONSECUTIVE_DIGITS = "0123456789" * 3


class RegisteredMeter(NamedTuple):
    """A meter in the database: its row, its name, and the address at which it was first seen."""

    id: int
    name: str
    first_address: str


def is_distinctive_serial(serial: str) -> bool:
    """Return whether a serial number is likely to be unique: not ``0000``, not ``12345678``."""
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
    """Insert the meter, or update its row and the time it was last seen; empty fields of ``meter`` change nothing.

    A bound meter keeps the serial number and service it was bound with. It keeps its name, too, unless a person chose
    the new one (``name_given``). A new address becomes an alias of the only bound meter with this serial number and
    service, unless that meter is on the air under its own address (``connected_ids``: rows of such meters).
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
            name = CASE WHEN :name = '' OR (bound AND name <> '' AND NOT :name_given) THEN name ELSE :name END,
            driver = CASE :driver WHEN '' THEN driver ELSE :driver END,
            serial = CASE WHEN :serial = '' OR (bound AND serial <> '') THEN serial ELSE :serial END,
            service_uuid = CASE
                WHEN :service_uuid = '' OR (bound AND service_uuid <> '') THEN service_uuid ELSE :service_uuid
            END,
            current_address = CASE WHEN address = :address COLLATE NOCASE THEN '' ELSE :address END,
            last_seen_utc_ns = :now
        WHERE id = :id
        """,
        {**_values(meter, now_utc_ns), "name_given": name_given, "id": meter_id},
    )
    return _registered_meter(connection, meter_id)


def bind(connection: sqlite3.Connection, meter: Meter, now_utc_ns: int, *, name_given: bool = False) -> RegisteredMeter:
    """Bind the meter at ``meter.address``: the station may connect to it, and to no other meter at that address.

    A meter with a new address is recognised as in `get_or_create_meter`, which also describes ``name_given``.

    Raises:
        InputError: a meter with another serial number is bound to the address, or another bound meter has the name.
    """
    meter_id = _find_by_address(connection, meter.address)
    if meter_id is not None:
        bound, serial = connection.execute("SELECT bound, serial FROM meters WHERE id = ?", (meter_id,)).fetchone()
        if bound and serial and meter.serial and serial != meter.serial:
            raise InputError(
                f"Another meter is bound to {meter.address}: serial number {serial}, not {meter.serial}.",
                "If that meter is no longer in use, unbind it first.",
            )
    registered = get_or_create_meter(connection, meter, now_utc_ns, name_given=name_given)
    _check_name(connection, registered.id, registered.name)
    if name_given:
        _insert_fact(connection, registered.id, FactName.NAME, Fact(registered.name, now_utc_ns))
    # A bound meter, too, gets the service that it offers now: new firmware may have changed it.
    connection.execute(
        "UPDATE meters SET bound = 1,"
        " service_uuid = CASE :service_uuid WHEN '' THEN service_uuid ELSE :service_uuid END WHERE id = :id",
        {**_values(meter, now_utc_ns), "id": registered.id},
    )
    return registered


def set_fact(connection: sqlite3.Connection, address: str, name: FactName, fact: Fact) -> RegisteredMeter:
    """Record a fact that a technician sets about the meter with this address; a meter without a row gets one.

    Raises:
        InputError: another bound meter has the name that this one is to get.
    """
    meter_id = _find_by_address(connection, address)
    if meter_id is None:
        meter_id = _insert_meter(connection, Meter(address, ""), fact.set_utc_ns).id
    if name is FactName.NAME:
        _check_name(connection, meter_id, fact.value)
        connection.execute("UPDATE meters SET name = ? WHERE id = ?", (fact.value, meter_id))
    _insert_fact(connection, meter_id, name, fact)
    return _registered_meter(connection, meter_id)


def _check_name(connection: sqlite3.Connection, meter_id: int, name: str) -> None:
    """Do nothing if no other bound meter has this name.

    Raises:
        InputError: one has.
    """
    namesakes = connection.execute(
        "SELECT COUNT(*) FROM meters WHERE bound AND name = ? AND id <> ?", (name, meter_id)
    ).fetchone()[0]
    if name and namesakes:
        raise InputError(f"Another bound meter has the name {name!r}.", "Choose another name.")


def _insert_fact(connection: sqlite3.Connection, meter_id: int, name: FactName, fact: Fact) -> None:
    connection.execute(
        "INSERT OR REPLACE INTO meter_facts (meter_id, fact, value, set_utc_ns) VALUES (?, ?, ?, ?)",
        (meter_id, name, fact.value, fact.set_utc_ns),
    )


def unbind(connection: sqlite3.Connection, address: str) -> RegisteredMeter:
    """Unbind the meter with this address.

    Raises:
        InputError: no meter with this address is bound.
    """
    meter_id = _find_by_address(connection, address)
    row = connection.execute("SELECT bound FROM meters WHERE id = ?", (meter_id,)).fetchone()
    if meter_id is None or not row[0]:
        raise InputError(f"No meter is bound to {address}.", "See the bound ones: meterlink find")
    set_bound(connection, meter_id, bound=False)
    return _registered_meter(connection, meter_id)


def set_bound(connection: sqlite3.Connection, meter_id: int, *, bound: bool) -> None:
    """Set whether the station may connect to this meter by itself.

    Raises:
        StoreError: there is no such row.
    """
    if connection.execute("UPDATE meters SET bound = ? WHERE id = ?", (int(bound), meter_id)).rowcount != 1:
        raise StoreError(f"There is no meter {meter_id} in the database.", "It may belong to another data folder.")


def add_alias(connection: sqlite3.Connection, old: str, new: str, now_utc_ns: int) -> RegisteredMeter:
    """Record that the meter with the address ``old`` now has the address ``new``; later readings join its row.

    If ``new`` was another meter so far, the readings of that meter stay with its row.

    Raises:
        InputError: ``old`` is unknown, or both addresses belong to the same meter already.
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
    connection.execute("UPDATE meters SET current_address = ? WHERE id = ?", (new, meter_id))
    return _registered_meter(connection, meter_id)


def _find_by_address(connection: sqlite3.Connection, address: str) -> int | None:
    # An alias wins: a person gave it, or the serial number proved it.
    for query in (
        "SELECT meter_id FROM meter_aliases WHERE address = ?",
        "SELECT id FROM meters WHERE address = ? COLLATE NOCASE ORDER BY id",
    ):
        row = connection.execute(query, (address,)).fetchone()
        if row:
            return int(row[0])
    return None


def _find_by_serial(connection: sqlite3.Connection, meter: Meter, connected_ids: Collection[int]) -> int | None:
    if not (meter.service_uuid and is_distinctive_serial(meter.serial)):
        return None
    rows = connection.execute(
        "SELECT id FROM meters WHERE bound AND serial = ? AND service_uuid = ?", (meter.serial, meter.service_uuid)
    ).fetchall()
    return int(rows[0][0]) if len(rows) == 1 and rows[0][0] not in connected_ids else None


def _insert_alias(connection: sqlite3.Connection, address: str, meter_id: int, now_utc_ns: int) -> None:
    connection.execute(
        "INSERT OR REPLACE INTO meter_aliases (address, meter_id, since_utc_ns) VALUES (?, ?, ?)",
        (address, meter_id, now_utc_ns),
    )


def _insert_meter(connection: sqlite3.Connection, meter: Meter, now_utc_ns: int) -> RegisteredMeter:
    (meter_id,) = connection.execute(
        "INSERT INTO meters (address, name, driver, serial, service_uuid, first_seen_utc_ns, last_seen_utc_ns)"
        " VALUES (:address, :name, :driver, :serial, :service_uuid, :now, :now) RETURNING id",
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
        "service_uuid": meter.service_uuid,
        "now": now_utc_ns,
    }
