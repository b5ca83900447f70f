"""The tables, as versioned migrations. A migration that has shipped never changes: add a new one.

Imported by `meterlink.store.migration` only when a migration is due: sqlite-utils costs 0.1 s.
"""

from sqlite_utils import Database, Migrations

MIGRATIONS = Migrations("meterlink")


@MIGRATIONS(name="001 readings")
def _readings(db: Database) -> None:
    """Create the tables of sites, visits, test points, meters, readings and accepted readings.

    ``*_utc_ns`` is ns since 1970 UTC by the wall clock. ``*_monotonic_ns`` is ns by a clock that compares only within
    one ``boot_id``. Displayed numbers are decimal text, exactly as displayed; ``value`` is the same number in the SI
    unit of the quantity (°C for temperature, % for a ratio), for arithmetic in SQL. Empty text means 'none', NULL
    'unknown'.
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
        # rating_set_utc_ns: the time when somebody read the rating off the part; NULL while the rating is the plan's.
        """CREATE TABLE test_points (
            id INTEGER PRIMARY KEY,
            visit_id INTEGER NOT NULL REFERENCES visits(id),
            component_id INTEGER NOT NULL REFERENCES components(id),
            key TEXT NOT NULL,
            terminal_a TEXT NOT NULL,
            terminal_b TEXT NOT NULL,
            quantity TEXT NOT NULL,
            state TEXT NOT NULL,
            kind TEXT NOT NULL,
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
        # The largest table: queries select by visit or by test point, in row order.
        "CREATE INDEX readings_of_visit ON readings(visit_id) WHERE visit_id IS NOT NULL",
        "CREATE INDEX readings_of_point ON readings(point_id) WHERE point_id IS NOT NULL",
        """CREATE TABLE accepted_readings (
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
            expanded_uncertainty TEXT,
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
    """Create the tables of messages for the broker, of refused messages, and of counters of dropped items."""
    for statement in (
        # AUTOINCREMENT: the publisher pages by id, so ids must not restart when the outbox becomes empty.
        """CREATE TABLE outbox (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            message_id TEXT NOT NULL UNIQUE,
            topic TEXT NOT NULL,
            payload BLOB NOT NULL,
            droppable INTEGER NOT NULL CHECK (droppable IN (0, 1)),
            created_utc_ns INTEGER NOT NULL
        ) STRICT""",
        "CREATE INDEX droppable_messages ON outbox(id) WHERE droppable = 1",
        """CREATE TABLE rejected_messages (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            message_id TEXT NOT NULL UNIQUE,
            topic TEXT NOT NULL,
            payload BLOB NOT NULL,
            droppable INTEGER NOT NULL CHECK (droppable IN (0, 1)),
            created_utc_ns INTEGER NOT NULL,
            rejected_utc_ns INTEGER NOT NULL,
            reason TEXT NOT NULL
        ) STRICT""",
        """CREATE TABLE counters (
            name TEXT NOT NULL PRIMARY KEY,
            value INTEGER NOT NULL
        ) STRICT""",
    ):
        db.execute(statement)


@MIGRATIONS(name="003 uncertainty")
def _uncertainty(db: Database) -> None:
    """Add a verdict's probability of conformity, its coverage factor, and the measurement that would decide it."""
    for statement in (
        "ALTER TABLE accepted_readings ADD COLUMN probability REAL CHECK (probability BETWEEN 0 AND 1)",
        "ALTER TABLE accepted_readings ADD COLUMN coverage_factor REAL",
        "ALTER TABLE accepted_readings ADD COLUMN next_measurement TEXT NOT NULL DEFAULT ''",
    ):
        db.execute(statement)


@MIGRATIONS(name="004 meter identity")
def _meter_identity(db: Database) -> None:
    """Add the service and the later addresses of a meter.

    ``service_uuid`` is the UUID of the GATT service of its readings. ``address`` stays the first address of the meter;
    ``current_address`` is the present one, empty while the meter has only its first.
    """
    for statement in (
        "ALTER TABLE meters ADD COLUMN service_uuid TEXT NOT NULL DEFAULT ''",
        "ALTER TABLE meters ADD COLUMN current_address TEXT NOT NULL DEFAULT ''",
        # NOCASE: platforms and people write an address in upper or lower case.
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
    """Add the derived points of a visit's plan: a JSON array of ``[[derived]]`` tables of a plan file."""
    db.execute("ALTER TABLE visits ADD COLUMN derived TEXT NOT NULL DEFAULT '[]'")


@MIGRATIONS(name="006 display modes")
def _display_modes(db: Database) -> None:
    """Add the display hold and the relative mode: then the display did not show the value at the probes."""
    for flag in ("display_hold", "relative"):
        db.execute(f"ALTER TABLE readings ADD COLUMN {flag} INTEGER NOT NULL DEFAULT 0 CHECK ({flag} IN (0, 1))")
