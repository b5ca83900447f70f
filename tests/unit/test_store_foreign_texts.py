"""Texts of another record that is merged: no name of a site may move the cursor of the technician's terminal."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from meterlink.core.errors import InputError
from meterlink.store.foreign_texts import check_texts

TABLES = (
    "CREATE TABLE sites (id INTEGER PRIMARY KEY, name TEXT, amount REAL);"
    'CREATE TABLE "odd ""name""" (id INTEGER PRIMARY KEY, "a ""column""" text);'
    "CREATE TABLE visits (id INTEGER PRIMARY KEY, label TEXT, plan_text TEXT);"
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "phone.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(TABLES)
    return path


@pytest.fixture
def connection(path: Path) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        connection.execute("ATTACH ? AS foreign_record", (str(path),))
        yield connection


def check(connection: sqlite3.Connection, path: Path) -> None:
    check_texts(connection, "foreign_record", path)


@pytest.mark.parametrize(
    "text", ["Mill Lane bakery", "two\nlines", "a\ttab", "Bäckerei µΩ °C ±6 %", "製パン所", "", "🔧"]
)
def test_a_text_that_a_person_may_type_is_taken(connection: sqlite3.Connection, path: Path, text: str) -> None:
    connection.execute("INSERT INTO foreign_record.sites (name) VALUES (?)", (text,))
    check(connection, path)


@pytest.mark.parametrize(
    "sign",
    [
        pytest.param("\x1b[2J", id="clears the screen"),
        pytest.param("\x00", id="ends a text in C"),
        pytest.param("\x07", id="rings"),
        pytest.param("\x0c", id="next page"),
        pytest.param("\x7f", id="delete"),
        pytest.param("\x9b", id="control of one character"),
        pytest.param("\u202e", id="turns the direction"),
        pytest.param("\u200b", id="hides"),
        pytest.param("\u2066", id="isolates"),
        pytest.param("\ufeff", id="byte order"),
    ],
)
def test_a_control_character_is_refused_with_its_place(connection: sqlite3.Connection, path: Path, sign: str) -> None:
    connection.execute("INSERT INTO foreign_record.sites (name) VALUES ('a clean one'), (?)", (f"Mill{sign}Lane",))
    with pytest.raises(InputError) as caught:
        check(connection, path)
    assert f"{path} has control characters in a text (sites, name)" in caught.value.message
    assert sign not in str(caught.value)


def test_every_table_and_column_is_looked_at(connection: sqlite3.Connection, path: Path) -> None:
    """Also a table that no version of ours has, with a name that must be quoted and its type in small letters."""
    connection.execute('INSERT INTO foreign_record."odd ""name""" ("a ""column""") VALUES (?)', ("\x1b[2J",))
    with pytest.raises(InputError, match="control characters"):
        check(connection, path)


def test_a_plan_is_left_to_its_parser(connection: sqlite3.Connection, path: Path) -> None:
    """Its author may write what TOML allows; the label of the visit is shown."""
    connection.execute("INSERT INTO foreign_record.visits (label, plan_text) VALUES ('', ?)", ("# \u200b",))
    check(connection, path)
    connection.execute("INSERT INTO foreign_record.visits (label, plan_text) VALUES (?, '')", ("\u200b",))
    with pytest.raises(InputError, match="visits, label"):
        check(connection, path)


def test_a_view_in_the_file_is_not_run(connection: sqlite3.Connection, path: Path) -> None:
    """Its query is somebody else's: it may take for ever."""
    connection.execute("INSERT INTO foreign_record.sites (name) VALUES ('Mill Lane bakery')")
    connection.execute(
        "CREATE VIEW foreign_record.endless AS WITH RECURSIVE n(i) AS (VALUES (1) UNION ALL SELECT i + 1 FROM n)"
        " SELECT sites.name FROM sites, n"
    )
    connection.set_progress_handler(lambda: 1, 1_000_000)  # ends it
    check(connection, path)
