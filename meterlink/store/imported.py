"""Exported readings back into a database: first into a new one beside it, which is then merged (`store.merge`).

So an import knows the present rows as a merge does: visits, accepted readings, verdicts, voids and corrections by
their uids, a raw reading by its connection, times, display and packet. It is one transaction: all of a file comes in,
or nothing.
"""

import re
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, closing, contextmanager
from decimal import Decimal
from pathlib import Path
from typing import Any, NamedTuple, NoReturn

from meterlink.core.clock import Timestamp
from meterlink.core.equipment import CircuitState, PointKind
from meterlink.core.errors import DamagedDatabaseError, InputError
from meterlink.core.readings import Coupling, Reading, Status
from meterlink.core.units import Quantity, quantity_of, to_base
from meterlink.core.verdicts import Margin, Verdict
from meterlink.store import queries
from meterlink.store.connections import connect_for_reading, connect_for_writing, has_tables, raise_store_errors
from meterlink.store.copying import Progress, temporary_database
from meterlink.store.exchange_fields import STRETCH_FIELDS, Personal
from meterlink.store.exported import Nested, Row, Value, visit_record
from meterlink.store.json_columns import check_json_column
from meterlink.store.lock import exclusive_folder
from meterlink.store.merge import MergeResult, merge_file
from meterlink.store.migration import migrate
from meterlink.store.rows import EndReason, ReadingRow
from meterlink.store.stretches import StretchWriter
from meterlink.store.transactions import get_or_insert, get_or_insert_component

# Raw readings inserted at once, and rows and stretches remembered: enough that their number costs no time.
_BATCH = 5_000
_REMEMBERED = 1_000

Record = Mapping[str, Any]
"""``{name of a field: its value}``; a visit also has arrays of such records."""

_PSEUDONYM = re.compile(f"({'|'.join(filter(None, Personal))}) [0-9]+")

# Columns of `verdicts` and `voids`, each with the field that has its value.
_VERDICT_COLUMNS = {
    "uid": "verdict_uid",
    **{
        name: name
        for name in (
            "judged_utc_ns", "verdict", "margin", "limits_low", "limits_high", "limits_unit", "limits_basis",
            "limits_nominal", "deviation_percent", "expanded_uncertainty", "coverage_factor", "probability", "prior",
            "accuracy", "calibration", "rule", "reason", "next_measurement", "question", "answer", "rating", "software",
        )
    },
    "digits": "judged_digits",
    "resolution": "answered_resolution",
}  # fmt: skip
_VOID_COLUMNS = {"uid": "void_uid", "utc_ns": "void_utc_ns", "voided": "voided", "reason": "void_reason"}
_CORRECTION_COLUMNS = {
    "uid": "correction_uid",
    "utc_ns": "corrected_utc_ns",
    **{name: f"correction_{name}" for name in ("driver", "profile", "profile_hash", "technician", "software")},
}
# The fields of a display; with ``first_`` before, those that were accepted.
_DISPLAY = (
    "quantity", "digits", "unit_symbol", "status", "coupling", "resolution", "low_battery", "display_hold", "relative",
)  # fmt: skip
_BOOT_COLUMNS = {
    "uid": "boot_uid",
    "boot_id": "boot_id",
    "software": "boot_software",
    "sqlite": "boot_sqlite",
    "station": "station",
    "started_utc_ns": "boot_started_utc_ns",
    "started_monotonic_ns": "boot_started_monotonic_ns",
}
_VISIT_COLUMNS = {
    "uid": "visit_uid",
    "opened_utc_ns": "visit_opened_utc_ns",
    "opened_monotonic_ns": "visit_opened_monotonic_ns",
    "closed_utc_ns": "visit_closed_utc_ns",
    **{
        name: name
        for name in (
            "plan", "plan_text", "derived", "answers", "carried_answers", "technician", "job", "outcome", "power_on",
            "covers_on",
        )
    },
}  # fmt: skip
# Facts about a visit that a row of a table lacks.
_UNSAID_OF_VISIT: dict[str, Value] = {"plan_text": "", "derived": "[]", "answers": "{}", "carried_answers": "{}"}
_UNSAID_OF_BOOT: dict[str, Value] = {
    "boot_software": "", "boot_sqlite": "", "boot_started_utc_ns": 0, "boot_started_monotonic_ns": 0,
}  # fmt: skip


