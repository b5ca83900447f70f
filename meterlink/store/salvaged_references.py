"""Rows that refer to lost ones: the lost row is made again where much rests on it, else they go.

A row that is made again has 'lost' in place of its names, and is not more than a place: the accepted readings, the
replacements, the seals and the notes that refer to it are kept with all that they have themselves.
"""

import sqlite3
import uuid
from collections import Counter
from collections.abc import Callable, Sequence
from decimal import Decimal

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import CircuitState, PointKind
from meterlink.core.errors import MeterlinkError
from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.units import Quantity
from meterlink.store.decoding import decode_decimal, decode_flag
from meterlink.store.rows import EndReason, ReadingRow
from meterlink.store.stretches import insert_alone

LOST = "lost"
"""The name of a thing whose row was lost."""

# Rows of the left table are kept although their row of the right one is lost; all others go with it.
_KEPT = {
    ("accepted_readings", "raw_readings"), ("accepted_readings", "visits"), ("accepted_readings", "test_points"),
    ("replacements", "visits"), ("seals", "visits"), ("notes", "visits"),
    ("visits", "units"), ("visits", "boots"), ("test_points", "components"), ("components", "circuits"),
    ("circuits", "units"), ("units", "sites"), ("site_facts", "sites"), ("unit_facts", "units"),
    ("stretches", "connections"), ("connections", "boots"), ("connections", "meters"), ("clock_steps", "boots"),
    ("meter_aliases", "meters"), ("meter_facts", "meters"),
}  # fmt: skip
# References that may be empty: the row says less without, but is right.
_OPTIONAL = {
    ("notes", "point_id"),
    ("stock_movements", "replacement_id"),
    ("stretches", "visit_id"),
    ("stretches", "point_id"),
}


def mend_references(connection: sqlite3.Connection, tables: Sequence[str]) -> Counter[str]:
    """Let every row refer to one that is there; return the number of rows made again, ``{table: number}``.

    The tables come in the order of their worth: a row that is made again for one of the first serves the others.
    """
    mending = _Mending(connection)
    is_changed = True
    while is_changed:  # a row that is made again refers to others
        is_changed = False
        for table in tables:
            is_changed |= mending.mend(table)
    return mending.made


