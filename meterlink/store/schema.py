"""The tables, as versioned migrations. They are frozen: a migration never changes; a change is a new one.

Before it is written, ``python tests/support/fixture_databases.py`` keeps a database of the version before, and
`meterlink.store.connections.SCHEMA_VERSION` is raised with it. tests/unit/test_store_versions.py holds this.

Imported by `meterlink.store.migration` only when a migration is due: sqlite-utils costs 0.1 s.
"""

from sqlite_utils import Database, Migrations

from meterlink.store.views import VIEWS
from meterlink.store.word_index import WORD_TABLES, WORD_TRIGGERS, WORD_VIEW

MIGRATIONS = Migrations("meterlink")

_FLAG = "INTEGER NOT NULL CHECK ({0} IN (0, 1))"

# ``*_utc_ns`` is ns since 1970 UTC by the wall clock. ``*_monotonic_ns`` is ns by a clock that compares only within one
# ``boot_id``. Numbers are decimal text, exactly as displayed, except ``raw_readings.digits``. ``value`` is the same
# number in the base unit of the quantity (°C for temperature, % for a ratio), for arithmetic in SQL. Empty text means
# 'none', NULL 'unknown'. A ``uid`` is a UUID, unique across stations.
_PLACES = (
    # One row for each start of the station's daemon.
    """CREATE TABLE boots (
        id INTEGER PRIMARY KEY,
        uid TEXT NOT NULL UNIQUE,
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
    # fact: see `meterlink.core.site_facts`. As with `unit_facts`, rows are only added, and the newest counts.
    """CREATE TABLE site_facts (
        id INTEGER PRIMARY KEY,
        uid TEXT NOT NULL UNIQUE,
        site_id INTEGER NOT NULL REFERENCES sites(id),
        fact TEXT NOT NULL,
        text TEXT NOT NULL,
        utc_ns INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX facts_of_site ON site_facts(site_id)",
    # archived_utc_ns: the unit is no longer listed for a new visit; NULL while it is.
    """CREATE TABLE units (
        id INTEGER PRIMARY KEY,
        site_id INTEGER NOT NULL REFERENCES sites(id),
        name TEXT NOT NULL,
        archived_utc_ns INTEGER,
        UNIQUE (site_id, name)
    ) STRICT""",
    # fact: see `meterlink.core.nameplate`. Rows are only added. Of a fact that can be there once, the newest row (by
    # time) counts; an empty text removes it.
    """CREATE TABLE unit_facts (
        id INTEGER PRIMARY KEY,
        uid TEXT NOT NULL UNIQUE,
        unit_id INTEGER NOT NULL REFERENCES units(id),
        fact TEXT NOT NULL,
        text TEXT NOT NULL,
        utc_ns INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX facts_of_unit ON unit_facts(unit_id)",
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
    # plan_text: the plan's TOML, empty if the visit was opened without a file. derived: a JSON array of the [[derived]]
    # tables of the plan. answers: a JSON object, the answers to the questions of the plan: {key of a question: key of a
    # choice}. active: the visit whose readings are collected now; an open visit without it is paused. outcome: NULL
    # until the visit is closed. carried_answers: those answers that came from an earlier visit. power_on, covers_on:
    # how the unit was left; NULL where nobody said it.
    """CREATE TABLE visits (
        id INTEGER PRIMARY KEY,
        uid TEXT NOT NULL UNIQUE,
        unit_id INTEGER NOT NULL REFERENCES units(id),
        plan TEXT NOT NULL,
        plan_text TEXT NOT NULL,
        derived TEXT NOT NULL,
        answers TEXT NOT NULL,
        carried_answers TEXT NOT NULL,
        technician TEXT NOT NULL,
        job TEXT NOT NULL,
        boot INTEGER NOT NULL REFERENCES boots(id),
        opened_utc_ns INTEGER NOT NULL,
        opened_monotonic_ns INTEGER NOT NULL,
        closed_utc_ns INTEGER,
        outcome TEXT,
        power_on INTEGER CHECK (power_on IN (0, 1)),
        covers_on INTEGER CHECK (covers_on IN (0, 1)),
        active INTEGER NOT NULL CHECK (active IN (0, 1)),
        CHECK (active = 0 OR closed_utc_ns IS NULL)
    ) STRICT""",
    "CREATE INDEX visits_of_unit ON visits(unit_id)",
    "CREATE UNIQUE INDEX active_visit ON visits(active) WHERE active = 1",
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
    "CREATE INDEX points_of_component ON test_points(component_id, key)",
    # point_id, of a test point that is skipped: the text is the reason.
    """CREATE TABLE notes (
        id INTEGER PRIMARY KEY,
        uid TEXT NOT NULL UNIQUE,
        visit_id INTEGER NOT NULL REFERENCES visits(id),
        point_id INTEGER REFERENCES test_points(id),
        utc_ns INTEGER NOT NULL,
        text TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX notes_of_visit ON notes(visit_id)",
    # A part swapped during a visit. sections: a JSON array of the sections that the new part serves, empty for all.
    # after_accepted_id: the newest accepted reading of the visit before it, 0 before the first; it and the earlier
    # ones are the old part's. ratings: a JSON object {key of a test point: [the old part's rating, its
    # rating_set_utc_ns, the new part's rating]}. objection: what the rules of replacement say against the new part,
    # which was fitted all the same; empty for none. undone_utc_ns: NULL while it counts.
    """CREATE TABLE replacements (
        id INTEGER PRIMARY KEY,
        uid TEXT NOT NULL UNIQUE,
        visit_id INTEGER NOT NULL REFERENCES visits(id),
        circuit TEXT NOT NULL,
        component TEXT NOT NULL,
        sections TEXT NOT NULL,
        old_rating TEXT NOT NULL,
        new_rating TEXT NOT NULL,
        ratings TEXT NOT NULL,
        after_accepted_id INTEGER NOT NULL,
        objection TEXT NOT NULL DEFAULT '',
        utc_ns INTEGER NOT NULL,
        undone_utc_ns INTEGER
    ) STRICT""",
    "CREATE INDEX replacements_of_visit ON replacements(visit_id)",
    # The ledger of the parts on the truck; see `meterlink.core.stock`. replacement_id: the part was fitted there, or
    # came back from there; NULL for others.
    """CREATE TABLE stock_movements (
        id INTEGER PRIMARY KEY,
        uid TEXT NOT NULL UNIQUE,
        utc_ns INTEGER NOT NULL,
        kind TEXT NOT NULL CHECK (kind IN ('loaded', 'received', 'used', 'returned', 'counted')),
        part TEXT NOT NULL,
        rating TEXT NOT NULL,
        count INTEGER NOT NULL CHECK (count >= 0),
        place TEXT NOT NULL,
        note TEXT NOT NULL,
        replacement_id INTEGER REFERENCES replacements(id)
    ) STRICT""",
    # The count of a kind of part below which it is to be bought.
    """CREATE TABLE stock_marks (
        part TEXT NOT NULL,
        rating TEXT NOT NULL,
        low INTEGER NOT NULL CHECK (low >= 0),
        set_utc_ns INTEGER NOT NULL,
        PRIMARY KEY (part, rating)
    ) STRICT, WITHOUT ROWID""",
)

_METERS = (
    # address: the first one; current_address: the present one, empty while the meter has only its first.
    # service_uuid: the GATT service of its readings.
    f"""CREATE TABLE meters (
        id INTEGER PRIMARY KEY,
        address TEXT NOT NULL UNIQUE,
        current_address TEXT NOT NULL DEFAULT '',
        name TEXT NOT NULL,
        driver TEXT NOT NULL,
        serial TEXT NOT NULL,
        service_uuid TEXT NOT NULL DEFAULT '',
        bound {_FLAG.format("bound")} DEFAULT 0,
        first_seen_utc_ns INTEGER NOT NULL,
        last_seen_utc_ns INTEGER NOT NULL
    ) STRICT""",
    # NOCASE: platforms and people write an address in upper or lower case.
    """CREATE TABLE meter_aliases (
        address TEXT NOT NULL COLLATE NOCASE PRIMARY KEY,
        meter_id INTEGER NOT NULL REFERENCES meters(id),
        since_utc_ns INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX aliases_of_meter ON meter_aliases(meter_id)",
    # Facts about a meter that a technician set; see `meterlink.core.meter_facts`. An empty value was set, too: no
    # test point, no driver of its own.
    """CREATE TABLE meter_facts (
        meter_id INTEGER NOT NULL REFERENCES meters(id),
        fact TEXT NOT NULL CHECK (fact IN ('name', 'test point', 'driver', 'accuracy', 'calibration')),
        value TEXT NOT NULL,
        set_utc_ns INTEGER NOT NULL,
        PRIMARY KEY (meter_id, fact)
    ) STRICT, WITHOUT ROWID""",
    # profile, profile_hash: name and SHA-256 of the profile that decodes; empty for a driver without one. The end is
    # NULL while the connection lasts; its time stays NULL if the station was killed.
    """CREATE TABLE connections (
        id INTEGER PRIMARY KEY,
        boot INTEGER NOT NULL REFERENCES boots(id),
        meter_id INTEGER NOT NULL REFERENCES meters(id),
        driver TEXT NOT NULL,
        profile TEXT NOT NULL,
        profile_hash TEXT NOT NULL,
        connected_utc_ns INTEGER NOT NULL,
        connected_monotonic_ns INTEGER NOT NULL,
        ended_utc_ns INTEGER,
        ended_monotonic_ns INTEGER,
        end_reason TEXT CHECK (end_reason IN ('link lost', 'disconnected', 'station stopped', 'station killed'))
    ) STRICT""",
    "CREATE INDEX present_connections ON connections(id) WHERE end_reason IS NULL",
    # A time without readings of a connected or expected meter. lost: packets or readings; NULL if unknown.
    """CREATE TABLE gaps (
        id INTEGER PRIMARY KEY,
        connection_id INTEGER NOT NULL REFERENCES connections(id),
        cause TEXT NOT NULL CHECK (cause IN ('link lost', 'meter silent', 'packets dropped', 'not saved')),
        began_utc_ns INTEGER NOT NULL,
        began_monotonic_ns INTEGER NOT NULL,
        ended_utc_ns INTEGER,
        ended_monotonic_ns INTEGER,
        lost INTEGER
    ) STRICT""",
    "CREATE INDEX gaps_of_connection ON gaps(connection_id)",
    # step_ns: growth of UTC minus monotonic time from the moment before to the moment after.
    """CREATE TABLE clock_steps (
        id INTEGER PRIMARY KEY,
        boot INTEGER NOT NULL REFERENCES boots(id),
        before_utc_ns INTEGER NOT NULL,
        before_monotonic_ns INTEGER NOT NULL,
        after_utc_ns INTEGER NOT NULL,
        after_monotonic_ns INTEGER NOT NULL,
        step_ns INTEGER NOT NULL
    ) STRICT""",
)

_READINGS = (
    # All that a run of readings has in common; see `meterlink.store.stretches`. last_reading_id is NULL while the
    # stretch is open. Its readings are those with its id from first_reading_id on; other stretches' lie between.
    # places: decimal places of the digits; NULL if they are text or missing. digits * base_factor / base_divisor +
    # base_offset is the value in the base unit.
    f"""CREATE TABLE stretches (
        id INTEGER PRIMARY KEY,
        connection_id INTEGER NOT NULL REFERENCES connections(id),
        visit_id INTEGER REFERENCES visits(id),
        point_id INTEGER REFERENCES test_points(id),
        clock_set INTEGER CHECK (clock_set IN (0, 1)),
        quantity TEXT NOT NULL,
        unit TEXT NOT NULL,
        status TEXT NOT NULL,
        coupling TEXT,
        resolution TEXT,
        places INTEGER,
        low_battery {_FLAG.format("low_battery")},
        display_hold {_FLAG.format("display_hold")},
        relative {_FLAG.format("relative")},
        channel TEXT NOT NULL,
        base_factor REAL,
        base_divisor REAL,
        base_offset REAL,
        first_utc_ns INTEGER NOT NULL,
        first_monotonic_ns INTEGER NOT NULL,
        first_reading_id INTEGER NOT NULL,
        last_reading_id INTEGER
    ) STRICT""",
    "CREATE INDEX stretches_of_visit ON stretches(visit_id) WHERE visit_id IS NOT NULL",
    "CREATE INDEX stretches_of_point ON stretches(point_id) WHERE point_id IS NOT NULL",
    "CREATE INDEX stretches_by_time ON stretches(first_utc_ns)",
    "CREATE INDEX open_stretches ON stretches(id) WHERE last_reading_id IS NULL",
    # The largest table has no index: the stretches find its rows. utc_offset_us: µs since the stretch's beginning;
    # clock_shift_us: µs that the monotonic clock has gained on UTC since then. digits: the digits without the point, as
    # an integer; as text if they are too long for one; NULL without a value.
    """CREATE TABLE raw_readings (
        id INTEGER PRIMARY KEY,
        stretch_id INTEGER NOT NULL REFERENCES stretches(id),
        utc_offset_us INTEGER NOT NULL,
        clock_shift_us INTEGER NOT NULL,
        digits ANY CHECK (typeof(digits) IN ('integer', 'text', 'null')),
        packet BLOB NOT NULL
    ) STRICT""",
    # A copy of all that the verdict rests on, so that it stands without the raw reading. assigned_utc_ns: the time
    # when a reading outside any visit was given to this one; NULL for a reading accepted when it came.
    f"""CREATE TABLE accepted_readings (
        id INTEGER PRIMARY KEY,
        uid TEXT NOT NULL UNIQUE,
        raw_reading_id INTEGER NOT NULL UNIQUE REFERENCES raw_readings(id),
        visit_id INTEGER NOT NULL REFERENCES visits(id),
        point_id INTEGER NOT NULL REFERENCES test_points(id),
        utc_ns INTEGER NOT NULL,
        monotonic_ns INTEGER NOT NULL,
        clock_set INTEGER CHECK (clock_set IN (0, 1)),
        quantity TEXT NOT NULL,
        digits TEXT,
        unit TEXT NOT NULL,
        value REAL,
        status TEXT NOT NULL,
        coupling TEXT,
        resolution TEXT,
        low_battery {_FLAG.format("low_battery")},
        display_hold {_FLAG.format("display_hold")},
        relative {_FLAG.format("relative")},
        settled_in REAL NOT NULL,
        assigned_utc_ns INTEGER,
        CHECK ((status = 'ok') = (digits IS NOT NULL))
    ) STRICT""",
    "CREATE INDEX assigned_readings ON accepted_readings(raw_reading_id) WHERE assigned_utc_ns IS NOT NULL",
    "CREATE INDEX accepted_at_point ON accepted_readings(point_id)",
    "CREATE INDEX accepted_of_visit ON accepted_readings(visit_id)",
    "CREATE INDEX accepted_by_time ON accepted_readings(utc_ns)",
    # The newest verdict (highest id) of an accepted reading is the current one. digits: the reading in limits_unit.
    # question: the open question as JSON, with the judgement that follows from each choice; NULL without one. answer:
    # the key of the choice that led to this verdict. resolution: the display step that an answer gave, in the unit of
    # the reading; NULL for the reading's own.
    """CREATE TABLE verdicts (
        id INTEGER PRIMARY KEY,
        uid TEXT NOT NULL UNIQUE,
        accepted_id INTEGER NOT NULL REFERENCES accepted_readings(id),
        judged_utc_ns INTEGER NOT NULL,
        verdict TEXT NOT NULL,
        margin TEXT CHECK ((verdict IN ('within', 'outside')) = (margin IS NOT NULL)),
        limits_low TEXT,
        limits_high TEXT,
        limits_unit TEXT,
        limits_basis TEXT,
        limits_nominal TEXT,
        digits TEXT,
        deviation_percent TEXT,
        expanded_uncertainty TEXT,
        coverage_factor REAL,
        probability REAL CHECK (probability BETWEEN 0 AND 1),
        prior TEXT NOT NULL,
        accuracy TEXT NOT NULL,
        calibration TEXT NOT NULL,
        rule TEXT NOT NULL,
        reason TEXT NOT NULL,
        next_measurement TEXT NOT NULL,
        question TEXT,
        answer TEXT NOT NULL,
        resolution TEXT,
        rating TEXT NOT NULL,
        software TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX verdicts_of_reading ON verdicts(accepted_id)",
    # A reading is voided while its newest row (highest id) says so; the reason of a return is empty.
    f"""CREATE TABLE voids (
        id INTEGER PRIMARY KEY,
        uid TEXT NOT NULL UNIQUE,
        accepted_id INTEGER NOT NULL REFERENCES accepted_readings(id),
        utc_ns INTEGER NOT NULL,
        voided {_FLAG.format("voided")},
        reason TEXT NOT NULL CHECK (voided = 0 OR reason <> '')
    ) STRICT""",
    "CREATE INDEX voids_of_reading ON voids(accepted_id)",
    # Raw readings that were deleted to save room: those from before before_utc_ns that are no accepted reading.
    """CREATE TABLE thinnings (
        id INTEGER PRIMARY KEY,
        uid TEXT NOT NULL UNIQUE,
        utc_ns INTEGER NOT NULL,
        before_utc_ns INTEGER NOT NULL,
        deleted INTEGER NOT NULL
    ) STRICT""",
)

_SEALS = (
    # A sealed edition of a closed visit; see `meterlink.seal`. text: the canonical JSON that is signed. public_key and
    # signature: Ed25519, in hexadecimal. Rows are only added. Where two stations changed one visit, and their
    # databases were merged, two rows have one edition.
    """CREATE TABLE seals (
        id INTEGER PRIMARY KEY,
        uid TEXT NOT NULL UNIQUE,
        visit_id INTEGER NOT NULL REFERENCES visits(id),
        edition INTEGER NOT NULL CHECK (edition >= 1),
        sealed_utc_ns INTEGER NOT NULL,
        text TEXT NOT NULL,
        public_key TEXT NOT NULL,
        signature TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX seals_of_visit ON seals(visit_id)",
    # The random salt of each text that a seal holds as a hash only. subject: the place of the text in the sealed visit.
    # A text that is removed for privacy loses its salt, too.
    """CREATE TABLE seal_salts (
        visit_id INTEGER NOT NULL REFERENCES visits(id),
        subject TEXT NOT NULL,
        salt TEXT NOT NULL,
        PRIMARY KEY (visit_id, subject)
    ) STRICT, WITHOUT ROWID""",
    # The keys that this station, and the stations merged into it, sealed with. ended_utc_ns: NULL for a present key.
    """CREATE TABLE station_keys (
        public_key TEXT NOT NULL PRIMARY KEY,
        station TEXT NOT NULL,
        since_utc_ns INTEGER NOT NULL,
        ended_utc_ns INTEGER,
        end_reason TEXT NOT NULL DEFAULT ''
    ) STRICT, WITHOUT ROWID""",
)

_OUTBOX = (
    # AUTOINCREMENT: the publisher pages by id, so ids must not restart when the outbox becomes empty.
    f"""CREATE TABLE outbox (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        message_id TEXT NOT NULL UNIQUE,
        topic TEXT NOT NULL,
        payload BLOB NOT NULL,
        droppable {_FLAG.format("droppable")},
        created_utc_ns INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX droppable_messages ON outbox(id) WHERE droppable = 1",
    f"""CREATE TABLE rejected_messages (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        message_id TEXT NOT NULL UNIQUE,
        topic TEXT NOT NULL,
        payload BLOB NOT NULL,
        droppable {_FLAG.format("droppable")},
        created_utc_ns INTEGER NOT NULL,
        rejected_utc_ns INTEGER NOT NULL,
        reason TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE counters (
        name TEXT NOT NULL PRIMARY KEY,
        value INTEGER NOT NULL
    ) STRICT""",
)


@MIGRATIONS(name="001 first tables")
def _first_tables(db: Database) -> None:
    """Create all tables; the last migration makes the views, and the triggers of the word index."""
    for statement in (*_PLACES, *_METERS, *_READINGS, *_SEALS, *_OUTBOX, *WORD_TABLES):
        db.execute(statement)


# Accepted readings whose packets were decoded again by a corrected profile or driver. The newest row of a reading
# (highest id) is its present display; `accepted_readings` keeps the one that was accepted. technician: the person who
# recorded it; empty where nobody said it. driver, profile, profile_hash: as in `connections`.
_CORRECTIONS = (
    f"""CREATE TABLE corrections (
        id INTEGER PRIMARY KEY,
        uid TEXT NOT NULL UNIQUE,
        accepted_id INTEGER NOT NULL REFERENCES accepted_readings(id),
        utc_ns INTEGER NOT NULL,
        quantity TEXT NOT NULL,
        digits TEXT,
        unit TEXT NOT NULL,
        value REAL,
        status TEXT NOT NULL,
        coupling TEXT,
        resolution TEXT,
        low_battery {_FLAG.format("low_battery")},
        display_hold {_FLAG.format("display_hold")},
        relative {_FLAG.format("relative")},
        driver TEXT NOT NULL,
        profile TEXT NOT NULL,
        profile_hash TEXT NOT NULL,
        technician TEXT NOT NULL,
        software TEXT NOT NULL,
        CHECK ((status = 'ok') = (digits IS NOT NULL))
    ) STRICT""",
    "CREATE INDEX corrections_of_reading ON corrections(accepted_id)",
)


@MIGRATIONS(name="002 readings decoded again")
def _corrections(db: Database) -> None:
    """Add the corrections of accepted readings; the views show the present displays."""
    for statement in _CORRECTIONS:
        db.execute(statement)
    _make_views(db)


def _make_views(db: Database) -> None:
    """Make all views and triggers as they are in this version, in place of those of an earlier one."""
    for kind, name in db.execute("SELECT type, name FROM sqlite_master WHERE type IN ('view', 'trigger')").fetchall():
        db.execute(f"DROP {kind} {name}")
    for statement in (*VIEWS, WORD_VIEW, *WORD_TRIGGERS):
        db.execute(statement)
