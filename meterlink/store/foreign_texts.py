"""Texts of another database: characters that control a terminal or a screen are refused before a row is taken in.

A record of Meterlink has none, because each text is cleaned when it enters. They are not removed here: a seal covers
the exact text, and a clean copy would no longer be the sealed one.
"""

import sqlite3
from pathlib import Path

from meterlink.core.errors import InputError

# Control characters but tab and line ends; invisible ones that change the direction of a text or hide in it.
_CONTROLS = (
    "\x01-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f"  # C0 and C1 (ECMA-48)
    "\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff"  # formats of Unicode
)
# The plan as its author wrote it, with comments: only its parser reads it.
_UNCHECKED = {("visits", "plan_text")}


def check_texts(connection: sqlite3.Connection, schema: str, source: Path) -> None:
    """Check the texts of all tables of an attached database; ``source`` is its name in the error.

    Raises:
        InputError: a text has a control character.
    """
    tables = connection.execute(f"SELECT name FROM {schema}.sqlite_master WHERE type = 'table' AND sql NOTNULL")  # noqa: S608  # our own names
    for (table,) in [tuple(row) for row in tables]:
        name = _quoted(table)
        columns = [tuple(row)[1:3] for row in connection.execute(f"PRAGMA {schema}.table_info({name})")]
        texts = [column for column, kind in columns if "TEXT" in kind.upper() and (table, column) not in _UNCHECKED]
        for column in texts:
            text = _quoted(column)
            query = f"SELECT 1 FROM {schema}.{name} WHERE {text} GLOB ? OR instr({text}, char(0)) LIMIT 1"  # noqa: S608  # quoted
            if connection.execute(query, (f"*[{_CONTROLS}]*",)).fetchone():
                raise InputError(
                    f"{source} has control characters in a text ({table}, {column}), which no station writes.",
                    "Somebody has changed it: ask for another copy. Nothing was taken from it.",
                )


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