class _Mending:
    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self.made: Counter[str] = Counter()

    def mend(self, table: str) -> bool:
        """Mend the references of a table; return whether anything was changed."""
        is_changed = False
        for reference in self._connection.execute(f"PRAGMA foreign_key_list({table})").fetchall():
            parent, column = reference[2], reference[3]
            missing = [
                row[0]
                for row in self._connection.execute(
                    f"SELECT DISTINCT {column} FROM {table} WHERE {column} IS NOT NULL"  # noqa: S608  # names of the schema
                    f" AND {column} NOT IN (SELECT id FROM {parent}) ORDER BY 1"
                ).fetchall()
            ]
            for lost_id in missing:
                if (table, column) in _OPTIONAL:
                    self._run(f"UPDATE {table} SET {column} = NULL WHERE {column} = ?", lost_id)  # noqa: S608  # names of the schema
                elif (table, parent) not in _KEPT or not self._make(parent, lost_id):
                    self._run(f"DELETE FROM {table} WHERE {column} = ?", lost_id)  # noqa: S608  # names of the schema
                is_changed = True
        return is_changed

    def _make(self, table: str, row_id: int) -> bool:
        """Make a lost row again; return whether that could be."""
        makers: dict[str, Callable[[int], bool]] = {
            "raw_readings": self._make_raw_reading,
            "visits": self._make_visit,
            "test_points": self._make_point,
        }
        if table in makers:
            return makers[table](row_id)
        name = f"{LOST} {row_id}"
        match table:
            case "sites":
                values: dict[str, object] = {"name": name}
            case "units":
                values = {"site_id": self._any("sites", name=LOST), "name": name}
            case "circuits":
                values = {"unit_id": self._lost_unit(), "name": name}
            case "components":
                values = {"circuit_id": self._lost_circuit(self._lost_unit()), "name": name, "section": ""}
            case "meters":
                values = _METER | {"address": name}
            case "boots":
                values = _BOOT | {"uid": str(uuid.uuid4())}
            case "connections":
                values = self._connection_values()
            case _:
                return False
        self._insert(table, {"id": row_id, **values})
        return True

    def _make_raw_reading(self, row_id: int) -> bool:
        """Make the raw reading of an accepted one from its copy there, without the packet."""
        row = self._connection.execute(
            "SELECT visit_id, point_id, utc_ns, monotonic_ns, clock_set, quantity, digits, unit, status, coupling,"
            " resolution, low_battery, display_hold, relative, assigned_utc_ns FROM accepted_readings"
            " WHERE raw_reading_id = ?",
            (row_id,),
        ).fetchone()
        (
            visit_id, point_id, utc_ns, monotonic_ns, clock_set, quantity, digits, unit, status, coupling, resolution,
            low_battery, display_hold, relative, assigned,
        ) = row  # fmt: skip
        outside = assigned is not None
        try:
            reading = Reading(
                quantity=Quantity(quantity),
                digits=None if digits is None else Decimal(digits),
                unit=unit,
                timestamp=Timestamp(utc_ns, monotonic_ns),
                status=Status(status),
                coupling=None if coupling is None else Coupling(coupling),
                resolution=decode_decimal(resolution),
                low_battery=bool(low_battery),
                display_hold=bool(display_hold),
                relative=bool(relative),
            )
            insert_alone(
                self._connection,
                row_id,
                ReadingRow(
                    reading,
                    self._connection_of(row_id, quantity, unit),
                    None if outside else visit_id,
                    None if outside else point_id,
                    decode_flag(clock_set),
                ),
            )
        except (ValueError, ArithmeticError, MeterlinkError):  # a quantity or a unit that is none
            return False
        self.made["raw_readings"] += 1
        self.made["stretches"] += 1
        return True

    def _connection_of(self, reading_id: int, quantity: str, unit: str) -> int:
        """Return the one connection that had such readings at that id; of several, or none, a lost one."""
        found = self._connection.execute(
            "SELECT DISTINCT s.connection_id FROM stretches s JOIN connections c ON c.id = s.connection_id"
            " WHERE ? BETWEEN s.first_reading_id AND COALESCE(s.last_reading_id, ?) AND s.quantity = ? AND s.unit = ?",
            (reading_id, reading_id, quantity, unit),
        ).fetchall()
        return int(found[0][0]) if len(found) == 1 else self._any("connections", driver=LOST)

    def _make_visit(self, row_id: int) -> bool:
        (opened, closed) = self._connection.execute(
            "SELECT COALESCE(MIN(utc_ns), 0), COALESCE(MAX(utc_ns), 0) FROM accepted_readings WHERE visit_id = ?",
            (row_id,),
        ).fetchone()
        unit = self._lost_unit()
        self._insert(
            "visits",
            {
                "id": row_id, "uid": str(uuid.uuid4()), "unit_id": unit, "plan": LOST, "plan_text": "", "derived": "[]",
                "answers": "{}", "carried_answers": "{}", "technician": "", "job": "", "boot": self._any("boots"),
                "opened_utc_ns": opened, "opened_monotonic_ns": 0, "closed_utc_ns": closed, "outcome": "", "active": 0,
            },
        )  # fmt: skip
        return True

    def _make_point(self, row_id: int) -> bool:
        row = self._connection.execute(
            "SELECT visit_id, quantity FROM accepted_readings WHERE point_id = ?", (row_id,)
        ).fetchone()
        unit = self._connection.execute("SELECT unit_id FROM visits WHERE id = ?", (row[0],)).fetchone()
        circuit = self._lost_circuit(self._lost_unit() if unit is None else unit[0])
        component = self._any("components", circuit_id=circuit, name=f"{LOST} {row_id}", section="")
        self._insert(
            "test_points",
            {
                "id": row_id, "visit_id": row[0], "component_id": component, "key": f"{LOST}-{row_id}",
                "terminal_a": "", "terminal_b": "", "quantity": row[1], "state": CircuitState.ISOLATED,
                "kind": PointKind.RANGE, "rating": "",
            },
        )  # fmt: skip
        return True

    def _lost_unit(self) -> int:
        return self._any("units", site_id=self._any("sites", name=LOST), name=LOST)

    def _lost_circuit(self, unit: int) -> int:
        return self._any("circuits", unit_id=unit, name=LOST)

    def _connection_values(self) -> dict[str, object]:
        return _CONNECTION | {"boot": self._any("boots"), "meter_id": self._any("meters", address=LOST)}

    def _any(self, table: str, **names: object) -> int:
        """Return the id of the row with these names, or of any row; make one if there is none."""
        condition = " AND ".join(f"{column} = ?" for column in names) or "1"
        found = self._connection.execute(
            f"SELECT MIN(id) FROM {table} WHERE {condition}",  # noqa: S608  # names of the schema
            tuple(names.values()),
        ).fetchone()
        if found[0] is not None:
            return int(found[0])
        match table:
            case "boots":
                names = _BOOT | {"uid": str(uuid.uuid4())}
            case "meters":
                names = _METER | names
            case "connections":
                names = self._connection_values()
        return self._insert(table, names)

    def _insert(self, table: str, values: dict[str, object]) -> int:
        marks = ", ".join("?" * len(values))
        cursor = self._connection.execute(
            f"INSERT INTO {table} ({', '.join(values)}) VALUES ({marks})",  # noqa: S608  # names of the schema
            tuple(values.values()),
        )
        self.made[table] += 1
        assert cursor.lastrowid is not None  # noqa: S101  # sqlite3 sets it after every INSERT
        return cursor.lastrowid

    def _run(self, statement: str, row_id: int) -> None:
        self._connection.execute(statement, (row_id,))


_BOOT: dict[str, object] = {
    "boot_id": LOST, "software": "", "sqlite": "", "station": "", "started_utc_ns": 0, "started_monotonic_ns": 0,
}  # fmt: skip
_METER: dict[str, object] = {
    "name": LOST, "driver": "", "serial": "", "first_seen_utc_ns": 0, "last_seen_utc_ns": 0,
}  # fmt: skip
_CONNECTION: dict[str, object] = {
    "driver": LOST, "profile": "", "profile_hash": "", "connected_utc_ns": 0, "connected_monotonic_ns": 0,
    "end_reason": EndReason.STATION_KILLED,
}  # fmt: skip
