"""The meters of a data folder, for commands that only read: from its settings and its database."""

from pathlib import Path

from meterlink.core.errors import NoDatabaseError
from meterlink.settings import DATABASE_FILE, load_settings
from meterlink.station.known_meters import KnownMeters
from meterlink.store.reader import Reader


def load_known_meters(folder: Path) -> KnownMeters:
    """Return the meters of a data folder with the facts that count now; a database is not needed.

    Raises:
        SettingsError: the settings cannot be used.
        StoreError: the database cannot be read.
    """
    try:
        rows = Reader(folder / DATABASE_FILE).known_meters()
    except NoDatabaseError:
        rows = []
    return KnownMeters(load_settings(folder), rows)