class _Common(NamedTuple):
    """All that consecutive raw readings have in common."""

    connection_id: int
    visit_id: int | None
    point_id: int | None
    clock_set: bool | None
    quantity: Quantity
    unit: str
    status: Status
    coupling: Coupling | None
    resolution: Decimal | None
    low_battery: bool
    display_hold: bool
    relative: bool
    channel: str


class ImportedRows:
    """Takes the records of an export, and writes them to a new database; see `import_rows`.

    Every method raises InputError for a record that cannot be, and then nothing is imported. ``present`` is the
    database that they will be merged into, None for none: it gives the facts about a visit that a table lacks.
    """

    def __init__(self, connection: sqlite3.Connection, present: sqlite3.Connection | None) -> None:
        self._connection = connection
        self._present = present
        self._stretches = StretchWriter(exact_times=True)
        self._visits: dict[str, tuple[int, int]] = {}  # row ids of the visit and of its unit
        self._commons: dict[Row, _Common] = {}
        self._raw: list[ReadingRow] = []
        self._after: list[tuple[str, Value]] = []  # replacements, with the last reading of the old part

    def add_visit(self, visit: Record) -> None:
        """Add a visit with its test points, and with its notes, replacements and seals where it has them."""
        self._visits.pop(str(visit["visit_uid"]), None)
        visit_id, unit_id = self._visit_ids(visit)
        for point in _parts(visit, "points"):
            self._point_id(visit_id, unit_id, point)
        for note in _parts(visit, "notes"):
            self._add_note(visit_id, note)
        for replacement in _parts(visit, "replacements"):
            self._add_replacement(visit_id, replacement)
        for seal in _parts(visit, "seals"):
            _require_uid(seal["uid"], "uid")
            self._insert_once("seals", {"visit_id": visit_id, **seal})
        for salt in _parts(visit, "seal_salts"):
            self._connection.execute(
                "INSERT OR IGNORE INTO seal_salts (visit_id, subject, salt) VALUES (?, ?, ?)",
                (visit_id, salt["subject"], salt["salt"]),
            )

        for key in _parts(visit, "station_keys"):
            names = ", ".join(key)
            self._connection.execute(
                f"INSERT OR IGNORE INTO station_keys ({names}) VALUES (?, ?, ?, ?, ?)",  # noqa: S608  # our own names
                tuple(key.values()),
            )

    def add_accepted(
        self,
        reading: Record,
        verdicts: Sequence[Record],
        voids: Sequence[Record],
        corrections: Sequence[Record] = (),
    ) -> None:
        """Add an accepted reading with its verdicts (at least one), voids and corrections, oldest first.

        Raises:
            InputError: the reading, a verdict, a void or a correction cannot be.
        """
        connection = self._connection
        if corrections:
            if reading["first_status"] is None:
                raise InputError("It was decoded again, and has no first_status.", "Write what the export wrote.")
            reading = {**reading, **{name: reading[f"first_{name}"] for name in _DISPLAY}}
        _require_uid(reading["uid"], "uid")
        found = connection.execute("SELECT id FROM accepted_readings WHERE uid = ?", (reading["uid"],)).fetchone()
        accepted_id = self._insert_accepted(reading) if found is None else int(found["id"])
        if not verdicts:
            raise InputError("The reading has no verdict.", "Write all the lines that the export wrote.")
        for verdict in verdicts:
            _require_uid(verdict["verdict_uid"], "verdict_uid")
            _word(Verdict, verdict, "verdict")
            if verdict["margin"] is not None:
                _word(Margin, verdict, "margin")
            self._insert_once("verdicts", {"accepted_id": accepted_id, **_columns(_VERDICT_COLUMNS, verdict)})
        for void in voids:
            _require_uid(void["void_uid"], "void_uid")
            self._insert_once("voids", {"accepted_id": accepted_id, **_columns(_VOID_COLUMNS, void)})
        for correction in corrections:
            self._add_correction(accepted_id, correction)
        try:  # as every later query will read it
            queries.accepted_readings(connection, [("a.id = ?", (accepted_id,))])
        except DamagedDatabaseError as error:
            raise InputError(error.message.partition(": ")[2], "Write what the export wrote.") from error

    def _add_correction(self, accepted_id: int, correction: Record) -> None:
        _require_uid(correction["correction_uid"], "correction_uid")
        _, quantity, unit, status, coupling, _resolution, low_battery, hold, relative = _display(
            {"clock_set": None, **correction}
        )
        digits = correction["digits"]
        if (digits is None) == (status is Status.OK):
            _refuse_number(status, digits)
        value = None if digits is None else float(to_base(Decimal(str(digits)), unit))
        self._insert_once(
            "corrections",
            {
                **_columns(_CORRECTION_COLUMNS, correction),
                "accepted_id": accepted_id, "quantity": quantity, "digits": digits, "unit": unit, "value": value,
                "status": status, "coupling": coupling, "resolution": correction["resolution"],
                "low_battery": low_battery, "display_hold": hold, "relative": relative,
            },
        )  # fmt: skip

    def add_raw(self, row: Sequence[Any], common: Row) -> None:
        """Add a raw reading: its own times, digits and packet, and the values of `STRETCH_FIELDS`."""
        utc_ns, monotonic_ns, digits, packet = row
        shared = self._commons.get(common) or self._common(common)
        reading = Reading(
            shared.quantity,
            None if digits is None else Decimal(str(digits)),
            shared.unit,
            Timestamp(utc_ns, monotonic_ns),
            shared.status,
            shared.coupling,
            shared.resolution,
            shared.low_battery,
            shared.channel,
            packet,
            shared.display_hold,
            shared.relative,
        )
        if (digits is None) == (shared.status is Status.OK):
            _refuse_number(shared.status, digits)
        self._raw.append(ReadingRow(reading, shared.connection_id, shared.visit_id, shared.point_id, shared.clock_set))
        if len(self._raw) >= _BATCH:
            self._insert_raw()

    def finish(self) -> None:
        """Write the rest."""
        self._insert_raw()
        for uid, after_uid in self._after:
            self._connection.execute(
                "UPDATE replacements SET after_accepted_id = COALESCE("
                " (SELECT id FROM accepted_readings WHERE uid = ?), 0) WHERE uid = ?",
                (after_uid, uid),
            )

    def _insert_raw(self) -> None:
        self._stretches.insert(self._connection, self._raw)
        self._raw.clear()

    def _common(self, values: Row) -> _Common:
        record: dict[str, Value] = {field.name: value for field, value in zip(STRETCH_FIELDS, values, strict=True)}
        visit_id = point_id = None
        if record["visit_uid"] is not None:
            visit_id, unit_id = self._present_visit(str(record["visit_uid"]))
            if record["point"] is not None:
                point_id = self._present_point(visit_id, unit_id, record)
        common = _Common(self._connection_id(record), visit_id, point_id, *_display(record), str(record["channel"]))
        if len(self._commons) >= _REMEMBERED:
            self._commons.clear()
        self._commons[values] = common
        return common

    def _insert_accepted(self, reading: Record) -> int:
        visit_id, unit_id = self._visit_ids(reading)
        point_id = self._point_id(visit_id, unit_id, reading)
        clock_set, quantity, unit, status, coupling, resolution, low_battery, hold, relative = _display(reading)
        digits = reading["digits"]
        if (digits is None) == (status is Status.OK):
            _refuse_number(status, digits)
        packet, settled_in = reading["packet"], reading["settled_in"]
        accepted, raw = (
            Reading(
                quantity, None if digits is None else Decimal(str(digits)), unit, timestamp, status, coupling,
                resolution, low_battery, str(reading["channel"]), packet, hold, relative,
            )
            for timestamp in (
                Timestamp(_whole(reading, "utc_ns"), _whole(reading, "monotonic_ns")),
                Timestamp(_whole(reading, "raw_utc_ns"), _whole(reading, "raw_monotonic_ns")),
            )
        )  # fmt: skip
        raw_visit_id, raw_point_id = self._raw_place(reading, visit_id, unit_id)
        row = ReadingRow(raw, self._connection_id(reading), raw_visit_id, raw_point_id, clock_set)
        raw_id = self._stretches.insert(self._connection, (row,))
        return self._insert(
            "accepted_readings",
            {
                "uid": reading["uid"], "raw_reading_id": raw_id, "visit_id": visit_id, "point_id": point_id,
                "utc_ns": reading["utc_ns"], "monotonic_ns": reading["monotonic_ns"], "clock_set": clock_set,
                "quantity": quantity, "digits": digits, "unit": unit, "value": accepted.value, "status": status,
                "coupling": coupling, "resolution": reading["resolution"], "low_battery": low_battery,
                "display_hold": hold, "relative": relative, "settled_in": settled_in,
                "assigned_utc_ns": reading["assigned_utc_ns"],
            },
        )  # fmt: skip

    def _raw_place(self, reading: Record, visit_id: int, unit_id: int) -> tuple[int | None, int | None]:
        """Return the visit and the test point at which a reading came: its own, none, or those of another visit."""
        uid, key = reading["raw_visit_uid"], reading["raw_point"]
        if uid is None:
            return None, None
        if uid != reading["visit_uid"]:
            visit_id, unit_id = self._present_visit(str(uid))
        if key is None:
            return visit_id, None
        return visit_id, self._present_point(visit_id, unit_id, {"visit_uid": uid, "point": key})

    def _visit_ids(self, record: Record) -> tuple[int, int]:
        """Return the row ids of a visit and of its unit; insert them if they are not there."""
        uid = str(record["visit_uid"])
        if uid in self._visits:
            return self._visits[uid]
        row = self._connection.execute("SELECT id, unit_id FROM visits WHERE uid = ?", (uid,)).fetchone()
        ids = self._insert_visit(record) if row is None else (int(row["id"]), int(row["unit_id"]))
        if len(self._visits) >= _REMEMBERED:
            self._visits.clear()
        self._visits[uid] = ids
        return ids

    def _insert_visit(self, record: Record) -> tuple[int, int]:
        uid = str(record["visit_uid"])
        _require_uid(uid, "visit_uid")
        values = {**_UNSAID_OF_VISIT, **(self._present_record(uid) or {}), **record}
        for name in ("derived", "answers", "carried_answers"):
            check_json_column(name, str(values[name]))
        site_id = get_or_insert(self._connection, "sites", name=str(values["site"]))
        unit_id = get_or_insert(self._connection, "units", site_id=site_id, name=str(values["unit"]))
        self._keep_archived(unit_id, str(values["site"]), str(values["unit"]))
        boot = self._boot_id(values)
        opened_in = values.get("visit_boot_uid")
        if opened_in not in {None, values["boot_uid"]}:
            boot = self._boot_id({"boot_uid": opened_in, "boot_id": "", "station": values["station"]})
        columns = _columns(_VISIT_COLUMNS, values)
        visit_id = self._insert("visits", {"unit_id": unit_id, "boot": boot, "active": 0, **columns})
        return visit_id, unit_id

    def _present_visit(self, uid: str) -> tuple[int, int]:
        """Return the row ids of a visit that the file, or the database merged into, has described.

        Raises:
            InputError: neither has.
        """
        _require_uid(uid, "visit_uid")
        row = self._connection.execute("SELECT id, unit_id FROM visits WHERE uid = ?", (uid,)).fetchone()
        if row is not None:
            return int(row["id"]), int(row["unit_id"])
        visit = self._present_record(uid)
        if visit is None:
            raise InputError(
                f"The visit {uid} is not known here.",
                "Import its accepted readings first, or the raw readings as jsonl, which describes their visits.",
            )
        self.add_visit(visit)
        return self._visits[uid]

    def _present_point(self, visit_id: int, unit_id: int, record: Record) -> int:
        key = record["point"]
        row = self._connection.execute(
            "SELECT id FROM test_points WHERE visit_id = ? AND key = ?", (visit_id, key)
        ).fetchone()
        if row is not None:
            return int(row["id"])
        visit = self._present_record(str(record["visit_uid"])) or {}
        for point in _parts(visit, "points"):
            if point["point"] == key:
                return self._point_id(visit_id, unit_id, point)
        raise InputError(
            f"The visit {record['visit_uid']} has no test point {key}.", "Import its accepted readings first."
        )

    def _present_record(self, uid: str) -> Nested | None:
        if self._present is None:
            return None
        known = self._present.execute("SELECT 1 FROM visits WHERE uid = ?", (uid,)).fetchone()
        return None if known is None else visit_record(self._present, uid)

    def _keep_archived(self, unit_id: int, site: str, unit: str) -> None:
        """Let a unit be archived where it is so already: an import lists no unit again."""
        if self._present is None:
            return
        row = self._present.execute(
            "SELECT u.archived_utc_ns FROM units u JOIN sites s ON s.id = u.site_id WHERE s.name = ? AND u.name = ?",
            (site, unit),
        ).fetchone()
        if row is not None:
            self._connection.execute("UPDATE units SET archived_utc_ns = ? WHERE id = ?", (row[0], unit_id))

    def _point_id(self, visit_id: int, unit_id: int, point: Record) -> int:
        row = self._connection.execute(
            "SELECT id FROM test_points WHERE visit_id = ? AND key = ?", (visit_id, point["point"])
        ).fetchone()
        if row is not None:
            return int(row["id"])
        _word(Quantity, point, "point_quantity")
        _word(CircuitState, point, "state")
        _word(PointKind, point, "point_kind")
        component_id = get_or_insert_component(
            self._connection, unit_id, *(str(point[name]) for name in ("circuit", "component", "section"))
        )
        return self._insert(
            "test_points",
            {
                "visit_id": visit_id, "component_id": component_id, "key": point["point"],
                "terminal_a": point["terminal_a"], "terminal_b": point["terminal_b"],
                "quantity": point["point_quantity"], "state": point["state"], "kind": point["point_kind"],
                "rating": point["point_rating"], "rating_set_utc_ns": point["rating_set_utc_ns"],
            },
        )  # fmt: skip

    def _add_note(self, visit_id: int, note: Record) -> None:
        _require_uid(note["uid"], "uid")
        point_id = None
        if note["point"] is not None:
            row = self._connection.execute(
                "SELECT id FROM test_points WHERE visit_id = ? AND key = ?", (visit_id, note["point"])
            ).fetchone()
            if row is None:
                raise InputError(f"The visit has no test point {note['point']}.", "Write what the export wrote.")
            point_id = int(row["id"])
        self._insert_once(
            "notes",
            {
                "uid": note["uid"], "visit_id": visit_id, "point_id": point_id, "utc_ns": note["utc_ns"],
                "text": note["text"],
            },
        )  # fmt: skip

    def _add_replacement(self, visit_id: int, replacement: Record) -> None:
        _require_uid(replacement["uid"], "uid")
        for name in ("sections", "ratings"):
            check_json_column(name, str(replacement[name]))
        columns = {name: value for name, value in replacement.items() if name != "after_uid"}
        self._insert_once("replacements", {"visit_id": visit_id, "after_accepted_id": 0, **columns})
        if isinstance(replacement["after_uid"], str):
            self._after.append((str(replacement["uid"]), replacement["after_uid"]))

    def _boot_id(self, record: Record) -> int:
        _require_uid(record["boot_uid"], "boot_uid")
        row = self._connection.execute("SELECT id, software FROM boots WHERE uid = ?", (record["boot_uid"],)).fetchone()
        columns = _columns(_BOOT_COLUMNS, {**_UNSAID_OF_BOOT, **record})
        if row is None:
            return self._insert("boots", columns)
        if not row["software"]:  # only its uid was known so far
            names = ", ".join(f"{name} = :{name}" for name in columns)
            self._connection.execute(f"UPDATE boots SET {names} WHERE uid = :uid", columns)  # noqa: S608  # our own names
        return int(row["id"])

    def _connection_id(self, record: Record) -> int:
        """Return the row id of the connection of a reading; insert it, with boot and meter, if it is not there."""
        boot, meter_id = self._boot_id(record), self._meter_id(record)
        row = self._connection.execute(
            "SELECT id FROM connections WHERE boot = ? AND meter_id = ? AND connected_utc_ns = ?"
            " AND connected_monotonic_ns = ? AND driver = ? AND profile_hash = ?",
            (
                boot, meter_id, record["connected_utc_ns"], record["connected_monotonic_ns"], record["driver"],
                record["profile_hash"],
            ),
        ).fetchone()  # fmt: skip
        if row is not None:
            return int(row["id"])
        if record["end_reason"] is not None:
            _word(EndReason, record, "end_reason")
        names = (
            "driver", "profile", "profile_hash", "connected_utc_ns", "connected_monotonic_ns", "ended_utc_ns",
            "ended_monotonic_ns", "end_reason",
        )  # fmt: skip
        return self._insert(
            "connections", {"boot": boot, "meter_id": meter_id, **{name: record[name] for name in names}}
        )

    def _meter_id(self, record: Record) -> int:
        address, connected = str(record["meter_address"]), _whole(record, "connected_utc_ns")
        row = self._connection.execute("SELECT id FROM meters WHERE address = ?", (address,)).fetchone()
        if row is not None:
            return int(row["id"])
        seen: Sequence[Value] = (connected, connected)
        if self._present is not None:
            known = self._present.execute(
                "SELECT first_seen_utc_ns, last_seen_utc_ns FROM meters WHERE address = ?", (address,)
            ).fetchone()
            seen = seen if known is None else tuple(known)
        return self._insert(
            "meters",
            {
                "address": address, "name": record["meter"], "driver": record["meter_driver"],
                "serial": record["meter_serial"], "first_seen_utc_ns": seen[0], "last_seen_utc_ns": seen[1],
            },
        )  # fmt: skip

    def _insert_once(self, table: str, columns: Mapping[str, object]) -> None:
        """Insert a row unless one has its uid already."""
        uid = columns["uid"]
        if self._connection.execute(f"SELECT 1 FROM {table} WHERE uid = ?", (uid,)).fetchone() is None:  # noqa: S608  # our own names
            self._insert(table, columns)

    def _insert(self, table: str, columns: Mapping[str, object]) -> int:
        names, marks = ", ".join(columns), ", ".join("?" * len(columns))
        try:
            row_id = self._connection.execute(
                f"INSERT INTO {table} ({names}) VALUES ({marks})",  # noqa: S608  # our own names
                tuple(columns.values()),
            ).lastrowid
        except sqlite3.IntegrityError as error:
            raise InputError(f"Its values contradict each other ({error}).", "Write what the export wrote.") from error
        assert row_id is not None  # noqa: S101  # sqlite3 sets it after every INSERT
        return row_id


