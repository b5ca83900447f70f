"""The tables, as versioned migrations. A migration that has shipped is never edited: the next change is a new one."""

import sqlite3
from pathlib import Path

from sqlite_utils import Database, Migrations

from meterlink.core.errors import StoreError
from meterlink.store.connections import SCHEMA_VERSION, check_writable, write_file_header

MIGRATIONS = Migrations("meterlink")

# STRICT tables (SQLite 3.37) refuse a value of the wrong type instead of keeping it as it came.
OLDEST_SQLITE = (3, 37, 0)


@MIGRATIONS(name="001 journal")
def _journal(db: Database) -> None:
    """Where, what, which meter, every reading, every held reading.

    ``*_utc_ns`` is ns since 1970 UTC by the wall clock, ``*_monotonic_ns`` ns on a clock that compares only within one
    ``boot_id``. Numbers a person reads are decimal text, exactly as displayed; ``value`` is the same in the SI unit of
    the quantity (°C for temperature, % for a ratio), for arithmetic in SQL. Empty text means 'none', NULL 'not known'.
    """
    for statement in (
        # One row for each start of the station's daemon.
        """CREATE TABLE boots (
            id INTEGER PRIMARY KEY,
            boot_id TEXT NOT NULL,
            software TEXT NOT NULL,
            sqlite TEXT NOT NULL,
            station TEXT NOT NULL,
            started_utc_ns INTEGER NOT NULL,
            started_monotonic_ns INTEGER NOT NULL
        ) STRICT""",
        """CREATE TABLE sites (
            id INTEGER PRIMARY KEY,
            name TEXT NOT NULL UNIQUE
        ) STRICT""",
        """CREATE TABLE units (
            id INTEGER PRIMARY KEY,
            site_id INTEGER NOT NULL REFERENCES sites(id),
            name TEXT NOT NULL,
            UNIQUE (site_id, name)
        ) STRICT""",
        """CREATE TABLE circuits (
            id INTEGER PRIMARY KEY,
            unit_id INTEGER NOT NULL REFERENCES units(id),
            name TEXT NOT NULL,
            UNIQUE (unit_id, name)
        ) STRICT""",
        """CREATE TABLE components (
            id INTEGER PRIMARY KEY,
            circuit_id INTEGER NOT NULL REFERENCES circuits(id),
            name TEXT NOT NULL,
            section TEXT NOT NULL,
            UNIQUE (circuit_id, name, section)
        ) STRICT""",
        """CREATE TABLE visits (
            id INTEGER PRIMARY KEY,
            uid TEXT NOT NULL UNIQUE,
            unit_id INTEGER NOT NULL REFERENCES units(id),
            plan TEXT NOT NULL,
            boot INTEGER NOT NULL REFERENCES boots(id),
            opened_utc_ns INTEGER NOT NULL,
            opened_monotonic_ns INTEGER NOT NULL,
            closed_utc_ns INTEGER
        ) STRICT""",
        "CREATE INDEX visits_of_unit ON visits(unit_id)",
        # rating_set_utc_ns: when somebody read the rating off the part; NULL while it is the plan's.
        """CREATE TABLE test_points (
            id INTEGER PRIMARY KEY,
            visit_id INTEGER NOT NULL REFERENCES visits(id),
            component_id INTEGER NOT NULL REFERENCES components(id),
            key TEXT NOT NULL,
            terminal_a TEXT NOT NULL,
            terminal_b TEXT NOT NULL,
            quantity TEXT NOT NULL,
            state TEXT NOT NULL,
            check_kind TEXT NOT NULL,
            rating TEXT NOT NULL,
            rating_set_utc_ns INTEGER,
            UNIQUE (visit_id, key)
        ) STRICT""",
        """CREATE TABLE meters (
            id INTEGER PRIMARY KEY,
            address TEXT NOT NULL UNIQUE,
            name TEXT NOT NULL,
            driver TEXT NOT NULL,
            serial TEXT NOT NULL,
            bound INTEGER NOT NULL DEFAULT 0 CHECK (bound IN (0, 1)),
            first_seen_utc_ns INTEGER NOT NULL,
            last_seen_utc_ns INTEGER NOT NULL
        ) STRICT""",
        """CREATE TABLE readings (
            id INTEGER PRIMARY KEY,
            meter_id INTEGER NOT NULL REFERENCES meters(id),
            visit_id INTEGER REFERENCES visits(id),
            point_id INTEGER REFERENCES test_points(id),
            utc_ns INTEGER NOT NULL,
            monotonic_ns INTEGER NOT NULL,
            boot INTEGER NOT NULL REFERENCES boots(id),
            clock_set INTEGER CHECK (clock_set IN (0, 1)),
            quantity TEXT NOT NULL,
            value REAL,
            digits TEXT,
            unit TEXT NOT NULL,
            status TEXT NOT NULL,
            coupling TEXT,
            resolution TEXT,
            low_battery INTEGER NOT NULL CHECK (low_battery IN (0, 1)),
            channel TEXT NOT NULL,
            packet BLOB NOT NULL,
            CHECK ((status = 'ok') = (digits IS NOT NULL))
        ) STRICT""",
        # The table that grows all season: looked up by visit or by test point, each in row order.
        "CREATE INDEX readings_of_visit ON readings(visit_id) WHERE visit_id IS NOT NULL",
        "CREATE INDEX readings_of_point ON readings(point_id) WHERE point_id IS NOT NULL",
        """CREATE TABLE held_readings (
            id INTEGER PRIMARY KEY,
            reading_id INTEGER NOT NULL UNIQUE REFERENCES readings(id),
            verdict TEXT NOT NULL,
            margin TEXT NOT NULL,
            limits_low TEXT,
            limits_high TEXT,
            limits_unit TEXT,
            limits_basis TEXT,
            limits_nominal TEXT,
            digits TEXT,
            deviation_percent TEXT,
            uncertainty TEXT,
            accuracy TEXT NOT NULL,
            reason TEXT NOT NULL,
            rule TEXT NOT NULL,
            settled_in REAL NOT NULL,
            rating TEXT NOT NULL,
            software TEXT NOT NULL
        ) STRICT""",
    ):
        db.execute(statement)


