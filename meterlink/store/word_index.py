"""The index of the words of accepted readings, for the filter of the history: tables and triggers of the schema.

The triggers keep the index, so that no statement that judges, voids, renames or moves can forget it. A meter stands in
the index with its row id as a word (``meter17``): to rename a meter changes one row of ``meter_words``, not the words
of all its readings.
"""

import sqlite3

WORD_COLUMNS = ("site", "unit", "circuit", "component", "section", "quantity", "verdict", "meter")

# Beginnings of words are indexed, too: a letter begins many words, and to merge their lists would take longer than a
# key stroke. From four letters on few words are left.
_OPTIONS = "prefix = '1 2 3', tokenize = 'unicode61 remove_diacritics 2'"
_NAMES = ", ".join(WORD_COLUMNS)

WORD_TABLES = (
    f"CREATE VIRTUAL TABLE accepted_words USING fts5({_NAMES}, {_OPTIONS})",
    f"CREATE VIRTUAL TABLE meter_words USING fts5(name, {_OPTIONS})",
)
# The words of accepted readings as they are now: of the newest verdict and display, and whether the reading is voided.
WORD_VIEW = f"""CREATE VIEW words_of_accepted ({_NAMES}, accepted_id) AS
    SELECT s.name, u.name, ci.name, co.name, co.section, a.quantity,
        j.verdict || CASE j.margin WHEN 'close call' THEN ' close call' ELSE '' END || CASE (
            SELECT voided FROM voids WHERE accepted_id = a.id ORDER BY id DESC LIMIT 1
        ) WHEN 1 THEN ' voided' ELSE '' END,
        'meter' || c.meter_id, a.id
    FROM current_readings a
    CROSS JOIN verdicts j ON j.id = (SELECT MAX(id) FROM verdicts WHERE accepted_id = a.id)
    CROSS JOIN raw_readings r ON r.id = a.raw_reading_id
    CROSS JOIN stretches st ON st.id = r.stretch_id
    CROSS JOIN connections c ON c.id = st.connection_id
    CROSS JOIN visits v ON v.id = a.visit_id
    CROSS JOIN test_points p ON p.id = a.point_id
    CROSS JOIN components co ON co.id = p.component_id
    CROSS JOIN circuits ci ON ci.id = co.circuit_id
    CROSS JOIN units u ON u.id = v.unit_id
    CROSS JOIN sites s ON s.id = u.site_id"""  # noqa: S608  # constants only

_OF_VISITS = "SELECT a.id FROM accepted_readings a JOIN visits v ON v.id = a.visit_id JOIN units u ON u.id = v.unit_id"
_OF_POINTS = (
    "SELECT a.id FROM accepted_readings a JOIN test_points p ON p.id = a.point_id"
    " JOIN components co ON co.id = p.component_id"
)
# Each event, with SQL for the row ids of the accepted readings whose words it changes.
_EVENTS = {
    "verdict": ("INSERT ON verdicts", "SELECT new.accepted_id"),
    "void": ("INSERT ON voids", "SELECT new.accepted_id"),
    "correction": ("INSERT ON corrections", "SELECT new.accepted_id"),
    "move": ("UPDATE OF visit_id, point_id ON accepted_readings", "SELECT new.id"),
    "point": ("UPDATE OF component_id ON test_points", f"{_OF_POINTS} WHERE p.id = new.id"),
    "component": ("UPDATE OF name, section, circuit_id ON components", f"{_OF_POINTS} WHERE co.id = new.id"),
    "circuit": ("UPDATE OF name ON circuits", f"{_OF_POINTS} WHERE co.circuit_id = new.id"),
    "visit": ("UPDATE OF unit_id ON visits", f"{_OF_VISITS} WHERE v.id = new.id"),
    "unit": ("UPDATE OF name, site_id ON units", f"{_OF_VISITS} WHERE u.id = new.id"),
    "site": ("UPDATE OF name ON sites", f"{_OF_VISITS} WHERE u.site_id = new.id"),
}

_READING_TRIGGERS = tuple(
    f"""CREATE TRIGGER words_of_{name} AFTER {event} BEGIN
        DELETE FROM accepted_words WHERE rowid IN ({readings});
        INSERT INTO accepted_words (rowid, {_NAMES})
            SELECT accepted_id, {_NAMES} FROM words_of_accepted WHERE accepted_id IN ({readings});
    END"""  # noqa: S608  # constants only
    for name, (event, readings) in _EVENTS.items()
)
_METER_TRIGGERS = tuple(
    f"""CREATE TRIGGER words_of_{name} AFTER {event} ON meters BEGIN
        DELETE FROM meter_words WHERE rowid = new.id;
        INSERT INTO meter_words (rowid, name)
            VALUES (new.id, CASE new.name WHEN '' THEN new.address ELSE new.name END);
    END"""  # noqa: S608  # constants only
    for name, event in (("new_meter", "INSERT"), ("renamed_meter", "UPDATE OF name, address"))
)

WORD_TRIGGERS = (*_READING_TRIGGERS, *_METER_TRIGGERS)

_REBUILDING = (
    "DELETE FROM accepted_words",
    f"INSERT INTO accepted_words (rowid, {_NAMES}) SELECT accepted_id, {_NAMES} FROM words_of_accepted",  # noqa: S608  # constants only
    "DELETE FROM meter_words",
    """INSERT INTO meter_words (rowid, name)
        SELECT id, CASE name WHEN '' THEN address ELSE name END FROM meters ORDER BY id""",
)


def drop_word_triggers(connection: sqlite3.Connection) -> None:
    """Let the index stand still until `rebuild_word_index`, in one transaction: row by row it would take longer."""
    names = connection.execute("SELECT name FROM main.sqlite_master WHERE type = 'trigger' AND name LIKE 'words_of_%'")
    for (name,) in map(tuple, names.fetchall()):
        connection.execute(f"DROP TRIGGER main.{name}")


def rebuild_word_index(connection: sqlite3.Connection) -> None:
    """Make the index anew from the present rows, and its triggers, which `drop_word_triggers` dropped."""
    for statement in (*_REBUILDING, *WORD_TRIGGERS):
        connection.execute(statement)