@contextmanager
def import_rows(path: Path, result: list[MergeResult], *, preview: bool, progress: Progress) -> Iterator[ImportedRows]:
    """Yield an `ImportedRows`; when the context ends, merge its rows into the database at ``path``.

    ``result`` gets the one `MergeResult`. With ``preview`` the database stays as it is. After any error in the context
    it does so, too.

    Raises:
        DatabaseLockedError: a station runs on that folder.
        StoreError: the database cannot be read or written.
    """
    with exclusive_folder(path, "an import"):
        pass  # before a long file is read; the merge locks the folder again
    with temporary_database(path.parent, "import") as temporary:
        with ExitStack() as stack:
            present = stack.enter_context(connect_for_reading(path)) if has_tables(path) else None
            if present is not None:
                present.row_factory = None
            connection = stack.enter_context(closing(connect_for_writing(temporary)))
            stack.enter_context(raise_store_errors(temporary))
            migrate(connection, temporary)
            connection.row_factory = sqlite3.Row
            # A file that is gone with the power: nobody reads it again.
            connection.execute("PRAGMA synchronous = OFF")
            connection.execute("BEGIN IMMEDIATE")
            rows = ImportedRows(connection, present)
            yield rows
            rows.finish()
            connection.execute("COMMIT")
        result.append(merge_file(path, temporary, preview=preview, progress=progress))


