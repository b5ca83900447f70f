"""A copy of the record before a newer Meterlink changes its tables: checked, beside the record, few in number."""

import logging
import sqlite3
from contextlib import suppress
from pathlib import Path

from meterlink.store import connections
from meterlink.store.backup import back_up
from meterlink.store.copying import SIDECARS
from meterlink.store.migration import migrate, older_version
from meterlink.store.restore import dated_name

COPIES_KEPT = 2
"""A fault of an update may be seen only after the next one. Each copy has the size of the record."""

_log = logging.getLogger(__name__)


def bring_up_to_date(connection: sqlite3.Connection, path: Path) -> None:
    """Migrate the record at ``path`` as `migrate` does; an older one is first kept as ``NAME.version-1-TIME.db``.

    Of earlier copies the newest stays, too. A migration that fails leaves the record as it was, and no copy.

    Raises:
        DamagedDatabaseError: the record is damaged: it is not migrated.
        StoreError: the copy cannot be written (the disk is full), or the migration failed; the record is unchanged.
    """
    copy = None if (version := older_version(connection)) is None else _keep(path, version)
    try:
        migrate(connection, path)
    except BaseException:
        if copy is not None:
            with suppress(OSError):
                copy.unlink()
        raise


def _keep(path: Path, version: int) -> Path:
    copy = dated_name(path, f".version-{version}-")
    _log.info(
        "The tables of %s change from version %d to %d: the record is first copied to %s and checked.",
        path, version, connections.SCHEMA_VERSION, copy.name,
    )  # fmt: skip
    back_up(path, copy)
    with suppress(OSError):  # a disk without rights
        copy.chmod(path.stat().st_mode & 0o777)  # as private as the record
    for older in kept_versions(path)[:-COPIES_KEPT]:
        for end in ("", *SIDECARS):
            with suppress(OSError):  # somebody has removed it, or it is on a disk that was made read-only
                older.with_name(older.name + end).unlink()
    return copy


def kept_versions(path: Path) -> list[Path]:
    """Return the copies of older versions beside the record at ``path``, oldest first."""
    copies = path.parent.glob(f"{path.stem}.version-*{path.suffix}")
    return sorted(copies, key=lambda copy: (copy.stat().st_mtime_ns, copy.name))