@MIGRATIONS(name="002 outbox")
def _outbox(db: Database) -> None:
    """Messages for the broker, the ones it refused, and what had to be dropped."""
    for statement in (
        # AUTOINCREMENT: ids must not start again when the outbox has been emptied, its reader pages by id.
        """CREATE TABLE outbox (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            message_id TEXT NOT NULL UNIQUE,
            topic TEXT NOT NULL,
            payload BLOB NOT NULL,
            droppable INTEGER NOT NULL CHECK (droppable IN (0, 1)),
            created_utc_ns INTEGER NOT NULL
        ) STRICT""",
        "CREATE INDEX droppable_messages ON outbox(id) WHERE droppable = 1",
        """CREATE TABLE set_aside (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            message_id TEXT NOT NULL UNIQUE,
            topic TEXT NOT NULL,
            payload BLOB NOT NULL,
            droppable INTEGER NOT NULL CHECK (droppable IN (0, 1)),
            created_utc_ns INTEGER NOT NULL,
            set_aside_utc_ns INTEGER NOT NULL,
            reason TEXT NOT NULL
        ) STRICT""",
        """CREATE TABLE counters (
            name TEXT NOT NULL PRIMARY KEY,
            value INTEGER NOT NULL
        ) STRICT""",
    ):
        db.execute(statement)


@MIGRATIONS(name="003 doubt")
def _uncertainty(db: Database) -> None:
    """How sure a verdict is: the probability of conformity, the coverage factor, and what would settle a close call."""
    for statement in (
        "ALTER TABLE held_readings ADD COLUMN probability REAL CHECK (probability BETWEEN 0 AND 1)",
        "ALTER TABLE held_readings ADD COLUMN k REAL",
        "ALTER TABLE held_readings ADD COLUMN settle_it TEXT NOT NULL DEFAULT ''",
    ):
        db.execute(statement)


@MIGRATIONS(name="004 bindings")
def _bindings(db: Database) -> None:
    """What a meter is known by beside its address, and the addresses it has had since.

    ``service`` is the UUID of the GATT service its readings come from. ``address`` stays the one it was first met
    under; ``address_now`` is its present one, empty while it has had no other.
    """
    for statement in (
        "ALTER TABLE meters ADD COLUMN service TEXT NOT NULL DEFAULT ''",
        "ALTER TABLE meters ADD COLUMN address_now TEXT NOT NULL DEFAULT ''",
        # Platforms and people write one address in either case.
        """CREATE TABLE meter_aliases (
            address TEXT NOT NULL COLLATE NOCASE PRIMARY KEY,
            meter_id INTEGER NOT NULL REFERENCES meters(id),
            since_utc_ns INTEGER NOT NULL
        ) STRICT""",
        "CREATE INDEX aliases_of_meter ON meter_aliases(meter_id)",
    ):
        db.execute(statement)


@MIGRATIONS(name="005 derived")
def _derived(db: Database) -> None:
    """What the visit's plan works out of several readings: a JSON array of ``[[derived]]`` tables of a plan file."""
    db.execute("ALTER TABLE visits ADD COLUMN derived TEXT NOT NULL DEFAULT '[]'")


@MIGRATIONS(name="006 altered displays")
def _altered_displays(db: Database) -> None:
    """Whether the display was frozen, or showed a difference: then it was not what the probes measured."""
    for flag in ("hold", "relative"):
        db.execute(f"ALTER TABLE readings ADD COLUMN {flag} INTEGER NOT NULL DEFAULT 0 CHECK ({flag} IN (0, 1))")


def migrate(connection: sqlite3.Connection, path: Path) -> None:
    """Create or migrate the database behind ``connection`` (in autocommit mode); all migrations or none.

    StoreError, with nothing changed, when the file is something else's or was written by a newer Meterlink, or where
    the SQLite library is too old.
    """
    if sqlite3.sqlite_version_info < OLDEST_SQLITE:
        oldest = ".".join(map(str, OLDEST_SQLITE))
        raise StoreError(
            f"This Python has SQLite {sqlite3.sqlite_version}; {oldest} or newer is needed.", "Use a newer Python."
        )
    check_writable(connection, path)
    # A reader's connection to a database in WAL mode never waits for the writer, nor the writer for it.
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("BEGIN IMMEDIATE")
    try:
        MIGRATIONS.apply(Database(connection, execute_plugins=False, recursive_triggers=False))
        write_file_header(connection, SCHEMA_VERSION)
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