def _parts(record: Record, name: str) -> Sequence[Record]:
    parts: Sequence[Record] = record.get(name) or ()
    return parts


def _columns(names: Mapping[str, str], record: Record) -> dict[str, object]:
    return {column: record[name] for column, name in names.items()}


def _whole(record: Record, name: str) -> int:
    return int(record[name])


def _display(
    record: Record,
) -> tuple[bool | None, Quantity, str, Status, Coupling | None, Decimal | None, bool, bool, bool]:
    """Return the flag of the clock and the display of a reading.

    Raises:
        InputError: the display cannot be.
    """
    quantity, unit = Quantity(_word(Quantity, record, "quantity")), str(record["unit_symbol"])
    shown = quantity_of(unit)
    if shown is not quantity and (quantity, unit) != (Quantity.BATTERY, "%"):
        raise InputError(f"{unit} is no unit of {quantity}.", "Write what the export wrote.")
    coupling = None if record["coupling"] is None else Coupling(_word(Coupling, record, "coupling"))
    resolution = None if record["resolution"] is None else Decimal(str(record["resolution"]))
    clock_set = None if record["clock_set"] is None else bool(record["clock_set"])
    flags = (bool(record[name]) for name in ("low_battery", "display_hold", "relative"))
    low_battery, hold, relative = flags
    status = Status(_word(Status, record, "status"))
    return clock_set, quantity, unit, status, coupling, resolution, low_battery, hold, relative


def _word(kind: type, record: Record, name: str) -> str:
    """Return a word that ``kind`` knows.

    Raises:
        InputError: it does not.
    """
    value = record[name]
    known = [str(word) for word in kind]  # type: ignore[attr-defined]  # a StrEnum
    if value not in known:
        raise InputError(f"{name} is {value!r}.", f"Write one of {', '.join(known)}.")
    return str(value)


def _require_uid(value: object, name: str) -> None:
    if not value or _PSEUDONYM.fullmatch(str(value)):
        raise InputError(
            f"{name} is {value!r}, which is no id.", "An anonymous export cannot be imported; of others, keep the ids."
        )


def _refuse_number(status: Status, digits: object) -> NoReturn:
    number = "no digits" if digits is None else f"the digits {digits}"
    raise InputError(f"A reading with the status {status} has {number}.", "Give digits to status ok, and to no other.")
